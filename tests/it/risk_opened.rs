//! What of risk crosses a border: counts of lives between dealers that both lend them, and what a dealer opens to
//! a customer.

use crate::conventions::items;
use crate::list_filters::comes_as_a_table_of;
use crate::risk::{Planted, number, part, planted};
use crate::support::{Client, Dealer, TestApp};
use chrono::{Duration, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

async fn lends(dealer: &Dealer, revision: u32, lends: bool) {
    let at = format!("\"{revision}\"");
    let set = dealer.owner.patch("/v1/risk/pooling", &at, &json!({ "lends": lends })).await;
    assert_eq!((set.status(), &set.json()["lends"]), (200, &json!(lends)), "{set:?}");
}

#[tokio::test]
async fn counts_cross_between_dealers_that_both_lend_and_nothing_else_does() {
    let app = TestApp::start().await;
    let (rich, poor) = (app.dealer("Brookside").await, app.dealer("Millrace").await);
    let Planted { now, .. } = planted(&rich).await;
    let unit = poor.unit("M-1").await;
    part(&poor, unit, (0.0, 80.0), Utc::now(), None).await;
    let nights = async || {
        app.night(rich.id, now).await;
        app.night(poor.id, now).await;
        let risk = poor.office.get(&format!("/v1/units/{unit}/risk")).await.json();
        risk["components"][0].clone()
    };
    let chance = |part: &Value| part["within_30_days"]["failure_probability"].clone();
    let superuser = app.superuser().await;
    let standing = async || {
        let rows = superuser.query("select l::text from lent_life l order by 1", &[]).await.unwrap();
        rows.iter().map(|row| row.get::<_, String>(0)).collect::<Vec<_>>()
    };
    assert_eq!(poor.owner.get("/v1/risk/pooling").await.json()["lends"], json!(false), "off unless somebody says so");
    for person in [&poor.office, &poor.technician] {
        person.get("/v1/risk/pooling").await.refused(403, "not-allowed");
        person.patch("/v1/risk/pooling", "\"0\"", &json!({ "lends": true })).await.refused(403, "not-allowed");
    }
    assert_eq!(chance(&nights().await), Value::Null);
    assert_eq!(standing().await, [""; 0], "neither lends");
    lends(&rich, 0, true).await;
    assert_eq!(chance(&nights().await), Value::Null, "one alone lends");
    assert_eq!(standing().await.len(), 1);
    lends(&rich, 1, false).await;
    assert_eq!(standing().await, [""; 0], "taken back at once");
    lends(&poor, 0, true).await;
    assert_eq!(chance(&nights().await), Value::Null, "the other alone lends");

    lends(&rich, 2, true).await;
    let lent = nights().await;
    assert!(number(&chance(&lent)) > 0.1, "{lent}");
    let model = &lent["life_model"];
    assert_eq!((&model["basis"], &model["lives"]), (&json!("counts_elsewhere_and_lives"), &json!(1)));
    let counts = &model["figures"]["lent"];
    // Forty that failed at 60, 62, ... 138 days, and five that run.
    assert_eq!((&counts["lives"], &counts["failures"]), (&json!(45), &json!(40)));
    assert!((number(&counts["time_at_risk"]) - (3960.0 + 430.0)).abs() < 1.0, "{counts}");
    let crossed = standing().await.concat();
    assert!(crossed.contains("pump_tube") && !crossed.contains("T 6"), "{crossed}");
    let id = |text: &str| text.chars().filter(|letter| *letter == '-').count() >= 4;
    assert!(!standing().await.iter().any(|row| id(row)), "no ids: {crossed}");
    lends(&rich, 3, false).await;
    assert_eq!(chance(&nights().await), Value::Null, "no longer lent");
    let lines = "select verb from change where record = 'risk_pooling' and dealer_id = $1 order by id";
    let lines = superuser.query(lines, &[&rich.id.0]).await.unwrap();
    assert_eq!(
        lines.iter().map(|row| row.get::<_, &str>(0)).collect::<Vec<_>>(),
        ["created", "updated", "updated", "updated"]
    );
}

async fn opened(dealer: &Dealer, customer: Uuid, revision: u32, change: Value) -> Value {
    let path = format!("/v1/customers/{customer}/risk-sharing");
    let set = dealer.office.patch(&path, &format!("\"{revision}\""), &change).await;
    assert_eq!(set.status(), 200, "{set:?}");
    set.json()
}

#[tokio::test]
async fn a_customer_sees_risk_that_its_dealer_opens() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let Planted { units, customer, .. } = planted(&dealer).await;
    let other = dealer.customer("Valley Farm").await;
    app.night(dealer.id, Utc::now()).await;
    let finding = format!(
        "insert into finding (dealer_id, id, unit_id, kind, since, size, opened_at, seen_at)
           values ({}, gen_random_uuid(), '{}', 'falling_flow', '2026-03-10', 0.18, now(), now())",
        dealer.id, units[0]
    );
    app.superuser().await.batch_execute(&finding).await.unwrap();
    let (viewer, stranger) = (dealer.customer_viewer(customer).await, dealer.customer_reader(other).await);
    let shared = "/v1/shared-risk";
    assert_eq!(items(&viewer, shared).await, [Value::Null; 0], "closed unless it is opened");
    assert_eq!(items(&dealer.office, shared).await, [Value::Null; 0], "the dealer sees here what customers see");
    let path = format!("/v1/customers/{customer}/risk-sharing");
    assert_eq!(dealer.office.get(&path).await.etag(), "\"0\"");
    for person in [&viewer, &stranger, &dealer.technician] {
        person.get(&path).await.refused(403, "not-allowed");
        person.patch(&path, "\"0\"", &json!({ "risk": true })).await.refused(403, "not-allowed");
    }
    let alone = dealer.office.patch(&path, "\"0\"", &json!({ "expected_loss": true })).await;
    alone.refused_for(422, &[("/expected_loss", "not_alone")]);

    opened(&dealer, customer, 0, json!({ "risk": true })).await;
    dealer.office.patch(&path, "\"0\"", &json!({ "risk": true })).await.refused(412, "stale");
    let seen = items(&viewer, shared).await;
    assert_eq!(seen.iter().map(|unit| &unit["unit"]).collect::<Vec<_>>(), ["W-1", "W-2"]);
    let own = dealer.office.get(&format!("/v1/units/{}/risk", units[0])).await.json();
    assert_eq!(seen[0]["failure_probability_30_days"], own["risk"]["failure_probability_30_days"]);
    assert_eq!(seen[0]["parts"][0]["words"], "pump tube at 95 days");
    assert_eq!(seen[0]["findings"][0]["kind"], "falling_flow");
    assert!(seen.iter().all(|unit| unit["expected_loss_30_days"].is_null()), "{seen:?}");
    assert_eq!(items(&dealer.office, shared).await, seen);
    comes_as_a_table_of(&viewer, "shared-risk", "unit_id").await;
    assert_eq!(items(&stranger, shared).await, [Value::Null; 0]);
    for (query, count) in [
        (format!("unit_id={}", units[0]), 1),
        (format!("site_id={}", seen[1]["site_id"].as_str().unwrap()), 1),
        (format!("customer_id={customer}"), 2),
        (format!("customer_id={other}"), 0),
    ] {
        for (person, seen) in [(&viewer, count), (&stranger, 0)] {
            assert_eq!(items(person, &format!("{shared}?{query}")).await.len(), seen, "{query}");
        }
    }
    // What is the dealer's own stays closed.
    for closed in ["/v1/risk", "/v1/findings", "/v1/risk/scores", &format!("/v1/units/{}/risk", units[0])] {
        viewer.get(closed).await.refused(403, "not-allowed");
    }
    opened(&dealer, customer, 1, json!({ "expected_loss": true })).await;
    let seen = items(&viewer, shared).await;
    assert_eq!(seen[0]["expected_loss_30_days"], own["risk"]["expected_loss_30_days"]);
    assert!(seen[0]["expected_loss_30_days"]["amount"].is_string());

    moved_on(&app, &dealer, (customer, other), units[0], (&viewer, &stranger)).await;
    let other_dealer = app.dealer("Millrace").await;
    other_dealer.office.get(&path).await.refused(404, "not-found");
    assert_eq!(items(&other_dealer.office, shared).await, [Value::Null; 0]);
}

