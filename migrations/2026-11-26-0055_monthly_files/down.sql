drop table monthly_file_unsubscribe;
drop table monthly_file;
