//! What is wrong with units: found by the night run in the demo's fleet, listed, and shown.

use crate::support::{Scratch, TestApp, id, weirbook};
use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs;
use weirbook::demo::{self, Size};

/// One of the demo's fully metered units has a fill valve that passes, one a pump that loses
/// flow.
#[tokio::test]
async fn a_passing_valve_and_a_pump_losing_flow_are_found_and_sound_units_are_not() {
    let app = TestApp::start().await;
    let now: DateTime<Utc> = "2026-05-04T09:30:00Z".parse().unwrap();
    let size = Size { units: 24, months: 6 };
    let made = demo::load(app.db(), size, now, &|_, _| {}).await.unwrap();
    app.night(made.dealer, now).await;
    let superuser = app.superuser().await;
    let sql = "select u.label, f.kind, f.size, f.since::text, f.closed_at is null
                 from finding f join unit u on u.dealer_id = f.dealer_id and u.id = f.unit_id order by 1, 2";
    let found = superuser.query(sql, &[]).await.unwrap();
    let found: Vec<(String, String, f64, String, bool)> =
        found.iter().map(|row| (row.get(0), row.get(1), row.get(2), row.get(3), row.get(4))).collect();
    let cases: BTreeMap<String, String> =
        demo::cases(size).into_iter().map(|case| (case.name.to_owned(), case.unit)).collect();
    let expected = [(&cases["pump losing flow"], "falling_flow"), (&cases["passing fill valve"], "passing_fill_valve")];
    let mut expected = expected.map(|(unit, kind)| (unit.clone(), kind.to_owned(), true)).to_vec();
    expected.sort();
    let here: Vec<_> = found.iter().map(|(unit, kind, .., open)| (unit.clone(), kind.clone(), *open)).collect();
    assert_eq!(here, expected, "{found:?}");
    let costs = "select cost_per_day is not null, no_cost from finding";
    for row in superuser.query(costs, &[]).await.unwrap() {
        assert!(row.get::<_, bool>(0) != row.get::<_, Option<String>>(1).is_some(), "a cost or why there is none");
    }
    // 55 L an hour pass for 50 days; a quarter of the flow is lost in four months, here in two.
    let size_of = |kind: &str| found.iter().find(|(_, of, ..)| of == kind).unwrap().2;
    assert!((1000.0..1500.0).contains(&size_of("passing_fill_valve")), "{found:?}");
    assert!((0.03..0.15).contains(&size_of("falling_flow")), "{found:?}");
    // Tests on notes are kept of the units of which there are any.
    let tests =
        "select count(*) filter (where kind in ('passing_fill_valve', 'falling_flow', 'energy_above', 'starts_above')),
                        count(*) filter (where why_not is null), count(distinct unit_id) from condition_test";
    let row = superuser.query_one(tests, &[]).await.unwrap();
    let (all, run, units): (i64, i64, i64) = (row.get(0), row.get(1), row.get(2));
    // Three units are metered fully, none counts starts; five more report their make-up while their sites are closed;
    // of two a dosing pump was tested.
    assert_eq!((all, run), (4 * units, 16));
}

#[tokio::test]
async fn findings_are_listed_and_shown_to_the_dealer_alone() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Quarry").await;
    let site = dealer.site(customer, "Yard").await;
    let unit = dealer.unit("C 1").await;
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    let sql = format!(
        "insert into finding (dealer_id, id, unit_id, kind, since, size, opened_at, seen_at, closed_at) values
           ({0}, gen_random_uuid(), '{unit}', 'falling_flow', '2026-03-10', 0.18, now(), now(), null),
           ({0}, gen_random_uuid(), '{unit}', 'energy_above', '2026-02-10', 4, now(), now(), now());
         insert into condition_test (dealer_id, unit_id, kind, tested_at, why_not)
           values ({0}, '{unit}', 'starts_above', now(), 'no counter');
         insert into forecast_night (dealer_id, night, made_at, parts, looked_at)
           values ({0}, '2026-03-10', now(), 1, now());
         insert into unit_risk (dealer_id, unit_id, night, rank, p_30, p_90, not_forecast, upset)
           values ({0}, '{unit}', '2026-03-10', 1, 0.5, 0.6, 0, 'process upset: 2 here');",
        dealer.id
    );
    app.superuser().await.batch_execute(&sql).await.unwrap();
    let words = "The pump delivers 18 % less in an hour than it did.";
    let listed = |query: &str| {
        let path = format!("/v1/findings?unit_id={unit}{query}");
        let office = &dealer.office;
        async move { office.get(&path).await.json()["items"].clone() }
    };
    assert_eq!(listed("").await.as_array().unwrap().len(), 2);
    let open = listed("&open=true").await;
    assert_eq!(
        (&open[0]["words"], &open[0]["since"], &open[0]["closed_at"]),
        (&json!(words), &json!("2026-03-10"), &Value::Null)
    );
    assert_eq!(listed("&open=false").await[0]["kind"], "energy_above");
    let path = format!("/v1/units/{unit}/condition");
    let condition = dealer.technician.get(&path).await.json();
    assert_eq!(condition["findings"].as_array().unwrap().len(), 1);
    assert_eq!(condition["tests"][0]["why_not"], "no counter");
    for page in [format!("/units/{unit}"), "/risk".to_owned()] {
        let page = dealer.office.get(&page).await;
        assert!(page.text().contains(words), "{}", page.text());
    }
    assert!(dealer.office.get("/risk").await.text().contains("process upset: 2 here"));
    let viewer = dealer.customer_viewer(customer).await;
    viewer.get(&path).await.refused(403, "not-allowed");
    viewer.get("/v1/findings").await.refused(403, "not-allowed");
    let page = viewer.get(&format!("/units/{unit}")).await;
    assert!(!page.shown().contains("What is wrong"));
    let other = app.dealer("Millrace").await;
    other.office.get(&path).await.refused(404, "not-found");
    assert_eq!(other.office.get("/v1/findings").await.json()["items"], json!([]));
}

