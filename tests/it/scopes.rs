//! What each scope sees of the two dealers in `scopes.sql`: row-level security at work, asked by
//! the service's own role. And that a scope never outlives its transaction.

use crate::support::{Database, services};
use actix_web::FromRequest;
use actix_web::test::TestRequest;
use actix_web::web::Data;
use chrono::Utc;
use domain::customer::Customer;
use domain::ids::{AccountId, DealerId};
use std::future::poll_fn;
use std::pin::{Pin, pin};
use std::task::Poll;
use tokio::sync::Notify;
use tokio_postgres::Client;
use tokio_postgres::error::SqlState;
use uuid::Uuid;
use weirbook::auth::revoked::Revoked;
use weirbook::auth::token::{Identity, Keys};
use weirbook::auth::{Caller, Role, Scope, perm};
use weirbook::db::login::{APP_ROLE, GATE_ROLE};
use weirbook::db::page::After;
use weirbook::db::{Db, DbError, customer};

/// A query for one text column, and what the dealer and its customers a and b see of it.
const VIEWS: [(&str, [&str; 3]); 100] = [
    ("select name from dealer", ["Brookside", "Brookside", "Brookside"]),
    (
        "select role || ' ' || (customer_id = md5('a')::uuid)::text from membership",
        ["customer_viewer false, customer_viewer true", "customer_viewer true", "customer_viewer false"],
    ),
    ("select name from customer", ["a, b", "a", "b"]),
    ("select name from site", ["site a, site b", "site a", "site b"]),
    ("select 'row' from site_access", ["row", "", ""]),
    (
        "select name from api_client union all select 'limited' from api_client_site
         union all select 'hash' from client_secret union all select 'ended' from ended_token",
        ["ended, hash, limited, program", "", ""],
    ),
    ("select person from discharge_link", ["inspector", "", ""]),
    (
        "select name from invitation union all select 'link' from invitation_link union all select 'rule' from sign_in_rule",
        ["invited, link, rule", "", ""],
    ),
    ("select supplier from water_account", ["a, b", "a", "b"]),
    ("select terms #>> '{}' from tariff", ["a, b", "a", "b"]),
    ("select evidence from baseline", ["a, b", "a", "b"]),
    ("select bill #>> '{}' from water_bill", ["a, b", "a", "b"]),
    ("select terms #>> '{}' from cost_terms", ["a, b", "a", "b"]),
    ("select name from unit_model", ["model", "model", "model"]),
    ("select name from unit_list", ["kept", "", ""]),
    ("select label from unit", ["u, v, w", "u, v", "u"]),
    ("select at_start #>> '{}' from placement", ["ua, ub, va", "ua, va", "ub"]),
    ("select reason from spell", ["across, after, before", "across, before", "across, after"]),
    ("select kind from component", ["filter, pump, valve", "filter, pump", "pump, valve"]),
    (
        "select name from model_stage union all select kind from model_component union all select plan #>> '{}' from model_routine
         union all select name from model_consumable union all select item from model_kit_line",
        ["acid, line, plan, seal, stage", "", ""],
    ),
    (
        "select parts_cost_class from component_failure union all select name from routine
         union all select note from routine_done union all select limits #>> '{}' from calibration_limits
         union all select limits #>> '{}' from fit_limits",
        ["asked, limits, low, noted, work", "", ""],
    ),
    ("select record #>> '{}' from calibration", ["after, at, before", "before", "after, at"]),
    ("select point from sample_seen where in_doubt", ["after, before", "before", "after"]),
    ("select no::text from meter", ["1, 2, 3, 4, 5", "1, 2, 3, 4", "1"]),
    ("select last_no::text from meter_number", ["5", "", ""]),
    ("select meter_no::text from meter_attachment", ["1, 2, 3, 4", "1, 2, 3, 4", "1"]),
    ("select upper_day::text from meter_month", ["7, 8, 9", "7", "8"]),
    ("select kind from meter_watch", ["stuck", "", ""]),
    (
        "select kind from condition_test union all select 'due' from condition_due
         union all select part_kind from finding_followed union all select 'limits' from sign_limits",
        ["due, limits, starts_above, tube", "", ""],
    ),
    ("select kind from finding", ["falling_flow", "", "falling_flow"]),
    ("select rank::text from unit_risk union all select age_from from forecast", ["1, 2, calendar", "1, calendar", ""]),
    ("select expected_loss #>> '{}' from unit_loss", ["lost at a, lost at v", "lost at a, lost at v", ""]),
    (
        "select case customer_id when md5('a')::uuid then 'a' else 'b' end from risk_sharing where risk",
        ["a, b", "a", "b"],
    ),
    ("select convert_from(bytes, 'UTF8') from file_content", ["behind a, behind b, own, sent by a", "behind a, sent by a", "behind b"]),
    ("select size_bytes::text from file", ["9, 9, 9, 9", "9, 9", "9"]),
    ("select 'sent' from file_sender", ["sent", "sent", ""]),
    ("select n::text from file_link", ["1, 2, 3", "3", "1"]),
    ("select person from reading_request", ["a, b", "a", "b"]),
    ("select (request_id = md5('request a')::uuid)::text from reading_request_meter", ["false, true", "true", "false"]),
    ("select 'link' from reading_link", ["link", "", ""]),
    ("select days_after::text from reminder_rule", ["2", "", ""]),
    ("select kind from job", ["mail", "", ""]),
    ("select note from meter_exchange", ["after, at, before", "before", "after, at"]),
    ("select note from meter_check", ["after, at, before", "before", "after, at"]),
    ("select why from reading_correction", ["after, at, before", "before", "after, at"]),
    ("select kind from reading_exception", ["across, after, before", "before", "after"]),
    (
        "select meter_no || ' ' || to_char(day, 'DD') from day_sheet",
        ["1 09, 1 10, 1 11, 4 10, 5 10", "1 09, 4 10", "1 11"],
    ),
    ("select register::text from reading(1, '2026-03-01', '2026-03-31')", ["1, 2, 3, 4, 5, 6", "1, 2", "5, 6"]),
    ("select meter_no::text from touched, unnest(meter_nos) meter_no", ["1", "1", "1"]),
    ("select place from gauge_reading", ["after, at, before", "before", "after, at"]),
    ("select point from sample", ["after, at, before", "before", "after, at"]),
    ("select note from volume_event", ["after, at, before", "before", "after, at"]),
    ("select machine_class from wash_tally", ["a, b", "a", "b"]),
    ("select (customer_id = md5('a')::uuid)::text from rain_day", ["false, true", "true", "false"]),
    ("select (customer_id = md5('a')::uuid)::text from rain_intake", ["false, true", "true", "false"]),
    ("select gun from flow_test", ["a, b", "a", "b"]),
    ("select source from wash_derivation", ["a, b", "a", "b"]),
    ("select source from wash_sessions", ["a, b", "a", "b"]),
    ("select source from loss_coefficient", ["a, b", "a", "b"]),
    ("select week #>> '{}' from working_days", ["a, b", "a", "b"]),
    ("select what from billed_item", ["a, b", "a", "b"]),
    ("select evidence from investment", ["a, b", "a", "b"]),
    ("select unit from price", ["h", "", ""]),
    ("select customer_note from service_event", ["after, at, before", "before", "after, at"]),
    ("select note from event_internal", ["for the dealer alone", "", ""]),
    ("select record from event_note", ["volume_event", "", ""]),
    ("select record #>> '{}' from call_out", ["a, b", "a", "b"]),
    ("select record #>> '{}' from call_out_internal", ["for the dealer alone", "", ""]),
    ("select record #>> '{}' from process_upset", ["a, b", "a", "b"]),
    ("select product from wash_chemical", ["a, b", "a", "b"]),
    ("select record #>> '{}' from visit", ["visit", "", ""]),
    ("select record #>> '{}' from agreement", ["a, b", "a", "b"]),
    ("select record #>> '{}' from cover", ["a, b, own", "a", "b"]),
    ("select kind from event_line", ["labour", "", ""]),
    ("select name from consumable union all select name from place", ["salt, van", "", ""]),
    ("select kind from stock_movement", ["received", "", ""]),
    ("select 'taken' from event_issue", ["taken", "", ""]),
    ("select quantity::text from stock_order", ["25", "", ""]),
    (
        "select name from supplier union all select number from stock_lot union all select kind from item_price
         union all select name from kit",
        ["kit, lot, mine, purchase", "", ""],
    ),
    (
        "select 'posted' from stock_posting union all select 'there' from stock_balance
         union all select 'kept' from stock_reservation union all select 'seen' from stock_forecast",
        ["kept, posted, seen, there", "", ""],
    ),
    ("select open_quantity::text from dip", ["97, 98", "97", "98"]),
    ("select full_ml_per_min::text from dosing_setting", ["11, 9", "9", "11"]),
    ("select taken_ml::text from draw_down", ["11, 9", "9", "11"]),
    ("select 'run' from night_run", ["run", "", ""]),
    (
        "select 'site ' || (site_id = md5('site a')::uuid)::text from day_fact
        union all select 'p ' || (site_id = md5('site a')::uuid)::text from period_fact
        union all select 'm ' || (site_id = md5('site a')::uuid)::text from month_fact",
        [
            "m false, m true, p false, p true, site false, site true",
            "m true, p true, site true",
            "m false, p false, site false",
        ],
    ),
    ("select (customer_id = md5('a')::uuid)::text from savings_report", ["false, true", "true", "false"]),
    ("select (customer_id = md5('a')::uuid)::text from report_revision", ["false, true", "true", "false"]),
    ("select (customer_id = md5('a')::uuid)::text from report_standing", ["false, true", "", ""]),
    ("select (customer_id = md5('a')::uuid)::text from report_question", ["false, true", "true", "false"]),
    ("select 'rule' from report_rule", ["rule", "", ""]),
    ("select 'style' from report_style", ["style", "", ""]),
    ("select email from report_recipient", ["a@example.com, b@example.com", "", ""]),
    ("select 'secret' from report_unsubscribe", ["secret", "", ""]),
    ("select email from monthly_file", ["a@example.com, b@example.com", "a@example.com", "b@example.com"]),
    ("select 'secret' from monthly_file_unsubscribe", ["secret", "", ""]),
    ("select record_id from change", ["a, b, own", "a", "b"]),
    ("select seq::text from change_place", ["1, 2, 3", "1", "2"]),
    (
        "select url from webhook_endpoint union all select event from webhook_delivery
         union all select error from webhook_attempt union all select 'secret' from webhook_secret",
        ["a, b, event a, event b, event own, secret, tried", "", ""],
    ),
    (
        "select meter_no || ' ' || coalesce(to_char(upper(valid), 'MM-DD HH24'), 'open') from meter_holding",
        ["1 03-10 12, 1 open, 2 03-10 12, 2 open, 3 open, 4 open", "1 03-10 12, 2 03-10 12, 3 open, 4 open", "1 open"],
    ),
    (
        "select kind from life_model union all select 'costs' from risk_cost
        union all select 'night' from forecast_night union all select state from forecast_outcome
        union all select 'unit night' from unit_night union all select 'pooling' from risk_pooling",
        ["costs, failed, night, pooling, pump, unit night", "", ""],
    ),
];

