-- How a dealer's reports look, and who gets them by mail.

create table report_style (
  dealer_id int4 not null default app.dealer_id() references dealer,
  style jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id)
);
comment on table report_style is 'How reports look, and the limits that samples are held against; each report keeps it as it was when it was made.';
comment on column report_style.style is 'The record in the domain''s own JSON.';
call app.guard('report_style', 'false');

create table report_recipient (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  customer_id uuid not null,
  email text not null,
  recorded_by uuid,
  created_at timestamptz not null,
  ended_at timestamptz,
  ended_by text check (ended_by in ('dealer', 'recipient')),
  primary key (dealer_id, id),
  foreign key (dealer_id, customer_id) references customer,
  constraint report_recipient_ended check ((ended_at is null) = (ended_by is null))
);
comment on table report_recipient is 'Who gets a customer''s issued reports by mail.';
comment on column report_recipient.ended_by is 'Who wanted no more of them: the dealer, or whoever got them.';
call app.guard('report_recipient', 'false');
create unique index report_recipient_once on report_recipient (dealer_id, customer_id, lower(email)) where ended_at is null;

create table report_unsubscribe (
  dealer_id int4 not null default app.dealer_id() references dealer,
  token_hash bytea not null check (length(token_hash) = 32),
  recipient_id uuid not null,
  created_at timestamptz not null,
  primary key (dealer_id, token_hash),
  foreign key (dealer_id, recipient_id) references report_recipient
);
comment on table report_unsubscribe is 'SHA-256 of the secret in each mail by which its reader wants no more; the secret itself is never stored.';
call app.guard('report_unsubscribe', 'false');
revoke update on report_unsubscribe from weirbook_app;
