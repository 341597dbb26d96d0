-- Units, where they stand, in which state, and what in them wears.

create table unit_model (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  name text not null,
  rated_flow_l_per_h float8 not null check (rated_flow_l_per_h > 0),
  working_volume_l float8 not null check (working_volume_l > 0),
  float_band_l float8 not null check (float_band_l >= 0),
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  unique (dealer_id, name)
);
comment on column unit_model.float_band_l is 'Volume between the floats that start and stop the fill: how far storage can stand from its last reading.';
call app.guard('unit_model', 'true');

create table unit (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  model_id uuid,
  serial_number text not null,
  label text not null,
  rated_flow_l_per_h float8 check (rated_flow_l_per_h > 0),
  working_volume_l float8 check (working_volume_l > 0),
  asset_number text,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  unique (dealer_id, serial_number),
  foreign key (dealer_id, model_id) references unit_model
);
comment on column unit.asset_number is 'The number the customer''s own books give the unit.';

create table placement (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  valid tstzrange not null check (not isempty(valid) and lower(valid) is not null),
  terms text not null check (terms in ('sold', 'rented', 'loan', 'demo')),
  at_start jsonb not null default '{}',
  at_end jsonb,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit,
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer,
  constraint placement_overlap exclude using gist (dealer_id with =, unit_id with =, valid with &&)
);
comment on table placement is 'A unit at a site from-to. What a customer may see follows this interval.';
comment on column placement.at_start is 'Registers by meter id and levels, as read at the handover.';
call app.guard('placement', 'customer_id = (select app.customer_id())');
create index placement_site on placement (dealer_id, site_id, lower(valid));

-- A policy's subquery is itself under the policies of what it reads.
call app.guard('unit', 'exists (select from placement p where p.dealer_id = unit.dealer_id and p.unit_id = unit.id)');

create table spell (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  state text not null check (state in
    ('planned', 'starting', 'running', 'bypassed', 'stopped', 'laid_up', 'workshop', 'out_of_use')),
  reason text,
  valid tstzrange not null check (not isempty(valid) and lower(valid) is not null),
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit,
  constraint spell_overlap exclude using gist (dealer_id with =, unit_id with =, valid with &&)
);
call app.guard('spell',
  'exists (select from placement p where p.dealer_id = spell.dealer_id and p.unit_id = spell.unit_id and p.valid && spell.valid)');

create table component (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  kind text not null,
  model text,
  serial_number text,
  duty text not null check (duty in ('continuous', 'on_demand', 'timed')),
  run_basis text not null check (run_basis in ('hours', 'days', 'starts', 'washes', 'litres')),
  rated_life float8 check (rated_life > 0),
  age_at_fitting float8 not null default 0 check (age_at_fitting >= 0),
  fitted_at timestamptz not null,
  last_good_at timestamptz,
  out_at timestamptz check (out_at >= fitted_at),
  out_why text check (out_why in
    ('failed', 'worn_out_found', 'preventive', 'upgrade', 'external', 'faulty_new', 'unknown')),
  warranty_until date,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit,
  check ((out_at is null) = (out_why is null))
);
comment on column component.rated_life is 'In the run basis.';
comment on column component.age_at_fitting is 'In the run basis: a used part, or one that was already running when tracking began.';
call app.guard('component',
  'exists (select from placement p where p.dealer_id = component.dealer_id and p.unit_id = component.unit_id
     and p.valid && tstzrange(component.fitted_at, component.out_at, ''[]''))');
create index component_unit on component (dealer_id, unit_id, kind);
