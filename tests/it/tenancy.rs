//! The tenancy rules, read from PostgreSQL's catalogue: what row-level security, keys and grants
//! must look like for every table, so that none can be added without them. `scopes` shows what
//! follows from them.

use crate::support::Database;
use tokio_postgres::Client;

/// A rule, and the query that lists what breaks it, one sentence a row.
///
/// `tenant` stands for the tables that belong to a dealer. Tables without a dealer, and the
/// sign-ins and feeds that exist before there is a scope, are named in the first rule.
const RULES: [(&str, &str); 24] = [
    (
        "a table belongs to a dealer",
        "select relname || ' has no dealer_id' from pg_class c
          where relnamespace = 'public'::regnamespace and relkind in ('r', 'p', 'f')
            and oid not in (select oid from tenant)
            and relname not in ('dealer', 'account', 'session_family', 'calendar_feed', 'recovery_code', 'password_reset',
                                'sign_in_try', 'lent_life', '__diesel_schema_migrations')",
    ),
    (
        "row-level security is on, for the owner too",
        "select relname || ' is not under row-level security' from pg_class
          where (oid in (select oid from tenant) or relname = 'dealer')
            and not (relrowsecurity and relforcerowsecurity)",
    ),
    (
        "policies are the standard ones",
        "select coalesce(e.relname, a.tablename) || ' ' || case when e.relname is null then 'has' else 'lacks' end
                || ' policy ' || coalesce(e.policy, a.policyname) || coalesce(' ' || a.qual, '')
           from expected_policy e
           full join (select *, roles::text as for_roles from pg_policies where schemaname = 'public') a
             on a.tablename = e.relname and a.policyname = e.policy and a.permissive = e.permissive
            and a.for_roles = e.roles and a.cmd = e.cmd and a.with_check is null
            and (a.qual = e.qual or e.qual is null)
          where e.relname is null or a.tablename is null",
    ),
    (
        "a customer's people are not shown everything",
        "select tablename || ' is open to every customer''s people' from pg_policies
          where policyname = 'customer_people' and qual = 'true'
            and tablename not in ('unit_model', 'touched')",
    ),
    (
        "chosen sites limit what a customer's people see by its customer alone",
        "select tablename || ' is not limited to chosen sites' from pg_policies
          where policyname = 'customer_people' and qual like '%customer_id%'
            and tablename not in (select relname from limited_to_sites)
            and tablename not in ('customer', 'membership', 'file', 'file_sender', 'risk_sharing')",
    ),
    (
        "an index begins with the dealer",
        "select i.indexrelid::regclass || ' does not begin with dealer_id' from pg_index i
          where (i.indrelid in (select oid from tenant)
                 or i.indrelid in (select inhrelid from pg_inherits where inhparent in (select oid from tenant)))
            and i.indkey[0] is distinct from (select attnum from pg_attribute
                  where attrelid = i.indrelid and attname = 'dealer_id')",
    ),
    (
        "a table has a primary key",
        "select relname || ' has no primary key' from tenant
          where not exists (select from pg_index where indrelid = tenant.oid and indisprimary)",
    ),
    (
        "a reference stays within the dealer",
        "select conname || ' on ' || conrelid::regclass || ' can point at another dealer''s row' from pg_constraint f
          where contype = 'f' and (conrelid in (select oid from tenant) or confrelid in (select oid from tenant))
            and not (confrelid = 'dealer'::regclass and array_length(conkey, 1) = 1)
            and not (conrelid = 'membership'::regclass and confrelid = 'account'::regclass)
            and not (array_length(conkey, 1) > 1
              and conkey[1] = (select attnum from pg_attribute where attrelid = conrelid and attname = 'dealer_id')
              and confkey[1] = (select attnum from pg_attribute where attrelid = confrelid and attname = 'dealer_id'))",
    ),
    (
        "a deletion changes no other row",
        "select conname || ' on ' || conrelid::regclass || ' acts when a row goes' from pg_constraint
          where contype = 'f' and (confdeltype not in ('a', 'r') or confupdtype not in ('a', 'r'))",
    ),
    (
        "no trigger and no rule does anything unseen",
        "select 'trigger ' || tgname || ' on ' || tgrelid::regclass from pg_trigger where not tgisinternal
         union all
         select 'rule ' || rulename || ' on ' || ev_class::regclass from pg_rewrite r
           join pg_class c on c.oid = ev_class
          where rulename <> '_RETURN' and c.relnamespace = 'public'::regnamespace",
    ),
    (
        "the service's roles are ordinary",
        "select rolname || ' may do more than a role of the service should' from pg_roles
          where rolname in ('weirbook_app', 'weirbook_gate')
            and (rolsuper or rolbypassrls or rolcreatedb or rolcreaterole or rolreplication or rolinherit)
         union all
         select member::regrole || ' is a member of ' || roleid::regrole from pg_auth_members
          where member in ('weirbook_app'::regrole, 'weirbook_gate'::regrole)",
    ),
    (
        "the service's roles own nothing",
        "select refobjid::regrole || ' owns an object of ' || classid::regclass from pg_shdepend
          where refobjid in ('weirbook_app'::regrole, 'weirbook_gate'::regrole) and deptype = 'o'",
    ),
    (
        "the service makes nothing and does not look into partitions",
        "select rolname || ' may ' || what || ' in schema ' || nspname
           from service, pg_namespace, (values ('create'), ('usage')) as p (what)
          where has_schema_privilege(rolname, pg_namespace.oid, what)
            and (nspname = 'sheets' or (what = 'create' and nspname in ('public', 'app')))
         union all
         select rolname || ' may touch ' || c.oid::regclass from service, pg_class c
          where relnamespace = 'sheets'::regnamespace and relkind in ('r', 'p')
            and has_table_privilege(rolname, c.oid, 'select, insert, update, delete, truncate, references, trigger')",
    ),
    (
        "accounts and sign-ins are for the gate alone",
        "select 'weirbook_app may touch ' || c.oid::regclass from pg_class c
          where oid in ('account'::regclass, 'session_family'::regclass, 'calendar_feed'::regclass,
                        'recovery_code'::regclass, 'password_reset'::regclass, 'sign_in_try'::regclass,
                        'lent_life'::regclass)
            and (has_table_privilege('weirbook_app', oid, 'select, insert, update, delete')
                 or has_any_column_privilege('weirbook_app', oid, 'select, insert, update'))",
    ),
    (
        "the gate sees nothing of what dealers own",
        "select 'weirbook_gate may touch ' || c.oid::regclass from pg_class c
          where relnamespace = 'public'::regnamespace and relkind in ('r', 'p', 'v')
            and relname not in ('dealer', 'account', 'session_family', 'calendar_feed', 'membership', 'recovery_code',
                                'password_reset', 'sign_in_try', 'lent_life')
            and (has_table_privilege('weirbook_gate', oid, 'select, insert, update, delete')
                 or has_any_column_privilege('weirbook_gate', oid, 'select, insert, update'))",
    ),
    (
        "numbers are given out by the server alone",
        "select rolname || ' may use ' || c.oid::regclass from service, pg_class c
          where relkind = 'S' and relnamespace in ('public'::regnamespace, 'app'::regnamespace, 'sheets'::regnamespace)
            and has_sequence_privilege(rolname, c.oid, 'usage, select, update')",
    ),
    (
        "what changes something is not for everybody to call",
        "select p.oid::regprocedure || ' can be called by everybody' from pg_proc p
          where pronamespace in ('public'::regnamespace, 'app'::regnamespace, 'sheets'::regnamespace)
            and provolatile = 'v' and has_function_privilege('public', p.oid, 'execute')
            and not exists (select from pg_depend where objid = p.oid and deptype = 'e')",
    ),
    (
        "what is made later is granted to nobody by itself",
        "select 'new objects of schema ' || coalesce(defaclnamespace::regnamespace::text, 'any') || ' are granted to '
                || g.grantee::regrole from pg_default_acl, aclexplode(defaclacl) as g
          where g.grantee = 0 or g.grantee in (select rolname::regrole from service)",
    ),
    (
        "nothing is granted to everybody",
        "select c.oid::regclass || ' is granted to everybody' from pg_class c, aclexplode(relacl) as g
          where relnamespace = 'public'::regnamespace and g.grantee = 0",
    ),
    (
        "the service can't empty a table or look around it",
        "select rolname || ' may truncate, reference or watch ' || c.oid::regclass from service, pg_class c
          where relnamespace = 'public'::regnamespace and relkind in ('r', 'p')
            and has_table_privilege(rolname, c.oid, 'truncate, references, trigger')",
    ),
    (
        "the change log only grows",
        "select 'weirbook_app may rewrite the change log: ' || name from (values ('change'), ('change_place')) as t (name)
          where has_table_privilege('weirbook_app', name, 'update, delete')
             or has_any_column_privilege('weirbook_app', name, 'update')",
    ),
    (
        "a view shows what its reader may see",
        "select c.oid::regclass || ' shows what its owner may see' from pg_class c
          where relnamespace in ('public'::regnamespace, 'app'::regnamespace)
            and (relkind = 'm' or relkind = 'v' and not coalesce('security_invoker=true' = any (reloptions), false))",
    ),
    (
        "what runs with the owner's rights is known and pinned",
        "select p.oid::regprocedure || ' runs with its owner''s rights' from pg_proc p
          where prosecdef and pronamespace in ('public'::regnamespace, 'app'::regnamespace, 'sheets'::regnamespace)
            and (p.oid::regprocedure::text not in ('app.make_month(date)')
                 or proconfig is distinct from array['search_path=pg_catalog, public, pg_temp']
                 or has_function_privilege('public', p.oid, 'execute'))",
    ),
    (
        "the server speaks English to the service, which reads some of its messages",
        "select rolname || ' has no language set' from service
          where not exists (select from pg_db_role_setting
            where setrole = rolname::regrole and 'lc_messages=C' = any (setconfig))",
    ),
];

