drop index file_sent;
drop index webhook_delivery_listed;
drop index webhook_delivery_waiting;
drop index month_fact_month;
drop index day_fact_day;
