//! `/v1/call-outs`.

use crate::conventions::items;
use crate::support::{Client, Dealer, TestApp, id};
use chrono::{DateTime, Duration, SecondsFormat, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

pub(crate) const CALLS: &str = "/v1/call-outs";

/// A customer's site with a unit that came on 1 January 2026, and an agreement that promises an
/// answer within four office hours.
pub(crate) struct Customer {
    pub(crate) customer: Uuid,
    pub(crate) site: Uuid,
    pub(crate) unit: Uuid,
}

impl Customer {
    pub(crate) async fn new(dealer: &Dealer, serial_number: &str) -> Self {
        let customer = dealer.customer("Harbour Haulage").await;
        let site = dealer.site(customer, "North yard").await;
        let unit = dealer.unit(serial_number).await;
        dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
        dealer.office.create("/v1/agreements", &agreement(customer)).await;
        Self { customer, site, unit }
    }
}

pub(crate) fn agreement(customer: Uuid) -> Value {
    let office = json!({ "weekdays": ["monday", "tuesday", "wednesday", "thursday", "friday"],
        "opens": "08:00:00", "closes": "16:00:00" });
    json!({ "customer_id": customer, "from": "2026-01-01", "price_for": "fee", "currency": "EUR",
        "prices": [{ "from": "2026-01-01", "per_month": "120.00" }], "rise": { "month": 2, "percent": "3" },
        "visits_a_year": 4, "call_outs_a_year": 2,
        "consumables": [{ "what": "Coagulant", "quantity": "40", "unit": "l" }],
        "response": { "within_min": 240, "office": office, "holidays": ["2026-05-01"] } })
}

fn call(unit: Uuid, called_at: &str, bay: &str) -> Value {
    json!({ "unit_id": unit, "called_at": called_at, "symptom": " Water is black ", "bay": bay })
}

async fn step(client: &Client, call: &Value, etag: &str, step: &str, at: &str) -> crate::support::Answer {
    let path = format!("{CALLS}/{}/steps", id(call));
    client.post_at_with(&path, etag, &json!({ "step": step, "at": at })).await
}

/// 27 March 2026 was a Friday; clocks in Vienna went forward on the Sunday after it (IANA tzdata).
#[tokio::test]
async fn a_call_runs_through_its_steps_against_the_promise() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let sent = call(bay.unit, "2026-03-27T14:00:00Z", "stopped");
    let opened = dealer.office.post_once(CALLS, "key-1", &sent).await;
    assert_eq!((opened.status(), opened.etag()), (201, "\"1\""), "{opened:?}");
    let opened = opened.json();
    assert_eq!(dealer.office.post_once(CALLS, "key-1", &sent).await.json()["id"], opened["id"]);
    assert_eq!(
        (&opened["symptom"], &opened["progress"], &opened["response"], &opened["site_id"], &opened["repeat"]),
        (&json!("Water is black"), &json!("waiting"), &json!("missed"), &json!(bay.site), &json!(false))
    );
    assert_eq!(opened["promised_at"], "2026-03-30T09:00:00Z", "an hour on Friday, three on Monday");

    step(&dealer.technician, &opened, "\"1\"", "arrived", "2026-03-30T06:00:00Z")
        .await
        .refused_for(422, &[("/step", "out_of_order")]);
    step(&dealer.technician, &opened, "\"1\"", "taken_up", "2026-03-27T13:00:00Z")
        .await
        .refused_for(422, &[("/at", "before_last_step")]);
    step(&dealer.technician, &opened, "\"1\"", "danced", "2026-03-27T15:00:00Z")
        .await
        .refused_for(422, &[("/step", "unknown_step")]);
    for (n, (name, at, progress)) in [
        ("taken_up", "2026-03-27T14:10:00Z", "taken_up"),
        ("arrived", "2026-03-30T08:30:00Z", "at_the_bay"),
        ("water_back", "2026-03-30T10:00:00Z", "washing_again"),
        ("settled", "2026-03-30T11:00:00Z", "settled"),
    ]
    .into_iter()
    .enumerate()
    {
        let taken = step(&dealer.technician, &opened, &format!("\"{}\"", n + 1), name, at).await;
        assert_eq!((taken.status(), &taken.json()["progress"]), (200, &json!(progress)), "{taken:?}");
    }
    step(&dealer.technician, &opened, "\"5\"", "settled", "2026-03-30T12:00:00Z")
        .await
        .refused_for(422, &[("/step", "out_of_order")]);
    step(&dealer.technician, &opened, "\"2\"", "settled", "2026-03-30T12:00:00Z").await.refused(412, "stale");

    let said = json!({ "chargeable": false, "cause": "missed_service", "internal_note": "Ours to pay" });
    let path = format!("{CALLS}/{}", id(&opened));
    let done = dealer.office.patch(&path, "\"5\"", &said).await.json();
    assert_eq!((&done["response"], &done["hours_without_treated_water"]), (&json!("kept"), &json!(68.0)));
    assert_eq!((&done["chargeable"], &done["cause"]), (&json!(false), &json!("missed_service")));
    assert_eq!(dealer.office.get(&path).await.json(), done);
    assert_eq!(items(&dealer.office, &format!("{CALLS}?open=true")).await, [Value::Null; 0]);

    // Within 30 days about the same unit; by the summary's sums.
    let again = dealer.office.create(CALLS, &call(bay.unit, "2026-04-20T08:00:00Z", "on_town_water")).await;
    assert_eq!(again["repeat"], true);
    let summary = |by: &str| format!("{CALLS}/summary?from=2026-03-01T00:00:00Z&to=2026-04-01T00:00:00Z&by={by}");
    let total = json!({ "id": bay.unit, "calls": 1, "repeats": 0, "kept": 1, "missed": 0, "chargeable": 0, "hours_lost": 68.0,
        "hours_on_town_water": 0.0 });
    assert_eq!(items(&dealer.office, &summary("unit")).await, [total]);
    assert_eq!(items(&dealer.office, &summary("customer")).await[0]["id"], json!(bay.customer));
    assert_eq!(items(&dealer.office, &summary("model")).await[0]["id"], Value::Null);
    dealer.office.get(&summary("colour")).await.refused_for(422, &[("/by", "unknown_by")]);
}

