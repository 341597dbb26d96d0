-- Items have their prices in item_price alone; service events take goods from stock; lines of
-- templates may name items.

-- The owner of the tables reads and moves the rows of all dealers.
alter table dealer no force row level security;
alter table price no force row level security;
alter table item_price no force row level security;
alter table consumable no force row level security;
insert into item_price (dealer_id, id, consumable_id, kind, valid, amount, currency, created_at)
select p.dealer_id, p.id, p.item_id, p.kind, p.valid, p.amount, p.currency, p.created_at
  from price p
  join consumable c on c.dealer_id = p.dealer_id and c.id = p.item_id and c.unit = p.unit
  join dealer d on d.id = p.dealer_id and d.currency = p.currency
 where p.what = 'item' and p.withdrawn_at is null
   and not exists (select from item_price i where i.dealer_id = p.dealer_id and i.consumable_id = p.item_id
                      and i.kind = p.kind and i.valid && p.valid);
delete from price where what = 'item';
alter table dealer force row level security;
alter table price force row level security;
alter table item_price force row level security;
alter table consumable force row level security;

alter table price
  drop constraint price_overlap,
  drop constraint price_what_check,
  drop column item_id,
  drop column kind,
  add constraint price_what_check check (what in ('labour', 'travel', 'disposal')),
  add constraint price_overlap exclude using gist
    (dealer_id with =, what with =, unit with =, valid with &&) where (withdrawn_at is null);
comment on table price is 'What work costs the dealer. Never shown to a customer.';

alter table stock_movement
  add column billed_item_id uuid,
  add constraint stock_movement_billed foreign key (dealer_id, billed_item_id) references billed_item;
comment on column stock_movement.billed_item_id is 'What the customer was billed for it, at the selling price of its day.';

alter table event_line
  add column from_place_id uuid,
  add column lot_id uuid,
  add column payer text check (payer in ('billed', 'included', 'warranty', 'already_paid')),
  add column overdraw_reason text,
  -- Lines of before named items that nobody looked for.
  add constraint event_line_item foreign key (dealer_id, item_id) references consumable not valid,
  add constraint event_line_place foreign key (dealer_id, from_place_id) references place,
  add constraint event_line_lot foreign key (dealer_id, lot_id) references stock_lot,
  add constraint event_line_issue check (from_place_id is null or (item_id is not null and payer is not null));
comment on column event_line.from_place_id is 'Where it was taken from stock; null: the line leaves stock as it is.';
comment on column event_line.payer is 'Who pays, where somebody said so; null: as the covers of the unit have it.';

create table event_issue (
  dealer_id int4 not null default app.dealer_id() references dealer,
  event_id uuid not null,
  revision int4 not null,
  movement_id uuid not null,
  primary key (dealer_id, event_id, revision, movement_id),
  constraint event_issue_movement unique (dealer_id, movement_id),
  foreign key (dealer_id, event_id, revision) references service_event,
  foreign key (dealer_id, movement_id) references stock_movement
);
comment on table event_issue is 'Lines of the ledger that a revision of a service event brought about: what it took, and what it gave back of the one before.';
call app.guard('event_issue', 'false');
revoke update on event_issue from weirbook_app;

alter table model_consumable
  add column item_id uuid,
  add constraint model_consumable_item foreign key (dealer_id, item_id) references consumable;
alter table model_kit_line
  add column item_id uuid,
  add constraint model_kit_line_item foreign key (dealer_id, item_id) references consumable;
