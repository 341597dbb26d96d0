drop table wash_chemical, process_upset, call_out_internal, call_out, event_volume, event_internal;
alter table event_line drop column what;
drop index service_event_time;
drop index service_event_unit;
drop policy customer_people on service_event;
create policy customer_people on service_event for select using (false);
alter table service_event
  drop column signed_at, drop column signed_by, drop column why,
  add column internal_note text;
