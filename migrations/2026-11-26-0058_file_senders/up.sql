-- A file that another customer's people sent before is kept once; who sends it again sees it all the same.

create table file_sender (
  dealer_id int4 not null default app.dealer_id() references dealer,
  sha256 bytea not null,
  customer_id uuid not null,
  created_at timestamptz not null,
  primary key (dealer_id, sha256, customer_id),
  foreign key (dealer_id, sha256) references file,
  foreign key (dealer_id, customer_id) references customer
);
comment on table file_sender is 'Customers whose people sent a file that was there already.';
call app.guard('file_sender', 'customer_id = (select app.customer_id())', customer_writes => true);
revoke update on file_sender from weirbook_app;

alter policy customer_people on file using (
  customer_id = (select app.customer_id())
  or exists (select from file_link l where l.dealer_id = file.dealer_id and l.sha256 = file.sha256)
  or exists (select from file_sender s where s.dealer_id = file.dealer_id and s.sha256 = file.sha256));
