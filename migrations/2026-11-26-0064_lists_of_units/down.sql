drop index water_account_changed;
drop index sample_time;
