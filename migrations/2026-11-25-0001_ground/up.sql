-- What every other migration stands on: the service's roles, the scope of a transaction,
-- and the one procedure that puts a table under row-level security.

create extension if not exists btree_gist; -- ranges that exclude each other within a dealer

-- Roles belong to the whole server, so another Weirbook database there may have made them.
-- They own nothing and can't bypass row-level security; `weirbook migrate` lets them log in.
do $$
begin
  if not exists (select from pg_roles where rolname = 'weirbook_app') then
    create role weirbook_app nologin nosuperuser nocreatedb nocreaterole noinherit nobypassrls;
  end if;
  if not exists (select from pg_roles where rolname = 'weirbook_gate') then
    create role weirbook_gate nologin nosuperuser nocreatedb nocreaterole noinherit nobypassrls;
  end if;
end $$;

comment on role weirbook_app is 'Weirbook: everything within a dealer''s or a customer''s scope';
comment on role weirbook_gate is 'Weirbook: sign-in, the list of dealers, and nothing of what they own';

create schema app;    -- functions; no tables
create schema sheets; -- partitions; the service can't look inside, it goes through the parents
grant usage on schema app to weirbook_app, weirbook_gate;

-- The scope stands in two settings made by SET LOCAL at the start of a transaction. Without
-- them nothing is seen: after the transaction they are '', before the first one null.
create function app.dealer_id() returns int4
  language sql stable parallel safe
  return nullif(current_setting('app.dealer_id', true), '')::int4;

create function app.customer_id() returns uuid
  language sql stable parallel safe
  return nullif(nullif(current_setting('app.customer_id', true), ''), 'all')::uuid;

create function app.all_customers() returns boolean
  language sql stable parallel safe
  return coalesce(current_setting('app.customer_id', true) = 'all', false);

-- Puts a tenant table under row-level security, forced for its owner too.
-- `customer_rule` says which rows a customer's people see; 'false' for none.
-- `customer_writes` lets them write such rows as well.
create procedure app.guard(tenant_table regclass, customer_rule text, customer_writes boolean default false)
  language plpgsql as $$
begin
  execute format('alter table %s enable row level security', tenant_table);
  execute format('alter table %s force row level security', tenant_table);
  execute format(
    'create policy tenant on %s as restrictive using (dealer_id = (select app.dealer_id()))', tenant_table);
  execute format(
    'create policy dealer_people on %s using ((select app.all_customers()))', tenant_table);
  execute format(
    'create policy customer_people on %s for %s using (%s)',
    tenant_table, case when customer_writes then 'all' else 'select' end, customer_rule);
  execute format('grant select, insert, update on %s to weirbook_app', tenant_table);
end $$;
revoke execute on procedure app.guard from public;
