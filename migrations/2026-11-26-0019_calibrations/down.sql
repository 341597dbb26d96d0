drop view sample_seen;
drop table calibration_limits, calibration;
