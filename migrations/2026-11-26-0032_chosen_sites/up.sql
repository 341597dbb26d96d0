-- Within a customer, a person, a program or a link may be limited to chosen sites. The sites stand
-- in a third setting of the transaction, and a restrictive policy holds to them what stands at a
-- site. A unit's records follow by its placements, a meter's by where it is attached.

create function app.holder_id() returns uuid
  language sql stable parallel safe
  return nullif(current_setting('app.holder_id', true), '')::uuid;
comment on function app.holder_id is 'The membership or program in whose name the transaction runs.';

create function app.all_sites() returns boolean
  language sql stable parallel safe
  return app.all_customers() or coalesce(current_setting('app.site_ids', true) = 'all', false);

create function app.site_ids() returns uuid[]
  language sql stable parallel safe
  return nullif(nullif(current_setting('app.site_ids', true), ''), 'all')::uuid[];

-- Who looks at which sites they are limited to sees their own.
alter policy customer_people on site_access using (membership_id = (select app.holder_id()));
grant delete on site_access to weirbook_app;

-- For the rest of the transaction: the sites chosen for its holder, or all of the customer's.
create function app.choose_sites() returns void
  language sql volatile
  begin atomic
    select set_config('app.site_ids', coalesce(
      (select array_agg(a.site_id)::text from site_access a where a.membership_id = app.holder_id()), 'all'), true);
  end;
revoke execute on function app.choose_sites from public;
grant execute on function app.choose_sites to weirbook_app;

create procedure app.guard_sites(tenant_table regclass, site_rule text, command text default 'all')
  language plpgsql as $$
begin
  execute format('create policy chosen_sites on %s as restrictive for %s using ((select app.all_sites()) or %s)',
    tenant_table, command, site_rule);
end $$;
revoke execute on procedure app.guard_sites from public;

-- A table that says of which customer and at which site its rows are is limited by itself.
create or replace procedure app.guard(tenant_table regclass, customer_rule text, customer_writes boolean default false)
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
  if customer_rule <> 'false' and 2 = (select count(*) from pg_attribute
      where attrelid = tenant_table and attname in ('customer_id', 'site_id') and not attisdropped) then
    call app.guard_sites(tenant_table, 'site_id = any ((select app.site_ids())::uuid[])');
  end if;
end $$;

do $$
declare
  guarded regclass;
begin
  for guarded in
    select p.polrelid from pg_policy p join pg_class c on c.oid = p.polrelid
     where p.polname = 'customer_people' and pg_get_expr(p.polqual, p.polrelid) <> 'false'
       and 2 = (select count(*) from pg_attribute
                 where attrelid = p.polrelid and attname in ('customer_id', 'site_id') and not attisdropped)
     order by c.relname
  loop
    call app.guard_sites(guarded, 'site_id = any ((select app.site_ids())::uuid[])');
  end loop;
end $$;

call app.guard_sites('site', 'id = any ((select app.site_ids())::uuid[])');
call app.guard_sites('tariff', $$exists (select from water_account w
  where w.dealer_id = tariff.dealer_id and w.id = tariff.water_account_id)$$);
call app.guard_sites('water_bill', $$exists (select from water_account w
  where w.dealer_id = water_bill.dealer_id and w.id = water_bill.water_account_id)$$);
-- The files behind readings; a record is its meter.
call app.guard_sites('file_link', $$record = 'reading' and exists (select from meter m
  where m.dealer_id = file_link.dealer_id and m.id = file_link.record_id)$$);
-- A report sums all sites of its customer.
call app.guard_sites('savings_report', 'false');
call app.guard_sites('report_revision', 'false');
call app.guard_sites('report_question', 'false');
-- The log does not say at which site a record is; who is limited adds to it and does not read it.
call app.guard_sites('change', 'false', 'select');
