drop table report_revision, savings_report, month_fact, period_fact, day_fact, night_run;
