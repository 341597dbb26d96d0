drop table loss_coefficient, wash_derivation, flow_test, rain_intake, rain_day;
alter table site drop column initial_loss_mm, drop column runoff_coefficient;

drop policy customer_people on wash_tally;
create policy customer_people on wash_tally for select using (customer_id = (select app.customer_id()));
drop policy customer_people on gauge_reading;
create policy customer_people on gauge_reading for select using
  (exists (select from placement p where p.dealer_id = gauge_reading.dealer_id
     and p.unit_id = gauge_reading.unit_id and p.valid @> gauge_reading.at));

-- What was withdrawn, and what the version before has no word for, goes.
delete from gauge_reading where withdrawn_at is not null;
delete from sample where withdrawn_at is not null;
delete from wash_tally where withdrawn_at is not null;
delete from volume_event where withdrawn_at is not null or kind = 'hauled';

drop index volume_event_unit;
alter table volume_event
  drop constraint volume_event_load,
  drop constraint volume_event_kind_check,
  add constraint volume_event_kind_check check (kind in ('first_fill', 'refill', 'drain', 'hand_fill')),
  drop column recorded_by, drop column waste_class, drop column destination, drop column ticket, drop column hauler,
  drop column passed_a_meter, drop column u_share,
  drop column withdrawn_at, drop column withdrawn_by, drop column withdrawn_why;
alter table wash_tally drop constraint wash_tally_overlap;
alter table wash_tally drop column withdrawn_at, drop column withdrawn_by, drop column withdrawn_why, drop column recorded_by;
alter table wash_tally add constraint wash_tally_overlap exclude using gist
  (dealer_id with =, site_id with =, machine_class with =, period with &&);
alter table sample drop column withdrawn_at, drop column withdrawn_by, drop column withdrawn_why;
alter table gauge_reading drop column withdrawn_at, drop column withdrawn_by, drop column withdrawn_why;
grant update on wash_tally, volume_event to weirbook_app;

drop procedure app.write_once;
