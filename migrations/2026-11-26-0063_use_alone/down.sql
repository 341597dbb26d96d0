-- The owner of the tables reads the rows of all dealers.
alter table stock_forecast no force row level security;
delete from stock_forecast where model is not null and order_quantity is null;
alter table stock_forecast force row level security;
alter table stock_forecast drop constraint stock_forecast_check;
alter table stock_forecast add constraint stock_forecast_check check (
  num_nonnulls(model, per_day, safety_stock, reorder_point, order_quantity) in (0, 5));
