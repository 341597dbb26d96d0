-- The customer's own order numbers at call-outs and service events, and indexes for lists by own numbers,
-- by names, and by when records were written.

alter table service_event add column order_number text check (length(order_number) between 1 and 60);
comment on column service_event.order_number is 'The number of the customer''s own order for the work.';
alter table call_out add column order_number text generated always as (record ->> 'order_number') stored;
comment on column call_out.order_number is 'The record''s own; a column, because row-level security lets no index look into JSON.';

create index service_event_order on service_event (dealer_id, order_number) where order_number is not null;
create index service_event_changed on service_event (dealer_id, created_at, id);
create index call_out_order on call_out (dealer_id, order_number) where order_number is not null;
create index call_out_changed on call_out (dealer_id, changed_at, id);

create index customer_own_number on customer (dealer_id, own_number) where own_number is not null;
create index customer_created on customer (dealer_id, created_at, id);
create index customer_changed on customer (dealer_id, changed_at, id);

create index site_name on site (dealer_id, name, id);
create index site_own_number on site (dealer_id, own_number) where own_number is not null;
create index site_cost_centre on site (dealer_id, cost_centre) where cost_centre is not null;
create index site_created on site (dealer_id, created_at, id);
create index site_changed on site (dealer_id, changed_at, id);

create index unit_label on unit (dealer_id, label, id);
create index unit_asset_number on unit (dealer_id, asset_number) where asset_number is not null;
create index unit_created on unit (dealer_id, created_at, id);
create index unit_changed on unit (dealer_id, changed_at, id);
create index spell_state on spell (dealer_id, state, unit_id);

create index meter_label on meter (dealer_id, label, id);
create index meter_created on meter (dealer_id, created_at, id);
create index meter_changed on meter (dealer_id, changed_at, id);

create index component_changed on component (dealer_id, changed_at, id);
create index routine_changed on routine (dealer_id, changed_at, id);
create index savings_report_created on savings_report (dealer_id, created_at, id);
create index savings_report_changed on savings_report (dealer_id, changed_at, id);
