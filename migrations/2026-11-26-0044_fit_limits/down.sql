drop table fit_limits;
