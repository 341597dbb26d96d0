-- What the night run's tests of a unit's condition find, and what became of each test.

create table finding (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  kind text not null check (kind in ('passing_fill_valve', 'falling_flow', 'energy_above', 'starts_above')),
  since date not null,
  size float8 not null,
  opened_at timestamptz not null,
  seen_at timestamptz not null,
  closed_at timestamptz,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit
);
comment on table finding is 'Something wrong with a unit, one open for each cause.';
comment on column finding.since is 'The local day on which it began.';
comment on column finding.size is 'Litres a day, a share or kWh a day, as the kind says.';
comment on column finding.seen_at is 'The last night run that found it.';
call app.guard('finding', 'false');
create unique index finding_open on finding (dealer_id, unit_id, kind) where closed_at is null;

create table condition_test (
  dealer_id int4 not null default app.dealer_id() references dealer,
  unit_id uuid not null,
  kind text not null check (kind in ('passing_fill_valve', 'falling_flow', 'energy_above', 'starts_above')),
  tested_at timestamptz not null,
  why_not text,
  chart jsonb,
  primary key (dealer_id, unit_id, kind),
  foreign key (dealer_id, unit_id) references unit,
  check (num_nonnulls(why_not, chart) = 1)
);
comment on table condition_test is 'What became of each test of a unit in the last night run that touched it.';
comment on column condition_test.why_not is 'Why it was not run.';
comment on column condition_test.chart is 'Its last points with what is usual and the limit.';
call app.guard('condition_test', 'false');

alter table unit_risk add column upset text;
comment on column unit_risk.upset is 'Why the process may upset, in words; null where the dealer has no history of upsets.';
