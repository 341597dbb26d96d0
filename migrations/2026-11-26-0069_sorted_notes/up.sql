-- For lists of notes of all units: by when they were noted down, and by when they were last written, which is when
-- they were withdrawn or else noted down.

create index gauge_reading_created on gauge_reading (dealer_id, created_at, id);
create index sample_created on sample (dealer_id, created_at, id);
create index volume_event_created on volume_event (dealer_id, created_at, id);
create index calibration_created on calibration (dealer_id, created_at, id);
create index gauge_reading_changed on gauge_reading (dealer_id, (case when withdrawn_at is null then created_at else withdrawn_at end), id);
create index sample_changed on sample (dealer_id, (case when withdrawn_at is null then created_at else withdrawn_at end), id);
create index volume_event_changed on volume_event (dealer_id, (case when withdrawn_at is null then created_at else withdrawn_at end), id);
create index calibration_changed on calibration (dealer_id, (case when withdrawn_at is null then created_at else withdrawn_at end), id);
