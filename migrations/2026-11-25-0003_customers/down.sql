alter table membership drop constraint membership_dealer_id_customer_id_fkey;
drop table baseline, tariff, water_account, site_access, site, customer;
