drop table meter_watch, meter_month;
delete from meter_exchange where withdrawn_at is not null;
drop index meter_exchange_at;
alter table meter_exchange
  drop constraint meter_exchange_pkey,
  drop column withdrawn_why,
  drop column withdrawn_by,
  drop column withdrawn_at,
  drop column id,
  add primary key (dealer_id, meter_no, at);
alter table reading_exception drop column amount_if_accepted;
revoke delete on day_sheet from weirbook_app;
delete from reading_correction where was is null;
alter table reading_correction drop column exception_id, alter column was set not null;
