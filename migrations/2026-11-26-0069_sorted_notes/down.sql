drop index gauge_reading_created;
drop index sample_created;
drop index volume_event_created;
drop index calibration_created;
drop index gauge_reading_changed;
drop index sample_changed;
drop index volume_event_changed;
drop index calibration_changed;
