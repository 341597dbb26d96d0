-- What people note down at a unit: gauges, samples, washes, work done, and what was used up.

create table gauge_reading (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  at timestamptz not null,
  gauge text not null check (gauge in ('level', 'pressure', 'temperature', 'vacuum', 'current')),
  value float8 not null,
  unit text not null check (unit in ('mm', 'l', 'kpa', 'degc', 'a')),
  place text,
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit
);
call app.guard('gauge_reading',
  'exists (select from placement p where p.dealer_id = gauge_reading.dealer_id
     and p.unit_id = gauge_reading.unit_id and p.valid @> gauge_reading.at)');
create index gauge_reading_unit on gauge_reading (dealer_id, unit_id, at);

create table sample (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  at timestamptz not null,
  point text not null,
  what text not null,
  qualifier text check (qualifier in ('<', '>')),
  value float8 not null,
  unit text not null,
  method text,
  detection_limit float8,
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit
);
comment on column sample.what is 'pH, ORP, dissolved oxygen, conductivity, turbidity, odour, sludge depth, ...';
call app.guard('sample',
  'exists (select from placement p where p.dealer_id = sample.dealer_id
     and p.unit_id = sample.unit_id and p.valid @> sample.at)');
create index sample_unit on sample (dealer_id, unit_id, at);

create table wash_tally (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  period daterange not null check (not isempty(period)),
  machine_class text not null,
  washes int4 not null check (washes >= 0),
  source text not null check (source in ('counter', 'typed', 'sessions')),
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer,
  constraint wash_tally_overlap exclude using gist
    (dealer_id with =, site_id with =, machine_class with =, period with &&)
);
call app.guard('wash_tally', 'customer_id = (select app.customer_id())');

create table volume_event (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  at timestamptz not null,
  kind text not null check (kind in ('first_fill', 'refill', 'drain', 'hand_fill')),
  volume_l float8 not null check (volume_l >= 0),
  note text,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit
);
comment on table volume_event is 'Water that enters or leaves at once; counted on a line of its own.';
call app.guard('volume_event',
  'exists (select from placement p where p.dealer_id = volume_event.dealer_id
     and p.unit_id = volume_event.unit_id and p.valid @> volume_event.at)');

create table service_event (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  revision int4 not null,
  unit_id uuid not null,
  at timestamptz not null,
  kind text not null check (kind in
    ('visit', 'clean_out', 'calibration', 'replacement', 'adjustment', 'inspection', 'handover', 'failure')),
  customer_note text,
  internal_note text,
  details jsonb not null default '{}',
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id, revision),
  foreign key (dealer_id, unit_id) references unit
);
comment on table service_event is 'Something done to a unit. A correction is a new revision; the highest one counts.';
-- A row carries the internal note, so customers get theirs through a view of its own later.
call app.guard('service_event', 'false');

create table event_line (
  dealer_id int4 not null default app.dealer_id() references dealer,
  event_id uuid not null,
  revision int4 not null,
  n int2 not null,
  kind text not null check (kind in ('labour', 'travel', 'part', 'consumable')),
  item_id uuid,
  quantity numeric not null check (quantity >= 0),
  unit text not null,
  primary key (dealer_id, event_id, revision, n),
  foreign key (dealer_id, event_id, revision) references service_event
);
call app.guard('event_line', 'false');

create table consumable (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  name text not null,
  unit text not null check (unit in ('kg', 'l', 'piece')),
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  unique (dealer_id, name)
);
call app.guard('consumable', 'false');

create table place (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  name text not null,
  kind text not null check (kind in ('warehouse', 'van', 'site')),
  site_id uuid,
  created_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  check ((kind = 'site') = (site_id is not null))
);
comment on table place is 'Where stock lies.';
call app.guard('place', 'false');

create table stock_movement (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  consumable_id uuid not null,
  from_place_id uuid,
  to_place_id uuid,
  unit_id uuid,
  kind text not null check (kind in ('received', 'moved', 'issued', 'counted', 'written_off', 'returned')),
  quantity numeric not null check (quantity > 0),
  at timestamptz not null,
  lot text,
  expires_on date,
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, consumable_id) references consumable,
  foreign key (dealer_id, from_place_id) references place,
  foreign key (dealer_id, to_place_id) references place,
  foreign key (dealer_id, unit_id) references unit,
  check (from_place_id is distinct from to_place_id)
);
comment on table stock_movement is 'The ledger: a balance is the sum of what came to a place less what left it.';
call app.guard('stock_movement', 'false');
revoke update on stock_movement, sample, gauge_reading, service_event, event_line from weirbook_app;
create index stock_movement_item on stock_movement (dealer_id, consumable_id, at);
