-- Addresses to which a customer's figures of each month go by mail.

create table monthly_file (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  customer_id uuid not null,
  email text not null,
  day_of_month int2 not null check (day_of_month between 1 and 28),
  unsubscribed boolean not null default false,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  foreign key (dealer_id, customer_id) references customer,
  constraint monthly_file_unsubscribed check (not unsubscribed or ended_at is not null)
);
comment on table monthly_file is 'An address to which a customer''s figures of each month go by mail.';
comment on column monthly_file.day_of_month is 'The file of a month goes from this day of the next one on, by the clocks of the customer''s sites.';
comment on column monthly_file.unsubscribed is 'Whoever got them wanted no more, by the link in the mail.';
call app.guard('monthly_file', 'customer_id = (select app.customer_id())', customer_writes => true);
-- A file has all sites: who is limited to some of them neither sees where it goes nor has it sent.
call app.guard_sites('monthly_file', 'false');
create unique index monthly_file_once on monthly_file (dealer_id, customer_id, lower(email)) where ended_at is null;

create table monthly_file_unsubscribe (
  dealer_id int4 not null default app.dealer_id() references dealer,
  token_hash bytea not null check (length(token_hash) = 32),
  monthly_file_id uuid not null,
  created_at timestamptz not null,
  primary key (dealer_id, token_hash),
  foreign key (dealer_id, monthly_file_id) references monthly_file
);
comment on table monthly_file_unsubscribe is 'SHA-256 of the secret in each mail by which its reader wants no more; the secret itself is never stored.';
call app.guard('monthly_file_unsubscribe', 'false');
revoke update on monthly_file_unsubscribe from weirbook_app;
