drop index cover_changed;
drop index agreement_changed;
drop index visit_changed;
drop index process_upset_changed;
drop index stock_movement_time;
drop index calibration_time;
drop index volume_event_time;
drop index gauge_reading_time;
