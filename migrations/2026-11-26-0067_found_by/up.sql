-- For lists over all units: notes of units in order of time, and stock movements by when they happened.

create index gauge_reading_time on gauge_reading (dealer_id, at, id);
create index volume_event_time on volume_event (dealer_id, at, id);
create index calibration_time on calibration (dealer_id, at, id);
create index stock_movement_time on stock_movement (dealer_id, at, id);