pub(crate) async fn two_dealers() -> Database {
    let database = Database::migrated().await;
    database.superuser().await.batch_execute(include_str!("scopes.sql")).await.unwrap();
    database
}

/// Begins a transaction as the service does.
pub(crate) async fn begin(client: &Client, dealer: i32, customer: &str) {
    let customer = if customer == "all" { customer.to_owned() } else { id(client, customer).await };
    let sql = format!(
        "begin; set local app.dealer_id = '{dealer}'; set local app.customer_id = '{customer}'; set local app.site_ids = 'all'"
    );
    client.batch_execute(&sql).await.unwrap();
}

/// The key of whatever `scopes.sql` calls so.
pub(crate) async fn id(client: &Client, name: &str) -> String {
    client.query_one("select md5($1)::uuid::text", &[&name]).await.unwrap().get(0)
}

async fn seen(client: &Client, sql: &str) -> String {
    let sql = format!("select coalesce(string_agg(one, ', ' order by one), '') from ({sql}) as seen (one)");
    client.query_one(&sql, &[]).await.unwrap_or_else(|error| panic!("{sql}: {error:?}")).get(0)
}

async fn tenant_tables(client: &Client) -> Vec<String> {
    let sql = "select c.relname::text from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attname = 'dealer_id'
                where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and c.relname not in ('session_family', 'calendar_feed')";
    client.query(sql, &[]).await.unwrap().iter().map(|row| row.get(0)).collect()
}

