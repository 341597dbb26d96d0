//! `/v1/agreements` and `/v1/covers`.

use crate::call_outs::{CALLS, Customer, agreement};
use crate::conventions::items;
use crate::service_events::{EVENTS, event};
use crate::support::{TestApp, id, today_in_vienna};
use chrono::Duration;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use uuid::Uuid;

const AGREEMENTS: &str = "/v1/agreements";
const COVERS: &str = "/v1/covers";

#[tokio::test]
async fn what_was_used_stands_against_what_is_included() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let held = items(&dealer.office, &format!("{AGREEMENTS}?customer_id={}", bay.customer)).await.remove(0);
    let mut visit = event(bay.unit, "2026-03-02T08:00:00Z", "visit", &json!({}));
    visit["lines"] = json!([{ "kind": "consumable", "what": "coagulant", "quantity": "12.5", "unit": "l" },
        { "kind": "consumable", "what": "Coagulant", "quantity": "1", "unit": "kg" }]);
    let recorded = dealer.technician.create(EVENTS, &visit).await;
    visit["customer_note"] = json!("Set right");
    let correction = json!({ "reason": "x", "event": visit });
    dealer.technician.post_at_with(&format!("{EVENTS}/{}/correct", id(&recorded)), "\"1\"", &correction).await.json();
    let stopped = json!({ "unit_id": bay.unit, "called_at": "2026-03-03T08:00:00Z", "symptom": "x", "bay": "stopped" });
    dealer.office.create(CALLS, &stopped).await;
    let path = format!("{AGREEMENTS}/{}/used", id(&held));
    let used = dealer.office.get(&format!("{path}?on=2026-06-01")).await.json();
    assert_eq!(
        used,
        json!({ "from": "2026-01-01", "to": "2027-01-01", "price_per_month": { "amount": "123.60", "currency": "EUR" },
            "visits": { "used": 1, "included": 4 }, "call_outs": { "used": 1, "included": 2 },
            "consumables": [{ "what": "Coagulant", "unit": "l", "used": "12.5", "included": "40" }] }),
        "a corrected event counts once, and kilograms are no litres"
    );
    let next = dealer.office.get(&format!("{path}?on=2027-01-01")).await.json();
    assert_eq!((&next["from"], &next["visits"]["used"]), (&json!("2027-01-01"), &json!(0)));
    dealer.customer_viewer(bay.customer).await.get(&path).await.refused(403, "not-allowed");
}

#[tokio::test]
async fn an_agreement_is_changed_at_its_revision_and_belongs_to_its_customer() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let held = items(&dealer.office, AGREEMENTS).await.remove(0);
    let path = format!("{AGREEMENTS}/{}", id(&held));
    let person = dealer.customer_viewer(bay.customer).await;
    assert_eq!(person.get(&path).await.json(), held);
    person.patch(&path, "\"1\"", &json!({})).await.refused(403, "not-allowed");
    let other = dealer.customer("Quarry Trucks").await;
    dealer.customer_viewer(other).await.get(&path).await.refused(404, "not-found");
    app.dealer("Elsewhere").await.owner.get(&path).await.refused(404, "not-found");
    dealer.technician.get(&path).await.refused(403, "not-allowed");

    let raised = json!({ "prices": [{ "from": "2026-01-01", "per_month": "120.00" }, { "from": "2026-07-01", "per_month": "130" }] });
    let changed = dealer.office.patch(&path, "\"1\"", &raised).await;
    assert_eq!((changed.status(), changed.etag()), (200, "\"2\""), "{changed:?}");
    dealer.office.patch(&path, "\"1\"", &raised).await.refused(412, "stale");
    let theirs = dealer.site(other, "South yard").await;
    for (patch, fault) in [
        (json!({ "customer_id": other }), ("/customer_id", "fixed")),
        (json!({ "site_id": theirs }), ("/site_id", "other_customer")),
        (json!({ "unit_id": bay.unit }), ("/site_id", "required")),
        (json!({ "prices": [] }), ("/prices", "required")),
        (json!({ "currency": "euro" }), ("/currency", "wrong_type")),
        (json!({ "response": { "within_min": 0 } }), ("/response/within_min", "out_of_range")),
    ] {
        dealer.office.patch(&path, "\"2\"", &patch).await.refused_for(422, &[fault]);
    }
    dealer
        .office
        .post(AGREEMENTS, &agreement(Uuid::from_u128(7)))
        .await
        .refused_for(422, &[("/customer_id", "unknown_reference")]);
}

