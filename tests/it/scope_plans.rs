//! That no scope's policy, chosen sites included, keeps a query of one site or of some units from its index.

use crate::scopes::{begin, id};
use tokio_postgres::Client;
use weirbook::db::login::APP_ROLE;

/// A thousand further sites of customer a, with a hundred days of facts each.
const MANY: &str = "
    insert into site (dealer_id, id, customer_id, name, time_zone, country, created_at, changed_at)
      select 1, md5('many ' || n)::uuid, md5('a')::uuid, 'many ' || n, 'UTC', 'AT', now(), now() from generate_series(1, 1000) n;
    insert into day_fact (dealer_id, subject_id, day, customer_id, site_id, makeup_l, coverage, estimated_share, open_exceptions)
      select 1, s.id, '2026-01-01'::date + d, s.customer_id, s.id, 1, 1, 0, 0
        from site s cross join generate_series(0, 99) d where s.name like 'many %';
    update site_access set site_id = md5('many 7')::uuid;
    analyze site, day_fact, site_access";
/// A month of one site. It names the dealer, so that it goes by the index without a policy too.
const MONTH: &str = "select day, makeup_l from day_fact where dealer_id = 1 and site_id = md5('many 7')::uuid and day between '2026-02-01' and '2026-02-28'";

async fn plan(client: &Client, sql: &str) -> String {
    let rows = client.query(&format!("explain {sql}"), &[]).await.unwrap();
    rows.iter().map(|row| row.get::<_, String>(0) + "\n").collect()
}

#[tokio::test]
async fn every_scope_goes_by_the_index() {
    let database = crate::scopes::two_dealers().await;
    let (superuser, app) = (database.superuser().await, database.as_role(APP_ROLE).await);
    superuser.batch_execute(MANY).await.unwrap();
    let (customer, holder) = (id(&app, "a").await, id(&app, "ma").await);
    let dealers = "begin; set local app.dealer_id = '1'; set local app.customer_id = 'all'".to_owned();
    let customers = format!("begin; set local app.dealer_id = '1'; set local app.customer_id = '{customer}'");
    let openings = [
        ("bare, as the owner", &superuser, "begin".to_owned()),
        ("the dealer", &app, dealers),
        ("a customer", &app, format!("{customers}; set local app.site_ids = 'all'")),
        ("chosen sites", &app, format!("{customers}; set local app.holder_id = '{holder}'; select app.choose_sites()")),
    ];
    for (who, client, opening) in openings {
        client.batch_execute(&opening).await.unwrap();
        let plan = plan(client, MONTH).await;
        assert_eq!(client.query(MONTH, &[]).await.unwrap().len(), 28, "{who}");
        client.batch_execute("rollback").await.unwrap();
        assert!(plan.contains("day_fact_site") && !plan.contains("Seq Scan on day_fact"), "{who}:\n{plan}");
    }
    begin(&app, 1, "b").await;
    assert_eq!(app.query(MONTH, &[]).await.unwrap().len(), 0, "another customer sees none of it");
}

/// Units that stood nowhere, with twenty levels each.
const NOTED: &str = "
    insert into unit (dealer_id, id, serial_number, label, created_at, changed_at)
      select 1, md5('noted ' || n)::uuid, 'noted ' || n, 'noted ' || n, now(), now() from generate_series(1, 500) n;
    insert into gauge_reading (dealer_id, id, unit_id, at, gauge, value, unit, created_at)
      select 1, gen_random_uuid(), md5('noted ' || n)::uuid, '2026-01-01'::timestamptz + k * interval '1 day', 'level', 1, 'l', now()
        from generate_series(1, 500) n cross join generate_series(0, 19) k;
    analyze unit, placement, gauge_reading";
/// The first page of the levels of units that ever stood anywhere, as far as the scope reaches: the query.
const OF_UNITS: &str = "
    select 'select * from gauge_reading n where n.unit_id = any (' || quote_literal(array_agg(distinct unit_id)::text)
           || '::uuid[]) and (n.at, n.id) > (''1969-12-31'', ''00000000-0000-0000-0000-000000000000'')
              order by n.at, n.id limit 101'
      from placement";
/// The first page by when they were written.
const CHANGED: &str = "
    select * from gauge_reading n
     where (case when n.withdrawn_at is null then n.created_at else n.withdrawn_at end, n.id)
           > ('1969-12-31', '00000000-0000-0000-0000-000000000000')
     order by case when n.withdrawn_at is null then n.created_at else n.withdrawn_at end, n.id limit 101";

