-- For lists of many subjects' figures in order of time, and for what waits to be sent or is listed.

create index day_fact_day on day_fact (dealer_id, day, subject_id);
create index month_fact_month on month_fact (dealer_id, month, subject_id);
create index webhook_delivery_waiting on webhook_delivery (dealer_id, endpoint_id, seq) where state = 'waiting';
create index webhook_delivery_listed on webhook_delivery (dealer_id, endpoint_id, id);

-- For how much was sent within a day.
create index file_sent on file (dealer_id, customer_id, created_at);