/// When an agreement ends, by when that has to be said, and for which of them that is near.
#[tokio::test]
async fn what_ends_or_goes_on_soon_is_told() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let held = items(&dealer.office, AGREEMENTS).await.remove(0);
    assert_eq!((&held["ends_on"], &held["notice_by"]), (&Value::Null, &Value::Null), "nobody ends it");
    let day = |ahead: i64| (today_in_vienna() + Duration::days(ahead)).to_string();
    let quarry = dealer.customer("Quarry Trucks").await;
    let mut renewed = agreement(quarry);
    renewed["to"] = json!(day(100));
    renewed["renewal"] = json!({ "months": 12, "notice_days": 90 });
    let renewed = dealer.office.create(AGREEMENTS, &renewed).await;
    assert_eq!((&renewed["ends_on"], &renewed["notice_by"]), (&json!(day(100)), &json!(day(10))));
    let mut fixed = agreement(dealer.customer("Mill Lane").await);
    fixed["to"] = json!(day(40));
    let fixed = dealer.office.create(AGREEMENTS, &fixed).await;
    assert_eq!((&fixed["ends_on"], &fixed["notice_by"]), (&json!(day(40)), &Value::Null));

    let near = async |query: &str| {
        let found = items(&dealer.office, &format!("{AGREEMENTS}?{query}")).await;
        found.iter().map(id).collect::<BTreeSet<Uuid>>()
    };
    let those = |of: &[&Value]| of.iter().map(|one| id(one)).collect::<BTreeSet<Uuid>>();
    assert_eq!(near("within_days=9").await, those(&[]));
    assert_eq!(near("within_days=10").await, those(&[&renewed]));
    assert_eq!(near("within_days=60").await, those(&[&renewed, &fixed]));
    assert_eq!(near(&format!("within_days=60&customer_id={quarry}")).await, those(&[&renewed]));
    // A page ends where it is full, though the list is looked through for what is near.
    let page = dealer.office.get(&format!("{AGREEMENTS}?within_days=60&limit=1")).await.json();
    let cursor = page["next_cursor"].as_str().unwrap();
    let next = dealer.office.get(&format!("{AGREEMENTS}?within_days=60&limit=1&cursor={cursor}")).await.json();
    assert_eq!((page["items"].as_array().unwrap().len(), &next["next_cursor"]), (1, &Value::Null), "{page} {next}");
    assert_ne!(page["items"][0]["id"], next["items"][0]["id"]);
    dealer
        .office
        .get(&format!("{AGREEMENTS}?within_days=4000"))
        .await
        .refused_for(422, &[("/within_days", "out_of_range")]);

    let today = dealer.office.get("/").await;
    for words in ["Agreements that end or renew", "Quarry Trucks", "unless notice is given by", "Mill Lane"] {
        assert!(today.text().contains(words), "{words} in {today:?}");
    }
    assert!(!dealer.technician.get("/").await.shown().contains("Agreements that end"), "the office's");
    let page = dealer.office.page(&format!("/customers/{quarry}")).await;
    assert!(page.text().contains("unless notice is given by"), "{page:?}");
    let page = dealer.technician.page(&format!("/customers/{quarry}")).await;
    assert!(!page.shown().contains("Agreements"), "{page:?}");
    // Whoever gave notice need not be reminded of it.
    let path = format!("{AGREEMENTS}/{}", id(&renewed));
    let given = dealer.office.patch(&path, "\"1\"", &json!({ "notice_on": day(0) })).await.json();
    assert_eq!((&given["ends_on"], &given["notice_by"]), (&json!(day(100)), &Value::Null));
    assert_eq!(near("within_days=60").await, those(&[&fixed]));
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!(
        items(&viewer, &format!("{AGREEMENTS}?within_days=60")).await,
        [Value::Null; 0],
        "others' are not theirs"
    );
}

/// The unit's own agreement goes before that of all its customer's units.
#[tokio::test]
async fn the_closest_agreement_promises() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let mut own = agreement(bay.customer);
    own["site_id"] = json!(bay.site);
    own["unit_id"] = json!(bay.unit);
    own["response"] = json!({ "within_min": 60 });
    dealer.office.create(AGREEMENTS, &own).await;
    let call = |about: Value| {
        let mut call = json!({ "called_at": "2026-03-27T16:00:00Z", "symptom": "x", "bay": "stopped" });
        call.as_object_mut().unwrap().extend(about.as_object().unwrap().clone());
        call
    };
    let of_unit = dealer.office.create(CALLS, &call(json!({ "unit_id": bay.unit }))).await;
    let of_site = dealer.office.create(CALLS, &call(json!({ "site_id": bay.site }))).await;
    assert_eq!(
        (&of_unit["promised_at"], &of_site["promised_at"]),
        (&json!("2026-03-27T17:00:00Z"), &json!("2026-03-30T10:00:00Z"))
    );
}