#[tokio::test]
async fn each_scope_sees_its_own() {
    let database = two_dealers().await;
    let app = database.as_role(APP_ROLE).await;
    for (column, customer) in ["all", "a", "b"].into_iter().enumerate() {
        begin(&app, 1, customer).await;
        for (sql, expected) in VIEWS {
            assert_eq!(seen(&app, sql).await, expected[column], "{sql} as {customer}");
        }
        app.batch_execute("rollback").await.unwrap();
    }
    let looked_at = VIEWS.map(|(sql, _)| sql).join(" ");
    let left_out = ["idempotency"];
    for table in tenant_tables(&app).await {
        let named = looked_at.split_whitespace().any(|word| word.trim_end_matches(',') == table);
        assert!(named || left_out.contains(&table.as_str()), "say in VIEWS what each scope sees of {table}");
    }
}

/// What a customer's people see although no site is chosen for them, or whichever is: their own
/// names and the models of units.
const OF_NO_SITE: [&str; 6] = ["dealer", "membership", "customer", "risk_sharing", "unit_model", "touched,"];
/// What those who are limited to sites do not see of their customer: sums over all of its sites, and
/// the log, which does not say where.
const OF_ALL_SITES: [&str; 6] =
    ["savings_report", "report_revision", "report_question", "monthly_file", "change", "change_place"];