#[tokio::test]
async fn a_customers_person_opens_one_and_sees_its_progress() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let person = dealer.customer_viewer(bay.customer).await;
    let other = dealer.customer("Quarry Trucks").await;
    let stranger = dealer.customer_viewer(other).await;
    let before = Utc::now();
    let sent = json!({ "unit_id": bay.unit, "symptom": "It stinks", "bay": "on_town_water" });
    let opened = person.post_once(CALLS, "key-1", &sent).await;
    assert_eq!(opened.status(), 201, "{opened:?}");
    let opened = opened.json();
    assert_eq!(person.post_once(CALLS, "key-1", &sent).await.json()["id"], opened["id"]);
    let called_at: DateTime<Utc> = opened["called_at"].as_str().unwrap().parse().unwrap();
    assert!(called_at >= before - Duration::seconds(1), "now, when nothing is said");
    assert_eq!(opened["response"], "running");
    let path = format!("{CALLS}/{}", id(&opened));
    let now = Utc::now().to_rfc3339_opts(SecondsFormat::Micros, true);
    step(&person, &opened, "\"1\"", "taken_up", &now).await.refused(403, "not-allowed");
    step(&dealer.technician, &opened, "\"1\"", "taken_up", &now).await.json();
    let said = json!({ "cause": "wrong_use", "internal_note": "They never listen" });
    dealer.office.patch(&path, "\"2\"", &said).await.json();
    let seen = person.get(&path).await;
    assert_eq!(seen.json()["progress"], "taken_up");
    for hidden in ["They never listen", "wrong_use", "internal_note", "cause"] {
        assert!(!seen.text().contains(hidden), "{hidden} in {seen:?}");
    }
    person.patch(&path, "\"3\"", &json!({ "chargeable": false })).await.refused(403, "not-allowed");
    person
        .get(&format!("{CALLS}/summary?from=2026-01-01T00:00:00Z&to=2027-01-01T00:00:00Z&by=unit"))
        .await
        .refused(403, "not-allowed");
    stranger.get(&path).await.refused(404, "not-found");
    assert_eq!(items(&stranger, CALLS).await, [Value::Null; 0]);
    stranger.post(CALLS, &sent).await.refused_for(422, &[("/unit_id", "unknown_reference")]);
    let their_site = json!({ "site_id": bay.site, "symptom": "x", "bay": "stopped" });
    stranger.post(CALLS, &their_site).await.refused_for(422, &[("/site_id", "unknown_reference")]);
    app.dealer("Elsewhere").await.owner.get(&path).await.refused(404, "not-found");
}

#[tokio::test]
async fn a_call_is_about_something_that_was_there() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let elsewhere = dealer.site(bay.customer, "South yard").await;
    let mut wrong_site = call(bay.unit, "2026-03-27T14:00:00Z", "stopped");
    wrong_site["site_id"] = json!(elsewhere);
    for (sent, fault) in [
        (call(bay.unit, "2025-12-01T08:00:00Z", "stopped"), ("/called_at", "outside_placement")),
        (call(bay.unit, "2026-03-27T14:00:00Z", "dancing"), ("/bay", "unknown_bay")),
        (json!({ "symptom": "x", "bay": "stopped" }), ("/site_id", "required")),
        (json!({ "site_id": bay.site, "symptom": " ", "bay": "stopped" }), ("/symptom", "required")),
        (wrong_site, ("/site_id", "unit_elsewhere")),
    ] {
        dealer.office.post(CALLS, &sent).await.refused_for(422, &[fault]);
    }
    let site_alone = json!({ "site_id": elsewhere, "symptom": "No water", "bay": "stopped" });
    assert_eq!(dealer.office.create(CALLS, &site_alone).await["unit_id"], Value::Null);
}

/// The unit's next customer sees neither the call nor that there was one.
#[tokio::test]
async fn a_unit_that_moved_takes_no_calls_along() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = crate::measures::Bay::new(&dealer, "W-1").await;
    let next = dealer.customer("Quarry Trucks").await;
    let site = dealer.site(next, "South yard").await;
    dealer.place(bay.unit, site, "2026-07-01T00:00:00Z").await;
    let first = dealer.office.create(CALLS, &call(bay.unit, "2026-06-20T08:00:00Z", "stopped")).await;
    let second = dealer.office.create(CALLS, &call(bay.unit, "2026-07-05T08:00:00Z", "stopped")).await;
    assert_eq!(
        (&first["repeat"], &second["repeat"], &second["promised_at"]),
        (&json!(false), &json!(true), &Value::Null)
    );
    let person = dealer.customer_viewer(next).await;
    let seen = items(&person, CALLS).await;
    assert_eq!((seen.len(), &seen[0]["id"], &seen[0]["repeat"]), (1, &second["id"], &json!(false)));
    person.get(&format!("{CALLS}/{}", id(&first))).await.refused(404, "not-found");
}
