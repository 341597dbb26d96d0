alter table stock_forecast drop column on_order;
drop table stock_order;
