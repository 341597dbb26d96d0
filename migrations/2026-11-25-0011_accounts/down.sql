drop table cost_terms, water_bill;

-- What a revision replaced, and what is of a single unit, the version before has no word for.
delete from baseline where replaced_at is not null or unit_id is not null;
alter table baseline drop constraint baseline_overlap;
alter table baseline drop column replaced_at, drop column unit_id;
alter table baseline add exclude using gist (dealer_id with =, site_id with =, valid with &&);
comment on column baseline.figures is null;

alter table tariff drop column rounding, drop column name;
comment on column tariff.terms is 'Fixed charges, blocks, allowances, sewer, taxes; the domain parses and checks them.';

drop index water_account_site;
alter table water_account
  drop column charged, drop column strengths_mg_per_l, drop column other_use_most_l_per_month,
  drop column cycle_anchor, drop column meter_size, drop column name;
comment on column water_account.other_use_l_per_month is 'Use on the same account that the unit does not touch; null: unknown, and then a saving is a range.';
