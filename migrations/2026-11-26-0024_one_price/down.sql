alter table model_kit_line drop column item_id;
alter table model_consumable drop column item_id;
drop table event_issue;
alter table event_line
  drop constraint event_line_issue,
  drop constraint event_line_item,
  drop column overdraw_reason,
  drop column payer,
  drop column lot_id,
  drop column from_place_id;
alter table stock_movement drop column billed_item_id;
alter table price
  drop constraint price_overlap,
  drop constraint price_what_check,
  add column item_id uuid,
  add column kind text not null default 'purchase' check (kind in ('purchase', 'selling')),
  add constraint price_what_check check (what in ('item', 'labour', 'travel', 'disposal')),
  add constraint price_check check ((what = 'item') = (item_id is not null)),
  add constraint price_overlap exclude using gist
    (dealer_id with =, what with =, coalesce(item_id, '00000000-0000-0000-0000-000000000000') with =, kind with =,
     unit with =, valid with &&) where (withdrawn_at is null);
alter table price alter column kind drop default;
comment on table price is 'What goods and work cost the dealer, and what goods are sold at. Never shown to a customer.';
comment on column price.item_id is 'The item, as lines of service events and the stock ledger name it.';
