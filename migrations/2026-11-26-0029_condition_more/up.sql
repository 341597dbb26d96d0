-- Tests of condition on what people note, what a finding costs a day, what follows findings, and
-- what goes before process upsets.

alter table finding
  drop constraint finding_kind_check,
  add constraint finding_kind_check check (kind in (
    'passing_fill_valve', 'falling_flow', 'energy_above', 'starts_above', 'pressure_above', 'ph_probe_drifts',
    'orp_probe_drifts', 'oxygen_probe_drifts', 'dose_off')),
  add column about text,
  add column cost_per_day jsonb,
  add column no_cost text,
  add constraint finding_cost check (num_nonnulls(cost_per_day, no_cost) <= 1);
comment on column finding.size is 'Litres a day, a share, kWh a day, kPa, or a drift in 30 days, as the kind says.';
comment on column finding.about is 'Which of several things it is about, such as what pumps dose.';
comment on column finding.cost_per_day is 'What it costs a day, at least and at most.';
comment on column finding.no_cost is 'Why no cost is reckoned.';

alter table condition_test
  drop constraint condition_test_kind_check,
  add constraint condition_test_kind_check check (kind in (
    'passing_fill_valve', 'falling_flow', 'energy_above', 'starts_above', 'pressure_above', 'ph_probe_drifts',
    'orp_probe_drifts', 'oxygen_probe_drifts', 'dose_off'));

create table condition_due (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit
);
comment on table condition_due is 'Units of which something was noted that the next night run tests them on.';
call app.guard('condition_due', 'false');
grant delete on condition_due to weirbook_app;

create table finding_followed (
  dealer_id int4 not null default app.dealer_id() references dealer,
  finding text not null,
  part_kind text not null,
  failures int4 not null,
  expected float8 not null,
  failures_without int4 not null,
  expected_without float8 not null,
  factor float8,
  lower float8,
  upper float8,
  primary key (dealer_id, finding, part_kind),
  check ((factor is null) = (lower is null))
);
comment on table finding_followed is 'How parts fared after findings, as the last night took it for its forecasts.';
comment on column finding_followed.expected is 'Failures that their forecasts had said.';
comment on column finding_followed.failures_without is 'The same of weeks without such a finding; counted where enough failures followed one.';
comment on column finding_followed.factor is 'What such a finding multiplies the hazard by; null before enough failures followed.';
call app.guard('finding_followed', 'false');
grant delete on finding_followed to weirbook_app;

create table sign_limits (
  dealer_id int4 not null default app.dealer_id() primary key references dealer,
  figures jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null
);
comment on table sign_limits is 'From where on something is a sign of a process upset; without a row the usual limits count.';
call app.guard('sign_limits', 'false');

alter table forecast
  drop constraint forecast_age_from_check,
  add constraint forecast_age_from_check check (age_from in ('calendar', 'own_counter', 'unit_counter', 'assumed', 'counter')),
  add column age_estimated float8 not null default 0,
  add column factor float8,
  add column replace_saving jsonb,
  add column visit_on date,
  add column visit_more float8,
  add check ((visit_on is null) = (visit_more is null));
comment on column forecast.replace_saving is 'What replacing at that age saves in a thousand units of run.';
comment on column forecast.visit_on is 'The next planned visit, where replacing at it costs little more.';
comment on column forecast.visit_more is 'How much more, as a share.';
comment on column forecast.age_from is 'Where the age is from; counter, of either, in nights of earlier versions.';
comment on column forecast.age_estimated is 'What of the age nobody counted.';
comment on column forecast.factor is 'What findings at the unit multiplied the hazard by.';

alter table unit_risk add column signs jsonb;
comment on column unit_risk.signs is 'Signs of an upset that it shows, and what they weigh.';
