-- Dealers, and who may sign in for them.

create table dealer (
  id int4 generated always as identity primary key,
  name text not null,
  time_zone text not null,
  currency text not null check (currency ~ '^[A-Z]{3}$'),
  unit_system text not null default 'metric' check (unit_system in ('metric', 'us')),
  night_hour int2 not null default 2 check (night_hour between 0 and 23),
  created_at timestamptz not null default now()
);
comment on table dealer is 'The tenants. Made by the operator, from the command line.';
comment on column dealer.night_hour is 'Local hour at which the night run begins.';
alter table dealer enable row level security;
alter table dealer force row level security;
create policy own_dealer on dealer for select to weirbook_app using (id = (select app.dealer_id()));
create policy gate on dealer to weirbook_gate using (true);
grant select on dealer to weirbook_app;
grant select, insert on dealer to weirbook_gate;

-- Global: an e-mail address is one person, whatever number of dealers know them.
create table account (
  id uuid primary key,
  email text not null,
  name text not null,
  password_hash text not null,
  created_at timestamptz not null default now(),
  disabled_at timestamptz
);
create unique index account_email on account (lower(email));
comment on column account.password_hash is 'Argon2id, in PHC string format.';

create table session_family (
  id uuid primary key,
  account_id uuid not null references account,
  dealer_id int4 not null references dealer,
  membership_id uuid not null,
  refresh_hash bytea not null,
  created_at timestamptz not null default now(),
  rotated_at timestamptz not null default now(),
  expires_at timestamptz not null,
  revoked_at timestamptz
);
create unique index session_family_refresh on session_family (refresh_hash);
comment on table session_family is 'One sign-in and the refresh tokens that followed from it, one valid at a time.';
comment on column session_family.refresh_hash is 'SHA-256 of the token that is valid now; the token itself is never stored.';

grant select, insert, update on account, session_family to weirbook_gate;

create table membership (
  dealer_id int4 not null default app.dealer_id() references dealer,
  id uuid not null,
  account_id uuid not null references account,
  role text not null check (role in ('owner', 'office', 'technician', 'customer_viewer', 'customer_reader')),
  customer_id uuid,
  revision int4 not null default 1,
  created_at timestamptz not null default now(),
  changed_at timestamptz not null default now(),
  ended_at timestamptz,
  primary key (dealer_id, id),
  unique nulls not distinct (dealer_id, account_id, customer_id),
  check ((customer_id is not null) = (role in ('customer_viewer', 'customer_reader')))
);
comment on table membership is 'What an account may do for a dealer; customers'' people belong to one customer.';
call app.guard('membership', 'customer_id = (select app.customer_id())');
-- Signing in happens before there is a scope: the gate reads and makes memberships of any dealer.
drop policy tenant on membership;
create policy tenant on membership as restrictive to weirbook_app using (dealer_id = (select app.dealer_id()));
create policy gate on membership to weirbook_gate using (true);
grant select, insert on membership to weirbook_gate;