/// What sites wash with, much of it.
const DECLARED: &str = "
    insert into wash_chemical (dealer_id, id, site_id, customer_id, valid, product, standing, created_at)
      select s.dealer_id, gen_random_uuid(), s.id, s.customer_id, daterange('2026-01-01', null), 'product ' || n, 'untested', now()
        from site s cross join generate_series(1, 3000) n where s.dealer_id = 1;
    analyze wash_chemical";
/// The first page of it by when it was written, which its end may be.
const ENDED: &str = "
    select * from wash_chemical
     where (case when withdrawn_at is not null then withdrawn_at when end_noted_at is not null then end_noted_at else created_at end, id)
           > ('1969-12-31', '00000000-0000-0000-0000-000000000000')
     order by case when withdrawn_at is not null then withdrawn_at when end_noted_at is not null then end_noted_at else created_at end, id
     limit 101";

#[tokio::test]
async fn notes_go_by_the_index_of_their_units_and_of_when_they_were_written() {
    let database = crate::scopes::two_dealers().await;
    let (superuser, app) = (database.superuser().await, database.as_role(APP_ROLE).await);
    superuser.batch_execute(NOTED).await.unwrap();
    superuser.batch_execute(DECLARED).await.unwrap();
    for who in ["a", "all"] {
        begin(&app, 1, who).await;
        let of_units: String = app.query_one(OF_UNITS, &[]).await.unwrap().get(0);
        for (query, found_by) in
            [(of_units.as_str(), "unit_id = ANY"), (CHANGED, "ROW(CASE WHEN"), (ENDED, "ROW(CASE WHEN")]
        {
            let plan = plan(&app, query).await;
            let by_index = |line: &str| line.contains("Index Cond") && line.contains(found_by);
            assert!(plan.lines().any(by_index), "{who}:\n{plan}");
        }
        app.batch_execute("rollback").await.unwrap();
    }
}

/// When notes, prices and goods on order were last written, and the tables that have an index of that.
const LISTED: [(&str, &[&str]); 3] = [
    (
        "case when withdrawn_at is null then created_at else withdrawn_at end",
        &["rain_day", "flow_test", "billed_item", "investment", "dosing_setting", "draw_down"],
    ),
    (
        "case when withdrawn_at is not null then withdrawn_at when end_noted_at is not null then end_noted_at else created_at end",
        &[
            "rain_intake",
            "wash_derivation",
            "wash_sessions",
            "loss_coefficient",
            "working_days",
            "wash_chemical",
            "price",
        ],
    ),
    ("changed_at", &["stock_order"]),
];

#[tokio::test]
async fn lists_have_an_index_of_when_their_records_were_first_and_last_written() {
    let database = crate::scopes::two_dealers().await;
    let superuser = database.superuser().await;
    let tables = LISTED.iter().flat_map(|(written, tables)| tables.iter().map(move |table| (*written, *table)));
    for (written, table) in tables {
        for (by, key) in [("created", "created_at"), ("changed", written)] {
            let index = format!("{table}_{by}");
            let found = superuser.query_one("select pg_get_indexdef(to_regclass($1))", &[&index]).await.unwrap();
            let found: Option<String> = found.get(0);
            // PostgreSQL writes it with line breaks and brackets of its own.
            let plain = found.unwrap_or_default().to_lowercase().replace(['(', ')', ','], " ");
            let plain = plain.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(plain.ends_with(&format!("{table} using btree dealer_id {key} id")), "{index}: {plain}");
        }
    }
}

/// Notes of units and of sites.
const NOTED_OF: [(&str, &[&str]); 2] = [
    ("unit_id", &["gauge_reading", "sample", "volume_event", "calibration", "dosing_setting", "draw_down"]),
    (
        "site_id",
        &[
            "wash_tally",
            "dip",
            "rain_day",
            "rain_intake",
            "flow_test",
            "wash_derivation",
            "wash_sessions",
            "loss_coefficient",
            "working_days",
            "wash_chemical",
            "billed_item",
            "investment",
        ],
    ),
];

/// In which order they are asked for is nothing to such an index: they are sorted.
#[tokio::test]
async fn notes_of_one_unit_or_site_have_an_index_that_brings_withdrawn_ones_too() {
    let database = crate::scopes::two_dealers().await;
    let superuser = database.superuser().await;
    let whole =
        "select count(*) from pg_index i join pg_attribute a on a.attrelid = i.indrelid and a.attnum = i.indkey[1]
                  where i.indrelid = to_regclass($1) and i.indpred is null and a.attname = $2";
    let tables = NOTED_OF.iter().flat_map(|(owner, tables)| tables.iter().map(move |table| (*owner, *table)));
    for (owner, table) in tables {
        let found: i64 = superuser.query_one(whole, &[&table, &owner]).await.unwrap().get(0);
        assert!(found > 0, "{table} by {owner}");
    }
}