#[tokio::test]
async fn chosen_sites_limit_whatever_stands_at_a_site() {
    let database = two_dealers().await;
    let (superuser, app) = (database.superuser().await, database.as_role(APP_ROLE).await);
    let table = |sql: &str| sql.split(" from ").nth(1).unwrap().split_whitespace().next().unwrap().to_owned();
    let limited = "set local app.site_ids = ''; set local app.holder_id = '{}'; select app.choose_sites()";
    let limited = limited.replace("{}", &id(&app, "ma").await);
    // Limited to the customer's only site: all but what is of all sites.
    begin(&app, 1, "a").await;
    app.batch_execute(&limited).await.unwrap();
    for (sql, expected) in VIEWS {
        let expected = match table(sql).as_str() {
            table if OF_ALL_SITES.contains(&table) => "",
            "site_access" => "row",
            _ => expected[1],
        };
        assert_eq!(seen(&app, sql).await, expected, "{sql} limited to site a");
    }
    app.batch_execute(
        "insert into change (id, at, record, record_id, verb, customer_id) values
        (gen_random_uuid(), now(), 'x', 'x', 'added', app.customer_id())",
    )
    .await
    .expect("who is limited still adds to the log");
    app.batch_execute("rollback").await.unwrap();
    // Limited to another customer's site, which adds nothing to what the customer may see.
    superuser.execute("update site_access set site_id = md5('site b')::uuid", &[]).await.unwrap();
    begin(&app, 1, "a").await;
    app.batch_execute(&limited).await.unwrap();
    for (sql, expected) in VIEWS {
        let expected = match table(sql).as_str() {
            table if OF_NO_SITE.contains(&table) => expected[1],
            "site_access" => "row",
            // What the customer's people sent themselves.
            "file" => "9",
            "file_content" => "sent by a",
            "file_sender" => "sent",
            _ => "",
        };
        assert_eq!(seen(&app, sql).await, expected, "{sql} limited to another's site");
    }
    app.batch_execute("rollback").await.unwrap();
}

#[tokio::test]
async fn without_a_scope_and_in_anothers_nothing_is_seen() {
    let database = two_dealers().await;
    let (superuser, app) = (database.superuser().await, database.as_role(APP_ROLE).await);
    let tables = tenant_tables(&superuser).await;
    assert!(tables.len() > 30, "{tables:?}");
    let count = async |client: &Client, table: &str, of: &str| -> i64 {
        client.query_one(&format!("select count(*) from {table} {of}"), &[]).await.unwrap().get(0)
    };
    for table in &tables {
        assert!(count(&superuser, table, "").await > 0, "{table} is empty: add a row of it to scopes.sql");
        assert_eq!(count(&app, table, "").await, 0, "{table} before any scope");
    }
    begin(&app, 2, "all").await;
    for table in &tables {
        assert_eq!(count(&app, table, "where dealer_id <> 2").await, 0, "{table} in another dealer's scope");
    }
    app.batch_execute("commit").await.unwrap();
    // Half a scope is none, and a customer of another dealer sees nothing of its namesake's.
    for half in ["app.dealer_id = '1'", "app.customer_id = 'all'"] {
        app.batch_execute(&format!("begin; set local {half}")).await.unwrap();
        for table in &tables {
            let open_to_customers = ["unit_model", "touched"].contains(&table.as_str());
            if !(open_to_customers && half.contains("dealer")) {
                assert_eq!(count(&app, table, "").await, 0, "{table} with only {half}");
            }
        }
        app.batch_execute("rollback").await.unwrap();
    }
    begin(&app, 2, "a").await;
    assert_eq!((count(&app, "customer", "").await, count(&app, "site", "").await), (0, 0));
    app.batch_execute("commit").await.unwrap();
    for table in &tables {
        assert_eq!(count(&app, table, "").await, 0, "{table} after a scope");
    }
}

