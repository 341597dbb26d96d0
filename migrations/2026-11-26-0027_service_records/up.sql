-- What service events bring about, whatever it is; one record of calibrations; visits that keep
-- goods, and are looked for by their technician.

create table event_note (
  dealer_id int4 not null default app.dealer_id() references dealer,
  event_id uuid not null,
  record text not null check (record in ('volume_event', 'sample', 'flow_test', 'calibration')),
  note_id uuid not null,
  primary key (dealer_id, event_id, note_id)
);
comment on table event_note is 'Notes that a service event brought about; a correction withdraws them and brings others.';
comment on column event_note.record is 'The note''s table.';
-- The owner of the tables moves the rows of all dealers.
alter table event_volume no force row level security;
insert into event_note (dealer_id, event_id, record, note_id)
  select dealer_id, event_id, 'volume_event', note_id from event_volume;
drop table event_volume;
call app.guard('event_note', 'false');
revoke update on event_note from weirbook_app;

-- A calibration told only by what an instrument showed in standards without lot and temperature is
-- no calibration of the kind that is kept from now on; what it found stays as an inspection.
alter table service_event no force row level security;
update service_event
   set kind = 'inspection',
       details = jsonb_build_object('looked_at', jsonb_build_array(jsonb_build_object(
         'what', details->>'instrument',
         'found', case when (details->>'passed')::boolean then 'good' else 'bad' end,
         'note', left('In standards: ' || (details->>'points'), 500))))
 where kind = 'calibration';
alter table service_event force row level security;

create index calibration_part on calibration (dealer_id, component_id, at)
  where component_id is not null and withdrawn_at is null;

alter table visit
  add column technician_id uuid generated always as ((record->>'technician_id')::uuid) stored,
  add column state text generated always as (record->>'state') stored;
create index visit_technician on visit (dealer_id, technician_id, at);

alter table stock_reservation
  add column visit_id uuid,
  add constraint stock_reservation_visit foreign key (dealer_id, visit_id) references visit;
comment on column stock_reservation.visit_id is 'The planned visit that it is kept for; it moves with it.';
create index stock_reservation_visit on stock_reservation (dealer_id, visit_id) where visit_id is not null;
