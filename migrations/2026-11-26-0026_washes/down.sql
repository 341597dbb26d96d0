delete from meter_watch where kind = 'beyond_the_guns';
alter table meter_watch drop constraint meter_watch_kind_check;
alter table meter_watch add constraint meter_watch_kind_check check
  (kind in ('readings_missing', 'stuck', 'pulses_lost', 'pulses_extra', 'pulse_drift'));
alter table day_fact drop column sessions;
drop table wash_sessions;
