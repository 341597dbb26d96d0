-- What was measured in the course of a service event, values beyond a gauge's scale, and work that
-- an installation asks for.

alter table gauge_reading add column qualifier text check (qualifier in ('<', '>'));
comment on column gauge_reading.qualifier is 'On which side of the value the truth lies; null: at it.';

alter table service_event
  add column samples jsonb not null default '[]',
  add column gauge_readings jsonb not null default '[]';
comment on column service_event.samples is 'What was measured of the water, in the domain''s own JSON; each is a sample of the unit too.';
comment on column service_event.gauge_readings is 'What gauges showed; each is a gauge reading of the unit too.';

alter table event_note
  drop constraint event_note_record_check,
  add constraint event_note_record_check
    check (record in ('volume_event', 'sample', 'gauge_reading', 'flow_test', 'calibration'));

alter table routine
  drop constraint routine_due_by_check,
  add constraint routine_due_by_check
    check (due_by in ('calendar', 'yearly', 'installation', 'hours', 'starts', 'washes', 'litres'));
