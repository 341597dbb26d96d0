alter policy customer_people on file using (
  customer_id = (select app.customer_id())
  or exists (select from file_link l where l.dealer_id = file.dealer_id and l.sha256 = file.sha256));
drop table file_sender;
