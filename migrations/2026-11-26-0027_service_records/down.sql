alter table stock_reservation drop column visit_id;
alter table visit drop column state, drop column technician_id;
drop index calibration_part;
create table event_volume (
  dealer_id int4 not null default app.dealer_id() references dealer,
  event_id uuid not null,
  note_id uuid not null,
  primary key (dealer_id, event_id, note_id),
  foreign key (dealer_id, note_id) references volume_event
);
alter table event_note no force row level security;
insert into event_volume select dealer_id, event_id, note_id from event_note where record = 'volume_event';
call app.guard('event_volume', 'false');
revoke update on event_volume from weirbook_app;
drop table event_note;