#[tokio::test]
async fn a_suppliers_cover_and_its_claims_are_the_dealers_alone() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let days = json!({ "from": "2026-01-01", "to": "2028-01-01" });
    let given = json!({ "unit_id": bay.unit, "given_by": "dealer", "parts": days, "exclusions": ["Frost"] });
    let given = dealer.office.create(COVERS, &given).await;
    let supplied = json!({ "unit_id": bay.unit, "given_by": "supplier", "parts": days });
    let supplied = dealer.office.create(COVERS, &supplied).await;
    let path = |cover: &Value| format!("{COVERS}/{}", id(cover));
    let claims = json!({ "claims": [{ "part": "Blower", "number": "7", "returned_on": "2026-06-01", "credited_on": "2026-07-01",
        "credit": { "amount": "180.00", "currency": "EUR" } }] });
    dealer.office.patch(&path(&given), "\"1\"", &claims).await.refused_for(422, &[("/claims", "not_taken")]);
    let claimed = dealer.office.patch(&path(&supplied), "\"1\"", &claims).await;
    assert_eq!((claimed.status(), claimed.json()["claims"].clone()), (200, claims["claims"].clone()), "{claimed:?}");
    let person = dealer.customer_viewer(bay.customer).await;
    let page = format!("/units/{}", bay.unit);
    let (ours, theirs) = (dealer.technician.get(&page).await.plain(), person.get(&page).await.plain());
    let customers = "The dealer\u{2019}s warranty: parts from 1 Jan 2026 up to 1 Jan 2028. It leaves out: Frost.";
    assert!(ours.contains(customers) && theirs.contains(customers), "{ours} {theirs}");
    assert!(
        ours.contains("Claimed: Blower, number 7, sent back 1 Jun 2026, 180.00 EUR credited 1 Jul 2026."),
        "{ours}"
    );
    assert!(!theirs.contains("supplier") && !theirs.contains("Claimed"), "the dealer's alone: {theirs}");
    assert_eq!(items(&person, COVERS).await, [given]);
    person.get(&path(&supplied)).await.refused(404, "not-found");
    assert_eq!(items(&dealer.technician, &format!("{COVERS}?unit_id={}", bay.unit)).await.len(), 2);
    let mixed = json!({ "unit_id": bay.unit, "given_by": "dealer", "parts": { "from": "2026-01-01", "months": 12 } });
    dealer.office.post(COVERS, &mixed).await.refused_for(422, &[("/parts", "days_or_months")]);
    let nothing = json!({ "unit_id": bay.unit, "given_by": "dealer" });
    dealer.office.post(COVERS, &nothing).await.refused_for(422, &[("/parts", "required")]);
    let unknown =
        json!({ "unit_id": bay.unit, "given_by": "dealer", "parts": days, "component_id": Uuid::from_u128(7) });
    dealer.office.post(COVERS, &unknown).await.refused_for(422, &[("/component_id", "unknown_reference")]);
}

/// What counts by months starts with the signed handover, and at the latest on the stated day.
#[tokio::test]
async fn a_cover_starts_with_the_handover() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let cover = async |given_by: &str, long_stop: Value| {
        let months = json!({ "unit_id": bay.unit, "given_by": given_by, "parts": { "months": 24 },
            "labour": { "months": 12 }, "travel": { "from": "2026-01-01", "to": "2026-03-01" }, "long_stop": long_stop });
        id(&dealer.office.create(COVERS, &months).await)
    };
    let (dealers, stopped) = (cover("dealer", Value::Null).await, cover("dealer", json!("2026-03-05")).await);
    let suppliers = cover("supplier", Value::Null).await;
    let read = async |id: Uuid| dealer.office.get(&format!("{COVERS}/{id}")).await.json();
    let before = read(dealers).await;
    assert_eq!((&before["starts_on"], &before["holds"]["parts"]), (&Value::Null, &Value::Null), "not handed over yet");
    assert_eq!(before["holds"]["travel"], json!({ "from": "2026-01-01", "to": "2026-03-01" }));
    let late = read(stopped).await;
    assert_eq!((&late["starts_on"], &late["holds"]["labour"]["to"]), (&json!("2026-03-05"), &json!("2027-03-05")));
    let handover = |signed: &str| {
        json!({ "unit_id": bay.unit, "at": "2026-03-02T08:00:00Z", "kind": "handover",
            "details": { "fallback_tried": true }, "signature": { "name": "The foreman", "at": signed } })
    };
    let events = "/v1/service-events";
    let handed = dealer.technician.create(events, &handover("2026-03-02T23:30:00Z")).await;
    let days = |from: &str, to: &str| json!({ "from": from, "to": to });
    for id in [dealers, stopped, suppliers] {
        let cover = read(id).await;
        assert_eq!(cover["starts_on"], json!("2026-03-03"), "by the clock of Vienna: {cover}");
        assert_eq!(cover["holds"]["parts"], days("2026-03-03", "2028-03-03"));
        assert_eq!(cover["holds"]["labour"], days("2026-03-03", "2027-03-03"));
    }
    let person = dealer.customer_viewer(bay.customer).await;
    let shown = items(&person, COVERS).await;
    assert_eq!((shown.len(), &shown[0]["starts_on"]), (2, &json!("2026-03-03")));
    // A corrected signature moves what counts from it, up to the stated day.
    let correction = json!({ "reason": "Signed later", "event": handover("2026-03-10T10:00:00Z") });
    let path = format!("{events}/{}/correct", id(&handed));
    assert_eq!(dealer.technician.post_at_with(&path, "\"1\"", &correction).await.status(), 200);
    assert_eq!(read(dealers).await["starts_on"], json!("2026-03-10"));
    assert_eq!(read(stopped).await["starts_on"], json!("2026-03-05"));
}
