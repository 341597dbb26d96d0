update routine set due_by = 'calendar' where due_by = 'installation';
alter table routine
  drop constraint routine_due_by_check,
  add constraint routine_due_by_check check (due_by in ('calendar', 'yearly', 'hours', 'starts', 'washes', 'litres'));
delete from event_note where record = 'gauge_reading';
alter table event_note
  drop constraint event_note_record_check,
  add constraint event_note_record_check check (record in ('volume_event', 'sample', 'flow_test', 'calibration'));
alter table service_event drop column gauge_readings, drop column samples;
alter table gauge_reading drop column qualifier;
