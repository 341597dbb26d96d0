-- Goods on order, and that the night run counts on them.

create table stock_order (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  supplier_id uuid not null,
  consumable_id uuid not null,
  place_id uuid not null,
  quantity numeric not null check (quantity > 0),
  ordered_on date not null,
  expected_on date not null check (expected_on >= ordered_on),
  receipts jsonb not null default '[]',
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  constraint stock_order_supplier foreign key (dealer_id, supplier_id) references supplier,
  constraint stock_order_item foreign key (dealer_id, consumable_id) references consumable,
  constraint stock_order_place foreign key (dealer_id, place_id) references place
);
comment on table stock_order is 'An item ordered from a supplier for a place; it comes in parts.';
comment on column stock_order.receipts is 'Movements by which parts of it came, in the domain''s own JSON.';
comment on column stock_order.ended_at is 'When all of it had come, or it was settled that no more comes.';
call app.guard('stock_order', 'false');
create index stock_order_open on stock_order (dealer_id, expected_on, id) where ended_at is null;

alter table stock_forecast add column on_order numeric not null default 0;
comment on column stock_forecast.on_order is 'What was on its way there, and counted on.';
