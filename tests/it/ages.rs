//! Ages of parts by what counts them, and their replacement.

use crate::conventions::items;
use crate::support::{Dealer, TestApp, id, today_in_vienna};
use chrono::{DateTime, Duration, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

/// An instant so many of Vienna's days ago, at noon.
pub(crate) fn ago(days: i64) -> String {
    let noon = today_in_vienna().and_hms_opt(12, 0, 0).unwrap().and_utc();
    (noon - Duration::days(days)).to_rfc3339()
}

/// A local day so many days ago: noon UTC is the same day in Vienna.
pub(crate) fn day_ago(days: i64) -> String {
    ago(days).parse::<DateTime<Utc>>().unwrap().date_naive().to_string()
}

/// A unit that came to a site 200 days ago.
pub(crate) async fn standing(dealer: &Dealer, serial_number: &str) -> (Uuid, Uuid, Uuid) {
    let customer = dealer.customer("Harbour Haulage").await;
    let site = dealer.site(customer, "Quay").await;
    let unit = dealer.unit(serial_number).await;
    dealer.place(unit, site, &ago(200)).await;
    (unit, site, customer)
}

/// An hour meter from 190 days ago that ran two hours a day until 20 days ago.
pub(crate) async fn hours(app: &TestApp, dealer: &Dealer, measured: Value) -> Uuid {
    let meter = json!({ "label": "Hours", "stream": "run_hours", "unit": "h", "digits": 6, "read_by": "technician" });
    let mut attachment = measured;
    attachment["from"] = json!(ago(190));
    let meter = id(&dealer.office.create("/v1/meters", &json!({ "meter": meter, "attachment": attachment })).await);
    let reading = |days: i64| json!({ "meter_id": meter, "read_at": ago(days), "register": 2 * (190 - days) });
    let readings: Vec<Value> = [190, 150, 110, 70, 40, 20].map(reading).to_vec();
    let answer = dealer.technician.post("/v1/readings", &json!({ "readings": readings })).await.json();
    assert_eq!(answer["rejected"], json!([]));
    app.night(dealer.id, Utc::now()).await;
    meter
}

async fn pump(dealer: &Dealer, unit: Uuid, fitted: &str) -> Value {
    let pump = json!({ "unit_id": unit, "kind": "transfer_pump", "duty": "on_demand", "run_basis": "hours",
        "rated_life": 1000.0, "assumed_per_day": 5.0, "fitted_at": fitted });
    dealer.office.create("/v1/components", &pump).await
}

async fn age(dealer: &Dealer, part: &Value) -> Value {
    dealer.office.get(&format!("/v1/components/{}", id(part))).await.json()["age"].clone()
}

#[track_caller]
fn near(value: &Value, expected: f64) {
    let value = value.as_f64().unwrap();
    assert!((value - expected).abs() <= 4.0, "{value} is not about {expected}");
}

#[tokio::test]
async fn an_age_comes_from_the_counter_nearest_to_the_part() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, _, customer) = standing(&dealer, "W-1").await;
    let part = pump(&dealer, unit, &ago(190)).await;
    near(&age(&dealer, &part).await["value"], 5.0 * 190.0);
    assert_eq!(age(&dealer, &part).await["source"], "assumed");
    hours(&app, &dealer, json!({ "unit_id": unit })).await;
    let counted = age(&dealer, &part).await;
    assert_eq!(counted["source"], "unit_counter");
    near(&counted["value"], 2.0 * 190.0);
    // Whole days alone are counted: the days of the first and the last reading are not, nor are those since.
    assert!((counted["estimated"].as_f64().unwrap() - 2.0 * 21.0).abs() < 0.5, "{counted}");
    assert!((counted["share_of_rated_life"].as_f64().unwrap() - 0.38).abs() < 0.005, "{counted}");
    let later = pump(&dealer, unit, &ago(100)).await;
    near(&age(&dealer, &later).await["value"], 2.0 * 100.0);

    // Days go on by the calendar, and only those are told to the customer's people.
    let probe = json!({ "unit_id": unit, "kind": "ph_probe", "duty": "continuous", "run_basis": "days",
        "fitted_at": ago(100) });
    let probe = dealer.office.create("/v1/components", &probe).await;
    assert_eq!(probe["age"]["value"], json!(100.0));
    let viewer = dealer.customer_viewer(customer).await;
    let seen = items(&viewer, "/v1/components").await;
    let told: Vec<&Value> = seen.iter().map(|part| &part["age"]["source"]).collect();
    assert_eq!(told, [&json!("calendar"), &Value::Null, &Value::Null]);
    assert!(seen.iter().all(|part| part["failure"].is_null()));

    let page = dealer.office.get(&format!("/units/{unit}")).await;
    assert!(page.text().contains("by the unit&#39;s counter") && page.text().contains("pH probe"), "{}", page.text());
}