/// Where a unit moves to, nothing is opened; from the next night on it is the next customer's.
async fn moved_on(
    app: &TestApp,
    dealer: &Dealer,
    (customer, other): (Uuid, Uuid),
    unit: Uuid,
    (viewer, stranger): (&Client, &Client),
) {
    let shared = "/v1/shared-risk";
    opened(dealer, customer, 2, json!({ "risk": false, "expected_loss": false })).await;
    assert_eq!(items(viewer, shared).await, [Value::Null; 0]);
    opened(dealer, customer, 3, json!({ "risk": true })).await;
    let placements = items(&dealer.office, &format!("/v1/units/{}/placements", unit)).await;
    let moved = Utc::now();
    dealer.end_placement(&placements[0], &moved.to_rfc3339()).await;
    let yard = dealer.site(other, "Farm yard").await;
    dealer.place(unit, yard, &moved.to_rfc3339()).await;
    assert_eq!(items(viewer, shared).await.len(), 2, "the forecast was of when it stood there");
    opened(dealer, other, 0, json!({ "risk": true })).await;
    assert_eq!(items(stranger, shared).await, [Value::Null; 0]);
    app.night(dealer.id, moved + Duration::minutes(1)).await;
    let names = async |client| {
        let seen = items(client, shared).await;
        seen.iter().map(|unit| unit["unit"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert_eq!((names(viewer).await, names(stranger).await), (vec!["W-2".to_owned()], vec!["W-1".to_owned()]));
}