/// What the rules refer to.
const WORDS: &str = "
with tenant as (
  select c.oid, c.relname from pg_class c
    join pg_attribute a on a.attrelid = c.oid and a.attname = 'dealer_id' and not a.attisdropped
   where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p')
     and c.relname not in ('session_family', 'calendar_feed')),
limited_to_sites as (
  select t.relname from tenant t join pg_policies p on p.tablename = t.relname and p.policyname = 'customer_people'
   where p.qual <> 'false' and (
     t.relname in ('site', 'tariff', 'water_bill', 'file_link', 'savings_report', 'report_revision', 'report_question',
       'change', 'change_place', 'monthly_file')
     or 2 = (select count(*) from pg_attribute a
              where a.attrelid = t.oid and a.attname in ('customer_id', 'site_id') and not a.attisdropped))),
service as (select unnest(array['weirbook_app', 'weirbook_gate']) as rolname),
expected_policy (relname, policy, permissive, roles, cmd, qual) as (
  select relname, 'tenant', 'RESTRICTIVE', case relname when 'membership' then '{weirbook_app}' else '{public}' end,
         'ALL', '(dealer_id = ( SELECT app.dealer_id() AS dealer_id))' from tenant
  union all
  select relname, 'dealer_people', 'PERMISSIVE', '{public}', 'ALL',
         '( SELECT app.all_customers() AS all_customers)' from tenant
  union all
  select relname, 'customer_people', 'PERMISSIVE', '{public}',
         case when relname in ('day_sheet', 'gauge_reading', 'wash_tally', 'touched', 'change', 'idempotency',
           'file', 'file_content', 'file_link', 'file_sender', 'reading_request', 'reading_request_meter', 'report_question',
           'call_out', 'monthly_file') then 'ALL' else 'SELECT' end, null
    from tenant
  union all
  select relname, 'chosen_sites', 'RESTRICTIVE', '{public}', case relname when 'change' then 'SELECT' else 'ALL' end,
         case when relname in ('tariff', 'water_bill', 'file_link') then null
              when relname in ('savings_report', 'report_revision', 'report_question', 'change', 'change_place',
                               'monthly_file')
                then '(( SELECT app.all_sites() AS all_sites) OR false)'
              else '(( SELECT app.all_sites() AS all_sites) OR ('
                || case relname when 'site' then 'id' else 'site_id' end
                || ' = ANY (( SELECT app.site_ids() AS site_ids)::uuid[])))' end
    from limited_to_sites
  union all
  values ('membership', 'gate', 'PERMISSIVE', '{weirbook_gate}', 'ALL', 'true'),
         ('dealer', 'gate', 'PERMISSIVE', '{weirbook_gate}', 'ALL', 'true'),
         ('dealer', 'own_dealer', 'PERMISSIVE', '{weirbook_app}', 'SELECT',
          '(id = ( SELECT app.dealer_id() AS dealer_id))'))";

