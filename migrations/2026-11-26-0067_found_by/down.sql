drop index stock_movement_time;
drop index calibration_time;
drop index volume_event_time;
drop index gauge_reading_time;
