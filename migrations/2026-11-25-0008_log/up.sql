-- Who did what to which record, written in the transaction of the write itself.

create table change (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  at timestamptz not null,
  account_id uuid,
  request_id uuid,
  record text not null,
  record_id text not null,
  revision int4,
  verb text not null check (verb in ('created', 'updated', 'retired', 'added', 'computed', 'signed_in', 'signed_out')),
  customer_id uuid,
  detail jsonb not null default '{}',
  primary key (dealer_id, id)
);
comment on table change is 'The one change log: audit, the changes feed and webhooks read it. Append-only by its grants.';
comment on column change.account_id is 'Null: the service itself, such as the night run.';
call app.guard('change', 'customer_id = (select app.customer_id())', customer_writes => true);
revoke update on change from weirbook_app;

create table idempotency (
  dealer_id int4 not null default app.dealer_id() references dealer,
  account_id uuid not null,
  key text not null check (length(key) between 1 and 255),
  request_hash bytea not null,
  status int2,
  answer jsonb,
  etag text,
  created_at timestamptz not null,
  primary key (dealer_id, account_id, key)
);
comment on table idempotency is 'Answers to creations by their Idempotency-Key, so that a retry gets the first answer.';
call app.guard('idempotency', 'true', customer_writes => true);
grant delete on idempotency to weirbook_app;