/// A unit whose pump's hours are counted no more: nothing will ever tell that the flow is back, so that what
/// was found of it ends.
#[tokio::test]
async fn what_was_found_ends_with_the_meter_that_told_of_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Quarry").await, "Yard").await;
    let unit = dealer.unit("C 1").await;
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    let meter = id(&dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" })).await);
    let readings = json!({ "readings": [{ "meter_id": meter, "read_at": "2026-01-02T08:00:00Z", "register": 10.0 }] });
    assert_eq!(dealer.office.post("/v1/readings", &readings).await.status(), 200);
    let found = format!(
        "insert into finding (dealer_id, id, unit_id, kind, since, size, opened_at, seen_at)
           select {}, gen_random_uuid(), '{unit}', kind, '2026-03-10', 0.18, now(), now()
             from unnest(array['falling_flow', 'passing_fill_valve']) as kind",
        dealer.id
    );
    app.superuser().await.batch_execute(&found).await.unwrap();
    app.night(dealer.id, Utc::now()).await;
    let open = dealer.office.get(&format!("/v1/findings?unit_id={unit}&open=true")).await.json()["items"].clone();
    let kinds: Vec<_> = open.as_array().unwrap().iter().map(|one| one["kind"].clone()).collect();
    assert_eq!(kinds, ["passing_fill_valve"], "its meter is there, and may tell of it yet: {open}");
}

/// Upsets at one of two units: both are at risk of them, the one more.
#[tokio::test]
async fn process_upsets_are_joined_into_a_unit_s_risk() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Quarry").await;
    let site = dealer.site(customer, "Yard").await;
    let mut units = Vec::new();
    for name in ["U 1", "U 2"] {
        let unit = dealer.unit(name).await;
        dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
        dealer.pump(unit).await;
        units.push(unit);
    }
    let upset = json!({ "unit_id": units[0], "kind": "septic", "began_at": "2026-03-01T08:00:00Z" });
    let answer = dealer.office.post("/v1/process-upsets", &upset).await;
    assert_eq!(answer.status(), 201, "{answer:?}");
    app.night(dealer.id, Utc::now()).await;
    let risk = async |unit| dealer.office.get(&format!("/v1/units/{unit}/risk")).await.json()["risk"].clone();
    let (with, without) = (risk(units[0]).await, risk(units[1]).await);
    let p = |risk: &Value| risk["failure_probability_30_days"].as_f64().unwrap();
    assert!(p(&with) > p(&without) && p(&without) > 0.0, "{with} {without}");
    let why = |risk: &Value| risk["reasons"].as_array().unwrap().last().unwrap().as_str().unwrap().to_owned();
    assert!(why(&with).starts_with("process upset: 1 here in "), "{with}");
    assert!(why(&without).starts_with("process upset: 0 here in "), "{without}");
}

#[test]
fn values_in_a_file_are_charted() {
    let folder = Scratch::new();
    let file = format!("{}/values.csv", folder.path());
    let values: String = (0..40).map(|n| format!("{n},{}\n", if n < 30 { 10 + n % 3 } else { 16 })).collect();
    fs::write(&file, format!("time,value\n{values}40,many\n")).unwrap();
    let output = weirbook(&["calc", "chart", &file, "--baseline", "30"]).output().unwrap();
    let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!((&answer["signals"][0], &answer["rejected"][0]["line"]), (&json!("31"), &json!(42)), "{answer}");
    assert!(String::from_utf8_lossy(&output.stderr).contains("line 42") && !output.status.success());
}
