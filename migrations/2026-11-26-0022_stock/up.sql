-- Consumables and stock: how items are bought, their lots, the ledger with its balances, what was
-- left in the drums of a site, what pumps dose, prices, and kits kept for visits.

create table supplier (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  name text not null,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  unique (dealer_id, name)
);
call app.guard('supplier', 'false');

alter table consumable
  drop constraint consumable_unit_check,
  add constraint consumable_unit_check check (unit in ('kg', 'l', 'm', 'piece')),
  add column density_kg_per_l float8 check (density_kg_per_l > 0),
  add column hazard text not null default 'harmless' check (hazard in
    ('harmless', 'acid', 'alkali', 'hypochlorite', 'oxidiser', 'organic', 'microbes', 'sludge')),
  add column by_lot bool not null default false,
  add column shelf_life_d int4 check (shelf_life_d > 0),
  add column service_level float8 not null default 0.95 check (service_level between 0.5 and 0.9999),
  add column supplier_id uuid,
  add column pack numeric check (pack > 0),
  add column least_packs int4 check (least_packs > 0),
  add column lead_time_d int4 check (lead_time_d >= 0),
  add column lead_time_sd_d float8 check (lead_time_sd_d >= 0),
  add constraint consumable_supplier foreign key (dealer_id, supplier_id) references supplier,
  add constraint consumable_supply check
    (num_nonnulls(supplier_id, pack, least_packs, lead_time_d, lead_time_sd_d) in (0, 5));
comment on column consumable.service_level is 'Chance that a stock is to suffice until the next delivery.';

alter table place
  add column revision int4 not null default 1,
  add column changed_at timestamptz not null default now(),
  add constraint place_site unique (dealer_id, site_id);

create table stock_lot (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  consumable_id uuid not null,
  number text not null,
  expires_on date,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  constraint stock_lot_number unique (dealer_id, consumable_id, number),
  foreign key (dealer_id, consumable_id) references consumable
);
comment on column stock_lot.expires_on is 'Last day on which it may be used.';
call app.guard('stock_lot', 'false');

alter table stock_movement
  drop column lot,
  drop column expires_on,
  drop constraint stock_movement_quantity_check,
  add constraint stock_movement_quantity_check check (quantity > 0 or (quantity = 0 and kind = 'counted')),
  add column lot_id uuid,
  add column supplier_id uuid,
  add column buyer text check (buyer in ('dealer', 'customer')),
  add column payer text check (payer in ('billed', 'included', 'warranty', 'already_paid')),
  add column why text,
  add column overdraw_reason text,
  add constraint stock_movement_lot foreign key (dealer_id, lot_id) references stock_lot,
  add constraint stock_movement_supplier foreign key (dealer_id, supplier_id) references supplier;
comment on column stock_movement.to_place_id is 'Of a count, where it was.';
comment on column stock_movement.why is 'Of a count, why it differs from the ledger; of what was written off, why.';
create index stock_movement_from on stock_movement (dealer_id, from_place_id, id);
create index stock_movement_to on stock_movement (dealer_id, to_place_id, id);
create index stock_movement_unit on stock_movement (dealer_id, unit_id, at) where unit_id is not null;

create table stock_posting (
  dealer_id int4 not null default app.dealer_id() references dealer,
  place_id uuid not null,
  consumable_id uuid not null,
  lot_id uuid not null,
  at timestamptz not null,
  is_count bool not null,
  movement_id uuid not null,
  is_issue bool not null,
  change numeric not null,
  balance numeric not null,
  primary key (dealer_id, place_id, consumable_id, lot_id, at, is_count, movement_id),
  foreign key (dealer_id, movement_id) references stock_movement
);
comment on table stock_posting is 'What a line of the ledger did to a shelf, and what stood there after it: no balance needs the ledger added up.';
comment on column stock_posting.lot_id is 'Nil for what is not kept by lot.';
comment on column stock_posting.change is 'Of a count, its difference from the ledger.';
call app.guard('stock_posting', 'false');