#[tokio::test]
async fn an_assumed_use_rests_while_the_unit_is_laid_up() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, ..) = standing(&dealer, "W-1").await;
    let spell = json!({ "state": "laid_up", "from": ago(60), "to": ago(20) });
    dealer.office.create(&format!("/v1/units/{unit}/spells"), &spell).await;
    let part = pump(&dealer, unit, &ago(100)).await;
    near(&part["age"]["value"], 5.0 * 60.0);
}

#[tokio::test]
async fn a_part_is_replaced_in_one_call_with_its_counter() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, ..) = standing(&dealer, "W-1").await;
    let old = pump(&dealer, unit, &ago(195)).await;
    let meter = hours(&app, &dealer, json!({ "component_id": id(&old) })).await;
    assert_eq!(age(&dealer, &old).await["source"], "own_counter");
    let path = format!("/v1/components/{}/replace", id(&old));
    let change = json!({ "out_at": ago(50), "out_why": "worn_out_found",
        "new": { "serial_number": "88120-9", "warranty_until": "2028-05-20" } });
    dealer.technician.post_at_with(&path, "\"7\"", &change).await.refused(412, "stale");
    let mut wrong = change.clone();
    wrong["new"]["age_at_fitting"] = json!(-1);
    let refused = dealer.technician.post_at_with(&path, "\"1\"", &wrong).await;
    refused.refused_for(422, &[("/new/age_at_fitting", "out_of_range")]);
    let mut early = change.clone();
    early["out_at"] = json!(ago(198));
    dealer.technician.post_at_with(&path, "\"1\"", &early).await.refused_for(422, &[("/out_at", "before_fitted")]);
    assert_eq!(items(&dealer.office, "/v1/components?fitted=true").await.len(), 1, "nothing half-done");

    let answer = dealer.technician.post_at_with(&path, "\"1\"", &change).await;
    assert_eq!((answer.status(), answer.etag()), (201, "\"1\""), "{answer:?}");
    let new = answer.json();
    assert_eq!((&new["kind"], &new["rated_life"]), (&old["kind"], &old["rated_life"]));
    assert_eq!((&new["serial_number"], &new["fitted_at"]), (&json!("88120-9"), &json!(ago(50).replace("+00:00", "Z"))));
    let gone = dealer.office.get(&format!("/v1/components/{}", id(&old))).await.json();
    assert_eq!((&gone["out_why"], &gone["out_at"]), (&json!("worn_out_found"), &new["fitted_at"]));
    let attached = items(&dealer.office, &format!("/v1/meters/{meter}/attachments")).await;
    let counted: Vec<&Value> = attached.iter().map(|one| &one["component_id"]).collect();
    assert_eq!(counted, [&json!(id(&old)), &json!(id(&new))]);
    app.night(dealer.id, Utc::now()).await;
    near(&age(&dealer, &new).await["value"], 2.0 * 50.0);
    near(&age(&dealer, &gone).await["value"], 2.0 * 145.0);

    // Once more is once too often, and leaves everything as it is.
    let again = dealer.technician.post_at_with(&path, "\"2\"", &change).await;
    again.refused_for(409, &[("", "out_already")]);
    assert_eq!(items(&dealer.office, "/v1/components").await.len(), 2);
    app.dealer("Elsewhere").await.owner.post_at_with(&path, "\"2\"", &change).await.refused(404, "not-found");
}
