drop table stock_forecast;