/// What breaks the rules, sorted.
async fn breaches(client: &Client) -> Vec<String> {
    let mut found = Vec::new();
    for (rule, sql) in RULES {
        let rows = client.query(&format!("{WORDS} {sql}"), &[]).await.unwrap_or_else(|e| panic!("{rule}: {e:?}"));
        found.extend(rows.iter().map(|row| format!("{rule}: {}", row.get::<_, &str>(0))));
    }
    found.sort();
    found
}

#[tokio::test]
async fn the_catalogue_keeps_the_rules() {
    let database = Database::migrated().await;
    let client = database.superuser().await;
    let found = breaches(&client).await;
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// Each statement breaks a rule, and the answer must name it.
const BREACHES: [(&str, &str); 42] = [
    ("create table stray (id int)", "stray has no dealer_id"),
    ("alter table site disable row level security", "site is not under row-level security"),
    ("alter table site no force row level security", "site is not under row-level security"),
    ("alter table dealer disable row level security", "dealer is not under row-level security"),
    ("create table stray (dealer_id int4 primary key)", "stray lacks policy tenant"),
    ("drop policy tenant on site", "site lacks policy tenant"),
    ("alter policy tenant on site using (true)", "site has policy tenant true"),
    ("alter policy tenant on site to weirbook_app", "site lacks policy tenant"),
    ("alter policy tenant on site with check (true)", "site lacks policy tenant"),
    ("create policy extra on site using (true)", "site has policy extra true"),
    ("create policy extra on dealer using (true)", "dealer has policy extra true"),
    (
        "drop policy customer_people on site;
         create policy customer_people on site using (customer_id = (select app.customer_id()))",
        "site has policy customer_people",
    ),
    ("alter policy customer_people on site using (true)", "site is open to every customer's people"),
    ("drop policy chosen_sites on placement", "placement lacks policy chosen_sites"),
    ("alter policy chosen_sites on baseline using (true)", "baseline has policy chosen_sites true"),
    (
        "create table stray (dealer_id int4 not null, customer_id uuid, primary key (dealer_id, customer_id));
         call app.guard('stray', 'customer_id = (select app.customer_id())')",
        "stray is not limited to chosen sites",
    ),
    ("create index stray on site (customer_id)", "stray does not begin with dealer_id"),
    ("create index stray on site ((name || dealer_id))", "stray does not begin with dealer_id"),
    ("alter table site add constraint stray unique (id)", "stray does not begin with dealer_id"),
    ("create index stray on day_sheet (day)", "sheets.day_sheet_"),
    ("alter table site_access drop constraint site_access_pkey", "site_access has no primary key"),
    (
        "alter table customer add unique (id);
         alter table site add constraint stray foreign key (customer_id) references customer (id)",
        "stray on site can point at another dealer's row",
    ),
    (
        "alter table session_family add constraint stray foreign key (dealer_id, membership_id)
           references membership on delete set null (membership_id)",
        "stray on session_family acts when a row goes",
    ),
    (
        "create function stray() returns trigger language plpgsql as 'begin return new; end';
         create trigger stray before insert on site for each row execute function stray()",
        "trigger stray on site",
    ),
    ("create rule stray as on delete to site do instead nothing", "rule stray on site"),
    ("alter role weirbook_app bypassrls", "weirbook_app may do more than a role of the service should"),
    ("grant weirbook_gate to weirbook_app", "weirbook_app is a member of weirbook_gate"),
    ("alter table touched owner to weirbook_app", "weirbook_app owns an object of pg_class"),
    ("grant usage on schema sheets to weirbook_app", "weirbook_app may usage in schema sheets"),
    ("grant select on all tables in schema sheets to weirbook_gate", "weirbook_gate may touch sheets.day_sheet_"),
    ("grant select (email) on account to weirbook_app", "weirbook_app may touch account"),
    ("grant select on meter_holding to weirbook_gate", "weirbook_gate may touch meter_holding"),
    ("grant usage on sequence dealer_id_seq to weirbook_app", "weirbook_app may use dealer_id_seq"),
    (
        "create function app.stray() returns int language sql volatile as 'select 1'",
        "app.stray() can be called by everybody",
    ),
    (
        "alter default privileges in schema public grant select on tables to weirbook_gate",
        "new objects of schema public are granted to weirbook_gate",
    ),
    (
        "alter default privileges grant execute on functions to public;
         alter default privileges in schema app grant execute on functions to weirbook_app",
        "new objects of schema app are granted to weirbook_app",
    ),
    ("grant select on site to public", "site is granted to everybody"),
    ("grant truncate on site to weirbook_app", "weirbook_app may truncate, reference or watch site"),
    ("grant delete on change to weirbook_app", "weirbook_app may rewrite the change log: change"),
    ("grant update (hash) on change_place to weirbook_app", "weirbook_app may rewrite the change log: change_place"),
    ("alter view meter_holding reset (security_invoker)", "meter_holding shows what its owner may see"),
    ("alter role weirbook_gate reset lc_messages", "weirbook_gate has no language set"),
];

/// The same for functions that run with the owner's rights.
const UNPINNED: [&str; 3] = [
    "create function app.stray() returns int language sql security definer set search_path = pg_catalog return 1",
    "alter function app.make_month reset search_path",
    "grant execute on function app.make_month to public",
];

#[tokio::test]
async fn each_rule_notices_what_breaks_it() {
    let database = Database::migrated().await;
    let client = database.superuser().await;
    let unpinned = UNPINNED.map(|breach| (breach, "runs with its owner's rights"));
    let mut noticed = String::new();
    for (breach, expected) in BREACHES.into_iter().chain(unpinned) {
        client.batch_execute(&format!("begin; {breach}")).await.unwrap_or_else(|error| panic!("{breach}: {error:?}"));
        let found = breaches(&client).await.join("\n");
        client.batch_execute("rollback").await.unwrap();
        assert!(found.contains(expected), "{breach}\nshould be noticed as: {expected}\nbut found: {found}");
        noticed.push_str(&found);
    }
    for (rule, _) in RULES {
        assert!(noticed.contains(rule), "nothing above breaks the rule: {rule}");
    }
}
