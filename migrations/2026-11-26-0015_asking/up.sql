-- Readings asked for: whom, for which meters, by when; the links that were handed out, the mails
-- that wait to go, and the files (photos, documents) that stand behind records.

-- Content by its hash: the same photo sent twice is one file. Whoever sent it, or whoever may see
-- a record it is linked to, sees it.
create table file (
  dealer_id int4 not null default app.dealer_id() references dealer,
  sha256 bytea not null check (length(sha256) = 32),
  media_type text not null check (media_type in ('image/jpeg', 'image/png', 'image/webp', 'application/pdf')),
  size_bytes int4 not null check (size_bytes between 1 and 8388608),
  customer_id uuid,
  sent_by uuid,
  created_at timestamptz not null,
  primary key (dealer_id, sha256),
  foreign key (dealer_id, customer_id) references customer
);
comment on column file.media_type is 'As its first bytes say, whatever the sender called it.';
comment on column file.customer_id is 'The customer whose people sent it first; null: the dealer''s.';

create table file_link (
  dealer_id int4 not null default app.dealer_id() references dealer,
  record text not null check (record ~ '^[a-z][a-z_]*$'),
  record_id uuid not null,
  n int4 not null check (n > 0),
  sha256 bytea not null,
  at timestamptz,
  customer_id uuid,
  created_at timestamptz not null,
  primary key (dealer_id, record, record_id, n),
  foreign key (dealer_id, sha256) references file,
  foreign key (dealer_id, customer_id) references customer
);
comment on table file_link is 'Which record a file stands behind; n counts the files of one record.';
comment on column file_link.at is 'Of a reading: its instant; the record is its meter.';
comment on column file_link.customer_id is 'Who may see it besides the dealer; null: nobody.';
call app.guard('file_link', 'customer_id = (select app.customer_id())', customer_writes => true);
create index file_link_file on file_link (dealer_id, sha256);
call app.guard('file', $$
  customer_id = (select app.customer_id())
  or exists (select from file_link l where l.dealer_id = file.dealer_id and l.sha256 = file.sha256)$$,
  customer_writes => true);

-- The bytes have a table of their own, so that looking at files does not read them.
create table file_content (
  dealer_id int4 not null default app.dealer_id() references dealer,
  sha256 bytea not null,
  bytes bytea not null,
  primary key (dealer_id, sha256),
  foreign key (dealer_id, sha256) references file
);
-- Photos and PDFs are compressed already.
alter table file_content alter column bytes set storage external;
call app.guard('file_content', $$
  exists (select from file f where f.dealer_id = file_content.dealer_id and f.sha256 = file_content.sha256)$$,
  customer_writes => true);
revoke update on file, file_link, file_content from weirbook_app;

create table reading_request (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  site_id uuid not null,
  customer_id uuid not null,
  person text not null,
  email text,
  due_on date not null,
  expires_at timestamptz not null,
  reminders int2 not null default 0,
  mailed_at timestamptz,
  taken_at timestamptz,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on table reading_request is 'One person asked to read some meters of one site.';
comment on column reading_request.mailed_at is 'When the last reminder of it was sent off, into the queue.';
comment on column reading_request.taken_at is 'When its last reading was taken: its links are spent since then.';
comment on column reading_request.ended_at is 'When it was revoked.';
call app.guard('reading_request', 'customer_id = (select app.customer_id())', customer_writes => true);
create index reading_request_site on reading_request (dealer_id, site_id, id);
create index reading_request_open on reading_request (dealer_id, expires_at) where taken_at is null and ended_at is null;

create table reading_request_meter (
  dealer_id int4 not null default app.dealer_id() references dealer,
  request_id uuid not null,
  n int2 not null check (n > 0),
  meter_no int4 not null,
  photo_sha256 bytea,
  taken_at timestamptz,
  primary key (dealer_id, request_id, n),
  unique (dealer_id, request_id, meter_no),
  foreign key (dealer_id, request_id) references reading_request,
  foreign key (dealer_id, meter_no) references meter,
  foreign key (dealer_id, photo_sha256) references file
);
comment on column reading_request_meter.photo_sha256 is 'A photo sent before its reading was taken.';
call app.guard('reading_request_meter', $$
  exists (select from reading_request r
    where r.dealer_id = reading_request_meter.dealer_id and r.id = reading_request_meter.request_id)$$,
  customer_writes => true);
create index reading_request_meter_open on reading_request_meter (dealer_id, meter_no) where taken_at is null;

create table reading_link (
  dealer_id int4 not null default app.dealer_id() references dealer,
  token_hash bytea not null check (length(token_hash) = 32),
  request_id uuid not null,
  created_at timestamptz not null,
  primary key (dealer_id, token_hash),
  foreign key (dealer_id, request_id) references reading_request
);
comment on table reading_link is 'SHA-256 of each link handed out for a request; the secret itself is never stored.';
call app.guard('reading_link', 'false');
revoke update on reading_link from weirbook_app;

create table reminder_rule (
  dealer_id int4 not null default app.dealer_id() primary key references dealer,
  days_before int2 not null check (days_before between 0 and 30),
  days_after int2 not null check (days_after between 1 and 30),
  reminders_most int2 not null check (reminders_most between 0 and 10),
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null
);
comment on table reminder_rule is 'When people who were asked are reminded; without a row the defaults of the service hold.';
comment on column reminder_rule.days_before is 'Days before the due date of a first reminder; 0: none before.';
comment on column reminder_rule.days_after is 'Days between reminders once the due date has passed.';
call app.guard('reminder_rule', 'false');

-- Work to be done outside a request, once for each name: sent off in the transaction that wants
-- it, tried again with growing pauses.
create table job (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  kind text not null check (kind ~ '^[a-z][a-z_]*$'),
  once text not null,
  payload jsonb not null,
  tries int2 not null default 0,
  due_at timestamptz not null,
  last_error text,
  created_at timestamptz not null,
  done_at timestamptz,
  given_up_at timestamptz,
  primary key (dealer_id, id),
  unique (dealer_id, kind, once),
  check (done_at is null or given_up_at is null)
);
comment on column job.once is 'What the job is about: of one kind there is never a second one.';
comment on column job.due_at is 'Not before; while it is tried, when somebody else may take it up again.';
call app.guard('job', 'false');
create index job_due on job (dealer_id, due_at) where done_at is null and given_up_at is null;

-- What a customer's own meters usually pass is no secret to it: the expected range stands on it.
drop policy customer_people on meter_month;
create policy customer_people on meter_month for select using (
  exists (select from placement p where p.dealer_id = meter_month.dealer_id and p.id = meter_month.subject_id)
  or exists (select from site s where s.dealer_id = meter_month.dealer_id and s.id = meter_month.subject_id));
