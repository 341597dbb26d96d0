drop table draw_down, dosing_setting, dip, stock_reservation, kit, item_price, stock_balance, stock_posting;
drop index stock_movement_unit, stock_movement_to, stock_movement_from;
-- The version before has no word for a count of nothing.
delete from stock_movement where quantity = 0;
alter table stock_movement
  drop column overdraw_reason,
  drop column why,
  drop column payer,
  drop column buyer,
  drop column supplier_id,
  drop column lot_id,
  drop constraint stock_movement_quantity_check,
  add constraint stock_movement_quantity_check check (quantity > 0),
  add column lot text,
  add column expires_on date;
drop table stock_lot;
alter table place
  drop constraint place_site,
  drop column changed_at,
  drop column revision;
alter table consumable
  drop constraint consumable_supply,
  drop column lead_time_sd_d,
  drop column lead_time_d,
  drop column least_packs,
  drop column pack,
  drop column supplier_id,
  drop column service_level,
  drop column shelf_life_d,
  drop column by_lot,
  drop column hazard,
  drop column density_kg_per_l;
delete from stock_movement where consumable_id in (select id from consumable where unit = 'm');
delete from consumable where unit = 'm';
alter table consumable
  drop constraint consumable_unit_check,
  add constraint consumable_unit_check check (unit in ('kg', 'l', 'piece'));
comment on column stock_movement.to_place_id is null;
drop table supplier;