#[tokio::test]
async fn nobody_writes_outside_the_scope() {
    let database = two_dealers().await;
    let app = database.as_role(APP_ROLE).await;
    let new_customer =
        "insert into customer (id, name, created_at, changed_at) values (gen_random_uuid(), 'x', now(), now())";
    let foreign = "insert into customer (dealer_id, id, name, created_at, changed_at) values (2, gen_random_uuid(), 'x', now(), now())";
    let sheet = |meter: i32, day: &str| {
        format!(
            "insert into day_sheet (meter_no, day, at, register) values ({meter}, '2026-03-{day}', '{{1}}', '{{1}}')"
        )
    };
    let level = |day: &str| {
        format!(
            "insert into gauge_reading (id, unit_id, at, gauge, value, unit, created_at)
             values (gen_random_uuid(), md5('u')::uuid, '2026-{day}', 'level', 1, 'l', now())"
        )
    };
    let tally = |customer: &str| {
        format!(
            "insert into wash_tally (id, site_id, customer_id, period, machine_class, washes, source, created_at)
             values (gen_random_uuid(), md5('site a')::uuid, md5('{customer}')::uuid, '[2026-05-01,2026-06-01)', 'x', 1, 'typed', now())"
        )
    };
    let call = |customer: &str| {
        format!(
            "insert into call_out (id, site_id, customer_id, at, record, created_at, changed_at)
             values (gen_random_uuid(), md5('site {customer}')::uuid, md5('{customer}')::uuid, now(), '{{}}', now(), now())"
        )
    };
    for (customer, sql, refused) in [
        ("all", new_customer.to_owned(), false),
        ("all", foreign.to_owned(), true),
        ("all", "update customer set dealer_id = 2".to_owned(), true),
        ("a", new_customer.to_owned(), true),
        ("a", sheet(1, "08"), false),
        ("a", sheet(1, "12"), true),
        ("a", sheet(5, "08"), true),
        ("b", sheet(1, "12"), false),
        ("b", sheet(1, "08"), true),
        ("all", sheet(5, "08"), false),
        ("a", level("02-01"), false),
        ("a", level("03-20"), true),
        ("b", level("03-20"), false),
        ("a", call("a"), false),
        ("a", call("b"), true),
        ("a", "insert into call_out_internal values (1, md5('call a')::uuid, '{}')".to_owned(), true),
        ("all", "update service_event set customer_note = 'x'".to_owned(), true),
        ("a", tally("a"), false),
        ("a", tally("b"), true),
        ("all", "update rain_day set depth_mm = 1".to_owned(), true),
        ("all", "update sample set value = 1".to_owned(), true),
    ] {
        begin(&app, 1, customer).await;
        let outcome = app.batch_execute(&sql).await;
        app.batch_execute("rollback").await.unwrap();
        let code = outcome.err().map(|error| error.code().cloned().unwrap());
        assert_eq!(code, refused.then_some(SqlState::INSUFFICIENT_PRIVILEGE), "{sql} as {customer}");
    }
    // What is out of reach for an update is not there.
    begin(&app, 1, "a").await;
    assert_eq!(app.execute("update site set name = 'x'", &[]).await.unwrap(), 0);
    assert_eq!(app.execute("update day_sheet set register = at where day = '2026-03-11'", &[]).await.unwrap(), 0);
    app.batch_execute("rollback").await.unwrap();
    let without = app.batch_execute(new_customer).await.unwrap_err();
    assert!([Some(&SqlState::NOT_NULL_VIOLATION), Some(&SqlState::INSUFFICIENT_PRIVILEGE)].contains(&without.code()));
}

