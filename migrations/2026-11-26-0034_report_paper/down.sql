drop table report_unsubscribe;
drop table report_recipient;
drop table report_style;
