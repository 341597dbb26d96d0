//! Dated histories of a fleet from the API to the ranked units: entered by HTTP, forecast by a night run.

use crate::conventions::items;
use crate::risk::{number, written_in_time};
use crate::support::{TestApp, id, repository};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs;
use uuid::Uuid;

#[track_caller]
fn within(found: &Value, expected: &Value, absolute: f64) {
    let (found, expected) = (number(found), number(expected));
    assert!((found - expected).abs() <= absolute, "{found}, not {expected}");
}

/// Forty units with pumps, filters and controllers over two years (generated; the true parameters stand in the
/// file), with fits, chances of every part and unit and the order of units, computed independently at high
/// precision: `tests/data/reliability/fleet.json`.
#[tokio::test]
async fn dated_histories_come_out_as_computed() {
    let text = fs::read_to_string(repository("tests/data/reliability/fleet.json")).unwrap();
    let fleet: Value = serde_json::from_str(&text).unwrap();
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    // Days are those of the calendar: of a zone without summer time.
    let site = json!({ "customer_id": customer, "name": "Yard", "time_zone": "UTC", "country": "AT" });
    let site = id(&dealer.office.create("/v1/sites", &site).await);
    let mut units: BTreeMap<&str, Uuid> = BTreeMap::new();
    let midnight = |day: &Value| format!("{}T00:00:00Z", day.as_str().unwrap());
    for row in fleet["history"].as_array().unwrap() {
        let name = row[0].as_str().unwrap();
        if !units.contains_key(name) {
            let unit = dealer.unit(name).await;
            dealer.place(unit, site, "2020-01-01T00:00:00Z").await;
            units.insert(name, unit);
        }
        let part = json!({ "unit_id": units[name], "kind": row[1], "duty": "continuous", "run_basis": "days",
            "fitted_at": midnight(&row[2]) });
        let part = id(&dealer.office.create("/v1/components", &part).await);
        if row[3].is_string() {
            let out = json!({ "out_at": midnight(&row[3]), "out_why": row[4] });
            let answer = dealer.office.post_at_with(&format!("/v1/components/{part}/retire"), "\"1\"", &out).await;
            assert_eq!(answer.status(), 200, "{answer:?}");
        }
    }
    written_in_time(&app).await;
    app.night(dealer.id, midnight(&fleet["snapshot"]).parse().unwrap()).await;

    let (mut failing, mut parts_failing): (f64, BTreeMap<String, f64>) = (0.0, BTreeMap::new());
    for expected in fleet["units"].as_array().unwrap() {
        let unit = units[expected["unit"].as_str().unwrap()];
        let found = dealer.office.get(&format!("/v1/units/{unit}/risk")).await.json();
        within(&found["risk"]["failure_probability_30_days"], &expected["unit_risk_30"], 1e-7);
        within(&found["risk"]["failure_probability_90_days"], &expected["unit_risk_90"], 1e-7);
        failing += number(&found["risk"]["failure_probability_30_days"]);
        let parts = found["components"].as_array().unwrap();
        assert_eq!(parts.len(), expected["ages"].as_object().unwrap().len());
        for part in parts {
            let kind = part["kind"].as_str().unwrap();
            assert_eq!(number(&part["age"]), number(&expected["ages"][kind]), "{part}");
            within(&part["within_30_days"]["failure_probability"], &expected["p30"][kind], 1e-7);
            within(&part["within_90_days"]["failure_probability"], &expected["p90"][kind], 1e-7);
            *parts_failing.entry(kind.to_owned()).or_default() +=
                number(&part["within_90_days"]["failure_probability"]);
            let (model, fit) = (&part["life_model"], &fleet["fits"][kind]);
            assert_eq!((&model["lives"], &model["failures"]), (&fit["n"], &fit["failures"]));
            within(&model["figures"]["shape"], &fit["beta"], 1e-6 * number(&fit["beta"]));
            within(&model["figures"]["scale"], &fit["eta"], 1e-6 * number(&fit["eta"]));
        }
    }
    within(&json!(failing), &fleet["expected_failing_units_30"], 1e-5);
    for (kind, expected) in fleet["expected_component_failures_90"].as_object().unwrap() {
        within(&json!(parts_failing[kind]), expected, 1e-5);
    }
    // All stand at one site, so that what failures cost is what chances add up to; the file ranks by the chance.
    let mut listed = items(&dealer.office, "/v1/risk?limit=100").await;
    listed.sort_by(|a, b| {
        let p = |unit: &Value| number(&unit["failure_probability_30_days"]);
        p(b).total_cmp(&p(a))
    });
    let ranked: Vec<&Value> = listed.iter().map(|unit| &unit["unit"]).collect();
    assert_eq!(ranked, fleet["ranking"].as_array().unwrap().iter().collect::<Vec<_>>());
}
