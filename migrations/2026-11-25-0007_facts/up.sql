-- What the night run computes. A subject is a placement (one unit at one customer's site) or,
-- where meters serve a whole site, the site: facts never mix two customers.

create table night_run (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  as_of timestamptz not null,
  started_at timestamptz not null,
  finished_at timestamptz,
  outcome text check (outcome in ('done', 'failed')),
  readings int8 not null default 0,
  subjects int4 not null default 0,
  days int4 not null default 0,
  months int4 not null default 0,
  reports int4 not null default 0,
  exceptions int4 not null default 0,
  error text,
  primary key (dealer_id, id),
  check ((finished_at is null) = (outcome is null))
);
call app.guard('night_run', 'false');

create table day_fact (
  dealer_id int4 not null default app.dealer_id(),
  subject_id uuid not null,
  day date not null,
  unit_id uuid,
  site_id uuid not null,
  customer_id uuid not null,
  makeup_l float8,
  wash_l float8,
  rinse_l float8,
  bypass_l float8,
  recirculation_l float8,
  hand_fill_l float8,
  to_sewer_l float8,
  to_holding_l float8,
  hauled_l float8,
  blowdown_l float8,
  energy_kwh float8,
  run_h float8,
  starts float8,
  wash_count float8,
  coverage float4 not null,
  estimated_share float4 not null,
  open_exceptions int4 not null,
  primary key (dealer_id, subject_id, day)
);
comment on table day_fact is 'Volumes and counts of a subject in one local day of its site. Null: nothing measures it.';
comment on column day_fact.coverage is 'Share of the day, 0 to 1, between accepted readings, of the least covered meter.';
comment on column day_fact.estimated_share is 'Share of the day that comes from steps longer than a day, spread evenly.';
call app.guard('day_fact', 'customer_id = (select app.customer_id())');
grant delete on day_fact to weirbook_app;
create index day_fact_site on day_fact (dealer_id, site_id, day);

create table period_fact (
  dealer_id int4 not null default app.dealer_id(),
  subject_id uuid not null,
  from_at timestamptz not null,
  to_at timestamptz not null,
  unit_id uuid,
  site_id uuid not null,
  customer_id uuid not null,
  grade text not null check (grade in ('measured', 'part_measured', 'makeup_only', 'not_measured')),
  volumes jsonb not null,
  open_exceptions int4 not null,
  primary key (dealer_id, subject_id, from_at),
  check (from_at < to_at)
);
comment on table period_fact is 'The same between two rounds at which all meters of the subject were read.';
call app.guard('period_fact', 'customer_id = (select app.customer_id())');
grant delete on period_fact to weirbook_app;

create table month_fact (
  dealer_id int4 not null default app.dealer_id(),
  subject_id uuid not null,
  month date not null check (extract(day from month) = 1),
  unit_id uuid,
  site_id uuid not null,
  customer_id uuid not null,
  grade text not null check (grade in ('measured', 'part_measured', 'makeup_only', 'not_measured')),
  volumes jsonb not null,
  coverage float4 not null,
  estimated_share float4 not null,
  open_exceptions int4 not null,
  primary key (dealer_id, subject_id, month)
);
call app.guard('month_fact', 'customer_id = (select app.customer_id())');
grant delete on month_fact to weirbook_app;
create index month_fact_customer on month_fact (dealer_id, customer_id, month);

create table savings_report (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  customer_id uuid not null,
  month date not null check (extract(day from month) = 1),
  state text not null default 'draft' check (state in ('draft', 'issued')),
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id, id),
  unique (dealer_id, customer_id, month),
  foreign key (dealer_id, customer_id) references customer
);
call app.guard('savings_report', 'customer_id = (select app.customer_id())');
create index savings_report_month on savings_report (dealer_id, month, id);

create table report_revision (
  dealer_id int4 not null default app.dealer_id() references dealer,
  report_id uuid not null,
  n int4 not null,
  customer_id uuid not null,
  figures jsonb not null,
  reason text not null,
  made_at timestamptz not null,
  issued_at timestamptz,
  primary key (dealer_id, report_id, n),
  foreign key (dealer_id, report_id) references savings_report,
  foreign key (dealer_id, customer_id) references customer
);
comment on column report_revision.figures is 'The report model, whole: page and JSON show this and compute nothing.';
call app.guard('report_revision', 'customer_id = (select app.customer_id())');
