drop policy customer_people on meter_month;
create policy customer_people on meter_month for select using (false);
drop table job, reminder_rule, reading_link, reading_request_meter, reading_request, file_content;
-- The policy of `file` looks at `file_link`, which points back.
drop policy customer_people on file;
drop table file_link, file;
