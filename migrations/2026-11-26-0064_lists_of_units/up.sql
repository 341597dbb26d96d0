-- For lists over all units: samples in order of time, and records by when they were last written.

create index sample_time on sample (dealer_id, at, id);
create index water_account_changed on water_account (dealer_id, changed_at, id);
