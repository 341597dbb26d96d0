-- Visits and their feeds, agreements, and warranty cover.

create table visit (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid,
  site_id uuid not null,
  customer_id uuid not null,
  at timestamptz not null,
  record jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit,
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on table visit is 'A visit that is planned, was moved, made or called off.';
comment on column visit.record is 'The record in the domain''s own JSON; the columns are what is looked for and judged.';
comment on column visit.at is 'Its local day, as a UTC day.';
call app.guard('visit', 'false');
create index visit_time on visit (dealer_id, at, id);

-- Global, like the sign-ins: a calendar program asks before there is a scope.
create table calendar_feed (
  id uuid primary key,
  account_id uuid not null references account,
  dealer_id int4 not null references dealer,
  token_hash bytea not null,
  created_at timestamptz not null,
  revoked_at timestamptz
);
create unique index calendar_feed_token on calendar_feed (token_hash);
create index calendar_feed_account on calendar_feed (dealer_id, account_id);
comment on table calendar_feed is 'Private addresses at which a calendar program reads a technician''s visits.';
comment on column calendar_feed.token_hash is 'SHA-256 of the address''s secret part; the secret itself is never stored.';
grant select, insert, update on calendar_feed to weirbook_gate;

create table agreement (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid,
  site_id uuid,
  customer_id uuid not null,
  at timestamptz not null,
  record jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit,
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on table agreement is 'What a customer is promised, and for how much.';
comment on column agreement.record is 'The record in the domain''s own JSON; the columns are what is looked for and judged.';
comment on column agreement.at is 'Its first day, as a UTC day.';
call app.guard('agreement', 'customer_id = (select app.customer_id())');
create index agreement_customer on agreement (dealer_id, customer_id, at);

create table cover (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  unit_id uuid not null,
  site_id uuid,
  customer_id uuid,
  at timestamptz not null,
  record jsonb not null,
  revision int4 not null default 1,
  created_at timestamptz not null,
  changed_at timestamptz not null,
  primary key (dealer_id, id),
  foreign key (dealer_id, unit_id) references unit,
  foreign key (dealer_id, site_id) references site,
  foreign key (dealer_id, customer_id) references customer
);
comment on table cover is 'Warranty, given to a customer or by a supplier.';
comment on column cover.customer_id is 'Null: a supplier gives it to the dealer, and it is the dealer''s alone.';
comment on column cover.record is 'The record in the domain''s own JSON; the columns are what is looked for and judged.';
call app.guard('cover', 'customer_id = (select app.customer_id())');
create index cover_unit on cover (dealer_id, unit_id, at);
