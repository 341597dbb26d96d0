-- Unit models as templates, what follows from a part's failure, and recurring work.

create table model_stage (
  dealer_id int4 not null default app.dealer_id() references dealer,
  model_id uuid not null,
  n int4 not null,
  name text not null,
  volume_l float8 not null check (volume_l > 0),
  primary key (dealer_id, model_id, n),
  foreign key (dealer_id, model_id) references unit_model
);
comment on table model_stage is 'A step of the treatment, in the order in which water passes.';
call app.guard('model_stage', 'false');

create table model_component (
  dealer_id int4 not null default app.dealer_id() references dealer,
  model_id uuid not null,
  n int4 not null,
  kind text not null,
  model text,
  duty text not null check (duty in ('continuous', 'on_demand', 'timed')),
  run_basis text not null check (run_basis in ('hours', 'days', 'starts', 'washes', 'litres')),
  rated_life float8 check (rated_life > 0),
  assumed_per_day float8 check (assumed_per_day > 0),
  parts_cost_class text not null check (parts_cost_class in ('low', 'middle', 'high')),
  call_out boolean not null,
  down_town_water_d float8 not null check (down_town_water_d >= 0),
  down_second_unit_d float8 not null check (down_second_unit_d >= 0),
  down_none_d float8 not null check (down_none_d >= 0),
  primary key (dealer_id, model_id, n),
  foreign key (dealer_id, model_id) references unit_model
);
comment on table model_component is 'A part that a unit of the model is fitted with.';
call app.guard('model_component', 'false');

create table model_routine (
  dealer_id int4 not null default app.dealer_id() references dealer,
  model_id uuid not null,
  n int4 not null,
  plan jsonb not null,
  primary key (dealer_id, model_id, n),
  foreign key (dealer_id, model_id) references unit_model
);
comment on column model_routine.plan is 'The recurring work in the domain''s own JSON, as a unit of the model gets it.';
call app.guard('model_routine', 'false');

create table model_consumable (
  dealer_id int4 not null default app.dealer_id() references dealer,
  model_id uuid not null,
  n int4 not null,
  name text not null,
  unit text not null check (unit in ('kg', 'l', 'piece')),
  dose float8 not null check (dose > 0),
  dose_per text not null check (dose_per in ('day', 'm3', 'wash')),
  primary key (dealer_id, model_id, n),
  foreign key (dealer_id, model_id) references unit_model
);
comment on column model_consumable.dose is 'In unit, for each day of running, cubic metre of wash water or wash.';
call app.guard('model_consumable', 'false');

create table model_kit_line (
  dealer_id int4 not null default app.dealer_id() references dealer,
  model_id uuid not null,
  n int4 not null,
  task text not null,
  item text not null,
  quantity numeric not null check (quantity > 0),
  unit text not null check (unit in ('kg', 'l', 'piece')),
  substitutes jsonb not null default '[]',
  primary key (dealer_id, model_id, n),
  foreign key (dealer_id, model_id) references unit_model
);
comment on table model_kit_line is 'What a task takes along; substitutes are named, the best first.';
call app.guard('model_kit_line', 'false');
grant delete on model_stage, model_component, model_routine, model_consumable, model_kit_line to weirbook_app;

alter table component add column assumed_per_day float8 check (assumed_per_day > 0);
comment on column component.assumed_per_day is 'Use on a day of running, in the run basis, where no counter tells it.';

create table component_failure (
  dealer_id int4 not null default app.dealer_id() references dealer,
  component_id uuid not null,
  parts_cost_class text not null check (parts_cost_class in ('low', 'middle', 'high')),
  call_out boolean not null,
  down_town_water_d float8 not null check (down_town_water_d >= 0),
  down_second_unit_d float8 not null check (down_second_unit_d >= 0),
  down_none_d float8 not null check (down_none_d >= 0),
  primary key (dealer_id, component_id),
  foreign key (dealer_id, component_id) references component
);
comment on table component_failure is 'What follows when a part fails: for the dealer alone. Days down are by the site''s fallback.';
call app.guard('component_failure', 'false');

create table routine (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  name text not null,
  every_days int4 check (every_days > 0),
  yearly_on text,
  every_hours float8 check (every_hours > 0),
  every_starts float8 check (every_starts > 0),
  every_washes float8 check (every_washes > 0),
  every_litres float8 check (every_litres > 0),
  rests boolean not null,
  checklist jsonb not null,
  cautions jsonb not null,
  certificate text check (certificate in ('backflow_test', 'discharge_permit', 'sampling')),
  technician_id uuid,
  counts_from date not null,
  done_times int4 not null default 0,
  last_done_on date,
  due_on date,
  due_by text check (due_by in ('calendar', 'yearly', 'hours', 'starts', 'washes', 'litres')),
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit,
  check (num_nonnulls(every_days, yearly_on, every_hours, every_starts, every_washes, every_litres) > 0),
  check ((due_on is null) = (due_by is null))
);
comment on table routine is 'Recurring work at a unit, due by whatever comes first.';
comment on column routine.yearly_on is 'Month and day, such as 10-15.';
comment on column routine.rests is 'Whether days on which the unit does not run count for nothing.';
comment on column routine.due_on is 'Local day of the site, as the last night run projected it. Null: not within the horizon.';
call app.guard('routine', 'false');
create index routine_due on routine (dealer_id, due_on, id) where ended_at is null;
create index routine_unit on routine (dealer_id, unit_id);

create table routine_done (
  dealer_id int4 not null default app.dealer_id() references dealer,
  routine_id uuid not null,
  n int4 not null check (n > 0),
  due_on date,
  done_on date not null,
  checked jsonb not null,
  note text,
  certificate_number text,
  tester text,
  tester_licence text,
  certified_on date,
  result text check (result in ('passed', 'failed')),
  certificate_sha256 text,
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, routine_id, n),
  foreign key (dealer_id, routine_id) references routine,
  check (num_nonnulls(certificate_number, tester, certified_on, result) in (0, 4))
);
comment on table routine_done is 'A due that was done, once: the n-th of its routine.';
call app.guard('routine_done', 'false');
revoke update on routine_done from weirbook_app;
