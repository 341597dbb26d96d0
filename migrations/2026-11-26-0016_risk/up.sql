-- Units at risk: what lives of parts tell, the forecasts made from it each night, and how they
-- turned out. Customers' people see none of it.

create table risk_cost (
  dealer_id int4 not null default app.dealer_id() primary key references dealer,
  figures jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null
);
comment on table risk_cost is 'What failures cost, as the dealer reckons; without a row the usual figures count.';
call app.guard('risk_cost', 'false');

create table forecast_night (
  dealer_id int4 not null default app.dealer_id() references dealer,
  night date not null,
  made_at timestamptz not null,
  parts int4 not null,
  settled_days int2 not null default 0,
  looked_at timestamptz not null,
  primary key (dealer_id, night)
);
comment on table forecast_night is 'The nights whose forecasts are kept: the last, and the first of every week for scoring.';
comment on column forecast_night.parts is 'Parts with a forecast.';
comment on column forecast_night.settled_days is 'The longest horizon up to which all outcomes were looked up.';
comment on column forecast_night.looked_at is 'Parts changed since then are looked up again.';
call app.guard('forecast_night', 'false');
grant delete on forecast_night to weirbook_app;

create table life_model (
  dealer_id int4 not null default app.dealer_id() references dealer,
  night date not null,
  grp int4 not null,
  kind text not null,
  duty text not null,
  run_basis text not null,
  model text,
  lives int4 not null,
  failures int4 not null,
  rated_life float8,
  basis text not null check (basis in ('lives', 'rated_life_and_lives', 'nothing')),
  figures jsonb not null,
  primary key (dealer_id, night, grp)
);
comment on table life_model is 'What the lives of parts alike told in a night.';
comment on column life_model.basis is 'What forecasts rest on: the fit, the rated life with the lives, or nothing.';
call app.guard('life_model', 'false');
grant delete on life_model to weirbook_app;

create table forecast (
  dealer_id int4 not null default app.dealer_id(),
  night date not null,
  component_id uuid not null,
  unit_id uuid not null,
  grp int4 not null,
  age float8 not null,
  age_from text not null check (age_from in ('calendar', 'counter', 'assumed')),
  reach float8 not null,
  alike_failed int4 not null,
  alike_known int4 not null,
  rated_life float8,
  replace_at float8,
  run_why text,
  use_30 float8 not null,
  p_30 float8,
  lower_30 float8,
  upper_30 float8,
  rate_p_30 float8 not null,
  use_90 float8 not null,
  p_90 float8,
  lower_90 float8,
  upper_90 float8,
  rate_p_90 float8 not null,
  primary key (dealer_id, night, unit_id, component_id)
);
comment on column forecast.p_30 is 'Probability that the part fails within 30 days; null where nothing is held of its life.';
comment on column forecast.rate_p_30 is 'The same as if all parts alike failed at one rate.';
comment on column forecast.reach is 'An age that it reaches within 30 days; the next two columns count parts alike up to there.';
call app.guard('forecast', 'false');
grant delete on forecast to weirbook_app;

create table forecast_outcome (
  dealer_id int4 not null default app.dealer_id(),
  night date not null,
  component_id uuid not null,
  horizon_days int2 not null check (horizon_days in (30, 90)),
  state text not null check (state in ('failed', 'good', 'unknown')),
  after_days float8 not null,
  primary key (dealer_id, night, horizon_days, component_id)
);
comment on column forecast_outcome.after_days is 'Days from the forecast to the failure, else to the horizon or to when watching ended.';
call app.guard('forecast_outcome', 'false');
grant delete on forecast_outcome to weirbook_app;

create table unit_risk (
  dealer_id int4 not null default app.dealer_id(),
  unit_id uuid not null,
  night date not null,
  rank int4 not null,
  p_30 float8 not null,
  p_90 float8 not null,
  expected_loss jsonb,
  not_forecast int4 not null,
  primary key (dealer_id, unit_id)
);
comment on table unit_risk is 'The units in the order of what failures are expected to cost, as of the last night.';
call app.guard('unit_risk', 'false');
grant delete on unit_risk to weirbook_app;
create index unit_risk_rank on unit_risk (dealer_id, rank);
