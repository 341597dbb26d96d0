-- What people decide about readings, and what the night run learns of a meter.

-- A correction may put back what was taken out, and says which exception it settled.
alter table reading_correction
  alter column was drop not null,
  add column exception_id uuid,
  add foreign key (dealer_id, exception_id) references reading_exception;
comment on column reading_correction.was is 'Null: the reading had been taken out, and this put it back.';
-- A sheet whose last reading is taken out goes, so that a day with a sheet has readings.
grant delete on day_sheet to weirbook_app;

alter table reading_exception add column amount_if_accepted float8;
comment on column reading_exception.amount_if_accepted is 'What the step would count: litres, kWh, hours or events.';

-- A wrong exchange is withdrawn, and stays to be seen; the right one may be of the same instant.
alter table meter_exchange
  add column id uuid not null default gen_random_uuid(),
  add column withdrawn_at timestamptz,
  add column withdrawn_by uuid,
  add column withdrawn_why text,
  drop constraint meter_exchange_pkey,
  add primary key (dealer_id, id),
  add check ((withdrawn_at is null) = (withdrawn_why is null));
create unique index meter_exchange_at on meter_exchange (dealer_id, meter_no, at) where withdrawn_at is null;

create table meter_month (
  dealer_id int4 not null default app.dealer_id(),
  subject_id uuid not null,
  meter_no int4 not null,
  month date not null check (extract(day from month) = 1),
  days int2 not null,
  spread_days int2 not null,
  upper_day float8 not null,
  mean_day float8 not null,
  primary key (dealer_id, subject_id, meter_no, month)
);
comment on table meter_month is 'What the whole days of a meter at a subject usually pass: what steps are held against.';
call app.guard('meter_month', 'false');
grant delete on meter_month to weirbook_app;

create table meter_watch (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  meter_no int4 not null,
  kind text not null check (kind in ('readings_missing', 'stuck', 'pulses_lost', 'pulses_extra', 'pulse_drift')),
  since timestamptz not null,
  size float8 not null,
  opened_at timestamptz not null,
  seen_at timestamptz not null,
  closed_at timestamptz,
  primary key (dealer_id, id),
  foreign key (dealer_id, meter_no) references meter
);
comment on table meter_watch is 'What the night run finds the matter with a meter.';
comment on column meter_watch.size is 'Readings, days, or a share of what the dial passed, as the kind says.';
comment on column meter_watch.seen_at is 'The last night run that found it.';
call app.guard('meter_watch', 'false');
create unique index meter_watch_open on meter_watch (dealer_id, meter_no, kind) where closed_at is null;
