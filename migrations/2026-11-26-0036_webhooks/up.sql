-- Webhooks: where events are sent, with which secrets, and what became of each delivery. And for
-- which due a routine was found late, so that it is told once.

create table webhook_endpoint (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  url text not null,
  description text not null default '',
  events jsonb not null,
  customer_id uuid,
  paused_why text,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  ended_at timestamptz,
  primary key (dealer_id, id),
  foreign key (dealer_id, customer_id) references customer
);
comment on table webhook_endpoint is 'Where events are sent.';
comment on column webhook_endpoint.customer_id is 'Only events about this customer, and only what customers may be told.';
comment on column webhook_endpoint.paused_why is 'Nothing is sent while this says why.';
call app.guard('webhook_endpoint', 'false');

create table webhook_secret (
  dealer_id int4 not null default app.dealer_id() references dealer,
  endpoint_id uuid not null,
  n int4 not null check (n > 0),
  secret bytea not null check (length(secret) between 24 and 64),
  created_at timestamptz not null,
  expires_at timestamptz,
  primary key (dealer_id, endpoint_id, n),
  foreign key (dealer_id, endpoint_id) references webhook_endpoint
);
comment on table webhook_secret is 'The keys that deliveries are signed with. They can''t be hashed: signing needs them.';
comment on column webhook_secret.expires_at is 'Signs beside its successor until then.';
call app.guard('webhook_secret', 'false');

create table webhook_delivery (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  endpoint_id uuid not null,
  change_id uuid not null,
  event text not null,
  seq int8 not null,
  state text not null default 'waiting' check (state in ('waiting', 'delivered', 'dead')),
  tries int4 not null default 0,
  due_at timestamptz not null,
  created_at timestamptz not null,
  finished_at timestamptz,
  primary key (dealer_id, id),
  unique (dealer_id, endpoint_id, change_id),
  foreign key (dealer_id, endpoint_id) references webhook_endpoint,
  foreign key (dealer_id, change_id) references change,
  check ((state = 'waiting') = (finished_at is null))
);
comment on table webhook_delivery is 'An event on its way to an endpoint. Its message id is the change''s, however often it is sent.';
comment on column webhook_delivery.tries is 'Since it was wanted or sent again.';
comment on column webhook_delivery.due_at is 'Not before; while it is tried, when somebody else may take it up.';
create index webhook_delivery_due on webhook_delivery (dealer_id, endpoint_id, due_at) where state = 'waiting';
create index webhook_delivery_order on webhook_delivery (dealer_id, endpoint_id, seq);
call app.guard('webhook_delivery', 'false');

create table webhook_attempt (
  dealer_id int4 not null default app.dealer_id() references dealer,
  delivery_id uuid not null,
  at timestamptz not null,
  took_ms int4 not null,
  status int4,
  error text,
  primary key (dealer_id, delivery_id, at),
  foreign key (dealer_id, delivery_id) references webhook_delivery
);
comment on table webhook_attempt is 'Each try of a delivery and what the endpoint said.';
call app.guard('webhook_attempt', 'false');

alter table routine add column late_for date;
comment on column routine.late_for is 'The due date for which it was told that it is late.';
