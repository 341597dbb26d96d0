do $$
declare
  guarded regclass;
begin
  for guarded in select polrelid from pg_policy where polname = 'chosen_sites' loop
    execute format('drop policy chosen_sites on %s', guarded);
  end loop;
end $$;

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
end $$;

drop procedure app.guard_sites;
drop function app.choose_sites;
revoke delete on site_access from weirbook_app;
alter policy customer_people on site_access using (false);
drop function app.site_ids;
drop function app.all_sites;
drop function app.holder_id;