#[tokio::test]
async fn partitions_and_accounts_are_closed() {
    let database = two_dealers().await;
    for (role, sql) in [
        (APP_ROLE, "select from sheets.day_sheet_2026_03"),
        (APP_ROLE, "insert into sheets.day_sheet_2026_03 values (1, 1, '2026-03-01', '{1}', '{1}')"),
        (APP_ROLE, "select from account"),
        (APP_ROLE, "select from session_family"),
        (APP_ROLE, "select from calendar_feed"),
        (APP_ROLE, "create table public.stray (id int)"),
        (GATE_ROLE, "select from customer"),
        (GATE_ROLE, "select from day_sheet"),
        (GATE_ROLE, "update membership set role = 'owner'"),
    ] {
        let client = database.as_role(role).await;
        client.batch_execute("begin; set local app.dealer_id = '1'; set local app.customer_id = 'all'").await.unwrap();
        let refused = client.batch_execute(sql).await.expect_err(sql);
        assert_eq!(refused.code(), Some(&SqlState::INSUFFICIENT_PRIVILEGE), "{role}: {sql}");
    }
}

#[tokio::test]
async fn one_dealers_row_can_not_point_at_anothers() {
    let database = two_dealers().await;
    // Even the superuser, whom no policy holds, is stopped by the keys.
    let superuser = database.superuser().await;
    let sql = "insert into site (dealer_id, id, customer_id, name, time_zone, country, created_at, changed_at)
               values (1, gen_random_uuid(), md5('foreign')::uuid, 'x', 'UTC', 'AT', now(), now())";
    let refused = superuser.batch_execute(sql).await.unwrap_err();
    assert_eq!(refused.code(), Some(&SqlState::FOREIGN_KEY_VIOLATION));
}

/// A scope as a request gets it: from a verified token.
pub(crate) async fn owner_scope(keys: &Keys, dealer: i32) -> Scope {
    let identity = Identity {
        account: AccountId(Uuid::from_u128(1)),
        dealer: DealerId(dealer),
        membership: Uuid::from_u128(2),
        revision: 1,
        role: Role::Owner,
        customer: None,
        session: Uuid::from_u128(3),
        grant: None,
    };
    let token = keys.issue(&identity, Utc::now()).unwrap();
    let request = TestRequest::default()
        .app_data(Data::new(keys.clone()))
        .app_data(Data::new(Revoked::none_at(Utc::now())))
        .insert_header(("authorization", format!("Bearer {token}")))
        .to_http_request();
    Caller::<perm::ReadSelf>::extract(&request).await.unwrap().scope().clone()
}

/// The server processes of the scoped role, and how many of them wait inside a transaction.
async fn connections(superuser: &Client) -> (Vec<i32>, i64) {
    let sql = "select pid, state like 'idle in transaction%' from pg_stat_activity
                where usename = 'weirbook_app' and datname = current_database()";
    let rows = superuser.query(sql, &[]).await.unwrap();
    let waiting = rows.iter().filter(|row| row.get(1)).count();
    (rows.iter().map(|row| row.get(0)).collect(), i64::try_from(waiting).unwrap())
}

/// Drops a transaction in the middle of its work, then uses the pool's only connection again.
async fn cut_off(database: &Database, cut: impl AsyncFn(&Db, &Scope, &Notify)) -> Vec<String> {
    let services = services(database, 1);
    let superuser = database.superuser().await;
    let (one, other) = (owner_scope(&services.keys, 1).await, owner_scope(&services.keys, 2).await);
    let inside = Notify::new();
    let first = {
        let mut work = pin!(cut(&services.db, &one, &inside));
        tokio::select! {
            () = &mut work => panic!("the work ended by itself"),
            () = inside.notified() => {}
        }
        connections(&superuser).await.0
    };
    assert_eq!(first.len(), 1, "the pool has one connection");
    add(&services.db, &other, "next").await.unwrap();
    let until = std::time::Instant::now() + std::time::Duration::from_secs(10);
    loop {
        let (pids, waiting) = connections(&superuser).await;
        if pids.len() == 1 && pids != first && waiting == 0 {
            break;
        }
        assert!(std::time::Instant::now() < until, "{pids:?} after {first:?}, {waiting} in a transaction");
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
    }
    let all = After::parse(None, 100).unwrap();
    let listed = services
        .db
        .read(&other, Utc::now(), async |tx| customer::list(tx, &customer::Filter::default(), &all).await)
        .await
        .unwrap();
    assert_eq!(listed.into_iter().map(|row| row.value.name).collect::<Vec<_>>(), ["foreign", "next"]);
    let rows = superuser.query("select name from customer order by name", &[]).await.unwrap();
    rows.iter().map(|row| row.get(0)).collect()
}

