-- Of what nobody knows how much is there, its use is told, and neither when it runs out nor when to order.

alter table stock_forecast drop constraint stock_forecast_check;
alter table stock_forecast add constraint stock_forecast_check check (
  num_nonnulls(model, per_day) in (0, 2)
  and num_nonnulls(safety_stock, reorder_point, order_quantity) in (0, 3)
  and (order_quantity is null or model is not null));
