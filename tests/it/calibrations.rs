//! Calibrations of probes, their limits, and the samples that they leave in doubt.

use crate::conventions::items;
use crate::measures::{Bay, withdraw};
use crate::support::{Dealer, TestApp, id};
use serde_json::{Value, json};

fn buffer(standard: f64, shown: f64, mv: f64) -> Value {
    json!({ "standard": standard, "shown": shown, "mv": mv, "lot": "B-1", "expires_on": "2026-12-31" })
}

pub(crate) fn ph(at: &str, error: f64) -> Value {
    json!({ "at": at, "probe": "ph", "temperature_c": 25.0,
        "as_found": [buffer(7.0, 7.0 + error, 0.0), buffer(4.0, 4.0 + error, 170.0)] })
}

async fn sample(dealer: &Dealer, bay: &Bay, day: &str, what: &str, unit: &str) {
    let sample = json!({ "at": format!("2026-{day}T08:00:00Z"), "point": "Clean tank", "what": what, "value": 7.2,
        "unit": unit });
    dealer.technician.create(&bay.of_unit("samples"), &sample).await;
}

async fn in_doubt(dealer: &Dealer, bay: &Bay) -> Vec<String> {
    let samples = items(&dealer.office, &bay.of_unit("samples")).await;
    let doubted = samples.iter().filter(|sample| !sample["doubt"].is_null());
    doubted.map(|sample| sample["at"].as_str().unwrap()[5..10].to_owned()).collect()
}

#[tokio::test]
async fn slope_offset_and_errors_are_computed_as_found_and_as_left() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let probe = json!({ "unit_id": bay.unit, "kind": "ph_probe", "duty": "continuous", "run_basis": "days",
        "fitted_at": "2026-01-02T00:00:00Z" });
    let probe = id(&dealer.office.create("/v1/components", &probe).await);
    let mut sent = ph("2026-03-02T08:00:00Z", 0.4);
    sent["component_id"] = json!(probe);
    sent["as_left"] = json!([buffer(7.0, 7.0, 0.0), buffer(4.0, 4.0, 170.0)]);
    let path = bay.of_unit("calibrations");
    let made = dealer.technician.create(&path, &sent).await;
    let found = &made["found"];
    assert!((found["slope_mv_per_ph"].as_f64().unwrap() + 170.0 / 3.0).abs() < 1e-9);
    // The Nernst slope at 25 degrees Celsius is R T ln 10 / F: 8.314 462 618 x 298.15 x 2.302 585 /
    // 96 485.332 12 V, 59.16 mV a pH. R and F from memory of the SI's constants of 2019.
    assert!((found["slope_pct"].as_f64().unwrap() - 100.0 * 170.0 / 3.0 / 59.16).abs() < 0.01);
    assert!((made["nernst_mv_per_ph"].as_f64().unwrap() - 59.16).abs() < 0.005);
    // 0.4 off is more than the limits to begin with allow (common practice, no source).
    assert_eq!((&found["good"], &made["left"]["good"]), (&json!(false), &json!(true)));

    let other = dealer.pump(dealer.unit("W-2").await).await;
    sent["component_id"] = json!(other);
    dealer.technician.post(&path, &sent).await.refused_for(422, &[("/component_id", "unknown_reference")]);
    let mut wrong = ph("2026-03-02T08:00:00Z", 0.0);
    wrong["as_found"][1]["expires_on"] = json!("2026-03-01");
    wrong["as_found"][0]["mv"] = Value::Null;
    let answer = dealer.technician.post(&path, &wrong).await;
    answer.refused_for(422, &[("/as_found/0/mv", "required"), ("/as_found/1/expires_on", "expired")]);
    let early = dealer.technician.post(&path, &ph("2025-03-02T08:00:00Z", 0.0)).await;
    early.refused_for(422, &[("/at", "outside_placement")]);
    let orp = json!({ "at": "2026-03-02T08:00:00Z", "probe": "orp", "temperature_c": 25.0,
        "as_found": [{ "standard": 220.0, "shown": 231.0, "lot": "O-1", "expires_on": "2026-12-31" }] });
    assert_eq!(dealer.technician.create(&path, &orp).await["found"]["slope_pct"], Value::Null);
    // 9.09 mg/L is air's saturation of fresh water at 20 degrees Celsius and one atmosphere, from
    // memory of the table in Standard Methods 4500-O; the domain's test holds more of it.
    let air = json!({ "at": "2026-03-02T08:00:00Z", "probe": "dissolved_oxygen", "temperature_c": 20.0,
        "as_found": [{ "shown": 9.09 }] });
    assert_eq!(dealer.technician.create(&path, &air).await["found"]["good"], json!(true));
}

#[tokio::test]
async fn samples_since_the_last_good_check_are_in_doubt() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let path = bay.of_unit("calibrations");
    for day in ["02-01", "03-05", "04-05", "05-05"] {
        sample(&dealer, &bay, day, "ph", "ph").await;
    }
    sample(&dealer, &bay, "03-06", "orp", "mv").await;
    // Good and bad by the limits to begin with (common practice, no source).
    dealer.technician.create(&path, &ph("2026-03-01T08:00:00Z", 0.05)).await;
    assert_eq!(in_doubt(&dealer, &bay).await, [""; 0]);
    let bad = dealer.technician.create(&path, &ph("2026-05-01T08:00:00Z", 0.5)).await;
    assert_eq!(
        in_doubt(&dealer, &bay).await,
        ["03-05", "04-05"],
        "neither before the good check nor after the bad one"
    );
    let viewer = dealer.customer_viewer(bay.customer).await;
    let seen = items(&viewer, &bay.of_unit("samples")).await;
    assert_eq!(seen.iter().filter(|sample| !sample["doubt"].is_null()).count(), 2);
    withdraw(&dealer.office, &path, &bad).await;
    assert_eq!(in_doubt(&dealer, &bay).await, [""; 0]);
}

#[tokio::test]
async fn limits_are_the_dealers_own_from_then_on() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let path = bay.of_unit("calibrations");
    let first = dealer.technician.get("/v1/calibration-limits").await;
    assert_eq!((first.etag(), &first.json()["source"]), ("\"0\"", &json!("common practice, no source")));
    let before = dealer.technician.create(&path, &ph("2026-03-01T08:00:00Z", 0.1)).await;
    let mut limits = first.json();
    let fields = limits.as_object_mut().unwrap();
    fields.remove("source");
    fields.remove("revision");
    fields.insert("ph_error".to_owned(), json!(0.05));
    let set = async |etag: &str, limits: &Value| dealer.office.put("/v1/calibration-limits", etag, limits).await;
    let kept = set("\"0\"", &limits).await;
    assert_eq!((kept.etag(), &kept.json()["source"]), ("\"1\"", &json!("the dealer")));
    set("\"0\"", &limits).await.refused(412, "stale");
    limits["ph_error"] = json!(0);
    set("\"1\"", &limits).await.refused_for(422, &[("/ph_error", "out_of_range")]);
    let after = dealer.technician.create(&path, &ph("2026-03-02T08:00:00Z", 0.1)).await;
    assert_eq!((&before["found"]["good"], &after["found"]["good"]), (&json!(true), &json!(false)));
    let listed = items(&dealer.office, &path).await;
    assert_eq!(listed[0]["found"]["good"], json!(true), "the limits of its day");
    let foreign = app.dealer("Elsewhere").await.office.get("/v1/calibration-limits").await;
    assert_eq!(foreign.etag(), "\"0\"");
    dealer.technician.put("/v1/calibration-limits", "\"1\"", &limits).await.refused(403, "not-allowed");
}