create table stock_balance (
  dealer_id int4 not null default app.dealer_id() references dealer,
  place_id uuid not null,
  consumable_id uuid not null,
  lot_id uuid not null,
  quantity numeric not null default 0,
  moved_at timestamptz,
  counted_at timestamptz,
  primary key (dealer_id, place_id, consumable_id, lot_id),
  foreign key (dealer_id, place_id) references place,
  foreign key (dealer_id, consumable_id) references consumable
);
comment on table stock_balance is 'What stands on each shelf now, written with every line of the ledger; its row is the shelf''s lock.';
comment on column stock_balance.moved_at is 'Instant of the youngest line.';
call app.guard('stock_balance', 'false');

create table item_price (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  consumable_id uuid not null,
  kind text not null check (kind in ('purchase', 'selling')),
  valid daterange not null check (not isempty(valid) and lower(valid) is not null),
  amount numeric not null check (amount >= 0),
  currency text not null,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, consumable_id) references consumable,
  constraint item_price_overlap exclude using gist
    (dealer_id with =, consumable_id with =, kind with =, valid with &&)
);
comment on column item_price.amount is 'Of one of the item''s unit, without tax.';
call app.guard('item_price', 'false');

create table kit (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  name text not null,
  lines jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  unique (dealer_id, name)
);
call app.guard('kit', 'false');

create table stock_reservation (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  kit_id uuid,
  unit_id uuid,
  place_id uuid not null,
  van_id uuid,
  planned_on date not null,
  lines jsonb not null,
  used jsonb,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  foreign key (dealer_id, kit_id) references kit,
  foreign key (dealer_id, unit_id) references unit,
  foreign key (dealer_id, place_id) references place,
  foreign key (dealer_id, van_id) references place,
  check ((ended_at is null) = (used is null))
);
comment on table stock_reservation is 'Goods kept at a place for a planned day; closed once it is known what of them was used.';
call app.guard('stock_reservation', 'false');
create index stock_reservation_open on stock_reservation (dealer_id, planned_on) where ended_at is null;

create table dip (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  at timestamptz not null,
  consumable_id uuid not null,
  open_quantity numeric not null check (open_quantity >= 0),
  sealed_quantity numeric not null check (sealed_quantity >= 0),
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer,
  foreign key (dealer_id, consumable_id) references consumable
);
comment on table dip is 'What was left at a site when somebody looked; it changes nothing in the ledger.';
call app.guard('dip', 'customer_id = (select app.customer_id())');
call app.write_once('dip');
create index dip_site on dip (dealer_id, site_id, consumable_id, at);

create table dosing_setting (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  at timestamptz not null,
  consumable_id uuid not null,
  full_ml_per_min float8 not null check (full_ml_per_min > 0),
  control text not null check (control in ('fixed', 'by_ph')),
  stroke_share float8 check (stroke_share > 0 and stroke_share <= 1),
  speed_share float8 check (speed_share > 0 and speed_share <= 1),
  run_share float8 not null check (run_share between 0 and 1),
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit,
  foreign key (dealer_id, consumable_id) references consumable,
  check (num_nonnulls(stroke_share, speed_share) = case control when 'fixed' then 2 else 0 end)
);
comment on table dosing_setting is 'How a dosing pump of a unit was left.';
comment on column dosing_setting.run_share is 'Share of all time in which the pump runs.';
call app.guard('dosing_setting',
  'exists (select from placement p where p.dealer_id = dosing_setting.dealer_id
     and p.unit_id = dosing_setting.unit_id and p.valid @> dosing_setting.at)');
call app.write_once('dosing_setting');
create index dosing_setting_unit on dosing_setting (dealer_id, unit_id, at);

create table draw_down (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  at timestamptz not null,
  consumable_id uuid not null,
  taken_ml float8 not null check (taken_ml >= 0),
  run_s float8 not null check (run_s > 0),
  division_ml float8 not null check (division_ml >= 0),
  recorded_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit,
  foreign key (dealer_id, consumable_id) references consumable
);
comment on table draw_down is 'What a dosing pump took from a calibration cylinder.';
call app.guard('draw_down',
  'exists (select from placement p where p.dealer_id = draw_down.dealer_id
     and p.unit_id = draw_down.unit_id and p.valid @> draw_down.at)');
call app.write_once('draw_down');
create index draw_down_unit on draw_down (dealer_id, unit_id, at);