async fn add(db: &Db, scope: &Scope, name: &str) -> Result<(), DbError> {
    db.write(scope, Utc::now(), async |tx| customer::create(tx, &named(name)).await.map(drop)).await
}

fn named(name: &str) -> Customer {
    Customer { name: name.to_owned(), own_number: None, fiscal_year_start: 1, unit_system: None }
}

#[tokio::test]
async fn a_write_cut_off_in_the_middle_leaves_nothing() {
    let database = two_dealers().await;
    let names = cut_off(&database, async |db, scope, inside| {
        let work = db.write(scope, Utc::now(), async |tx| {
            customer::create(tx, &named("half")).await?;
            inside.notify_one();
            std::future::pending::<Result<(), DbError>>().await
        });
        work.await.unwrap();
    })
    .await;
    assert_eq!(names, ["a", "b", "foreign", "next"], "the half-done write is gone");
}

#[tokio::test]
async fn a_read_cut_off_in_the_middle_leaves_nothing() {
    let database = two_dealers().await;
    let all = After::parse(None, 100).unwrap();
    let names = cut_off(&database, async |db, scope, inside| {
        let work = db.read(scope, Utc::now(), async |tx| {
            assert_eq!(customer::list(tx, &customer::Filter::default(), &all).await?.len(), 2);
            inside.notify_one();
            std::future::pending::<Result<(), DbError>>().await
        });
        work.await.unwrap();
    })
    .await;
    assert_eq!(names, ["a", "b", "foreign", "next"]);
}

/// Lets work go on until it has waited so often; gives whether it ended by itself.
async fn waited(mut work: Pin<&mut impl Future>, most: usize) -> bool {
    let mut times = 0;
    poll_fn(|context| {
        times += 1;
        match work.as_mut().poll(context) {
            Poll::Ready(_) => Poll::Ready(true),
            Poll::Pending if times > most => Poll::Ready(false),
            Poll::Pending => Poll::Pending,
        }
    })
    .await
}

/// Dropped at its first wait, its second, and so on until it ends by itself, with one connection for
/// all: whoever comes next has a scope of its own, and what was dropped is there whole or not at all.
#[tokio::test]
async fn cut_off_at_any_wait_no_scope_is_left() {
    let database = two_dealers().await;
    let services = services(&database, 1);
    let (one, other) = (owner_scope(&services.keys, 1).await, owner_scope(&services.keys, 2).await);
    let all = After::parse(None, 100).unwrap();
    let names = async |scope: &Scope| {
        let rows = services
            .db
            .read(scope, Utc::now(), async |tx| customer::list(tx, &customer::Filter::default(), &all).await)
            .await
            .unwrap();
        rows.into_iter().map(|row| row.value.name).collect::<Vec<_>>()
    };
    let mut most = 0;
    loop {
        // Each is dropped, with the connection that it may hold, before the next begins.
        let read = waited(pin!(names(&one)), most).await;
        let write = waited(pin!(add(&services.db, &one, &format!("cut {most}"))), most).await;
        assert_eq!(names(&other).await, ["foreign"], "after {most} waits");
        if read && write {
            break;
        }
        most += 1;
    }
    // How often it waits is the machine's affair: an answer may be there before anybody looks for it.
    assert!(most > 0, "nothing was cut off");
    println!("a read and a write cut off at each of their first {most} waits: no scope is left");
}

#[tokio::test]
async fn a_refused_statement_undoes_the_transaction() {
    let database = two_dealers().await;
    let services = services(&database, 1);
    let scope = owner_scope(&services.keys, 1).await;
    let refused = services
        .db
        .write(&scope, Utc::now(), async |tx| {
            customer::create(tx, &named("half")).await?;
            Err::<(), _>(DbError::refused("rule", "not so"))
        })
        .await;
    assert!(matches!(refused, Err(DbError::Refused { code: "rule", .. })), "{refused:?}");
    add(&services.db, &scope, "next").await.unwrap();
    let superuser = database.superuser().await;
    assert_eq!(seen(&superuser, "select name from customer").await, "a, b, foreign, next");
}
