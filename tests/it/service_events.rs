//! `/v1/service-events`, `/v1/failure-words`, `/v1/process-upsets` and what sites wash with.

use crate::conventions::items;
use crate::measures::Bay;
use crate::stock::Store;
use crate::support::{Dealer, TestApp, id};
use domain::service::details::Details;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use uuid::Uuid;

pub(crate) const EVENTS: &str = "/v1/service-events";

pub(crate) fn event(unit: Uuid, at: &str, kind: &str, details: &Value) -> Value {
    json!({ "unit_id": unit, "at": at, "kind": kind, "details": details })
}

fn clean_out(unit: Uuid, litres: f64) -> Value {
    let details = json!({ "hauler": "Valley Tankers", "ticket": "M-20417", "waste_class": "Oily water", "volume_l": litres,
        "destination": "Works", "refill_l": 3800.0, "keep_papers_years": 3 });
    let mut event = event(unit, "2026-03-02T08:00:00Z", "clean_out", &details);
    event["customer_note"] = json!("Pit cleaned");
    event["internal_note"] = json!("Pays late");
    event["lines"] = json!([
        { "kind": "labour", "what": "Ann", "quantity": "1.5", "unit": "h" },
        { "kind": "consumable", "what": "Coagulant", "quantity": "2", "unit": "l" }]);
    event["signature"] = json!({ "name": "The foreman", "at": "2026-03-02T09:00:00Z" });
    event
}

/// Good details of every kind but `clean_out`, which is [`clean_out`]'s.
fn other_kinds() -> Vec<(&'static str, Value)> {
    let setting = json!({ "setting": "stroke", "place": "Pump", "unit": "%", "found": 40.0, "left": 55.0 });
    vec![
        ("visit", json!({ "purpose": ["Quarterly"] })),
        (
            "calibration",
            json!({ "probe": "orp", "temperature_c": 25.0,
                "as_found": [{ "standard": 220.0, "shown": 231.0, "mv": null, "lot": "O-1", "expires_on": "2026-12-31" }] }),
        ),
        ("replacement", json!({ "part": "Blower", "why": "preventive" })),
        ("adjustment", json!({ "settings": [setting] })),
        ("inspection", json!({ "looked_at": [{ "what": "Floats", "found": "good", "note": "Dry" }] })),
        (
            "failure",
            json!({ "part": "Blower", "symptom": "bad_smell", "mode": "fails_to_start", "mechanism": "electrical_fault",
                "cause": "outside" }),
        ),
        (
            "handover",
            json!({ "readings": { "registers": [], "levels": [{ "place": "Pit", "volume_l": 900.0 }] },
                "first_samples": [{ "point": "Clean tank", "what": "ph", "value": 7.1, "unit": "ph" }],
                "guns": [{ "gun": "1", "litres": 20.0, "seconds": 80.0 }], "settings": [setting],
                "training": ["Both drivers: floats and bypass"], "fallback_tried": true, "warranty_long_stop": "2026-04-01" }),
        ),
    ]
}

#[tokio::test]
async fn every_kind_is_recorded_and_read_again() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let hauled = clean_out(bay.unit, 4000.0)["details"].clone();
    let kinds: Vec<_> = other_kinds().into_iter().chain([("clean_out", hauled)]).collect();
    // What serde makes of the domain's kinds names each of them.
    let unknown = serde_json::from_value::<Details>(json!({ "kind": "spill", "details": {} })).unwrap_err().to_string();
    let known: BTreeSet<&str> = unknown.split('`').skip(3).step_by(2).collect();
    assert_eq!(kinds.iter().map(|(kind, _)| *kind).collect::<BTreeSet<_>>(), known, "{unknown}");
    for (kind, details) in kinds {
        let sent = event(bay.unit, "2026-03-02T08:00:00Z", kind, &details);
        let first = dealer.technician.post_once(EVENTS, kind, &sent).await;
        assert_eq!((first.status(), first.etag()), (201, "\"1\""), "{first:?}");
        assert_eq!(dealer.technician.post_once(EVENTS, kind, &sent).await.json(), first.json());
        for (field, value) in details.as_object().unwrap() {
            assert_eq!(&first.json()["details"][field], value, "{field} of {kind}");
        }
        assert_eq!(dealer.office.get(&format!("{EVENTS}/{}", id(&first.json()))).await.json(), first.json());
        assert_eq!(items(&dealer.office, &format!("{EVENTS}?kind={kind}")).await, [first.json()]);
        let mut unknown = sent.clone();
        unknown["details"]["colour"] = json!("blue");
        let refused = dealer.technician.post(EVENTS, &unknown).await;
        assert_eq!((refused.status(), refused.text().contains("colour")), (422, true), "{refused:?}");
    }
    let words = dealer.technician.get("/v1/failure-words").await.json();
    let levels: Vec<_> = words["levels"].as_array().unwrap().iter().map(|level| level["level"].clone()).collect();
    assert_eq!(levels, ["symptom", "mode", "mechanism", "cause"]);
    let bounds = format!("{EVENTS}?unit_id={}&from=2026-03-02T08:00:01Z", bay.unit);
    assert_eq!(items(&dealer.office, &bounds).await, [Value::Null; 0]);
}

#[tokio::test]
async fn a_clean_out_is_seen_by_the_balance_and_corrected() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    app.forget_touched().await;
    let recorded = dealer.technician.create(EVENTS, &clean_out(bay.unit, 4000.0)).await;
    let water = |list: Vec<Value>| -> Vec<(String, f64)> {
        list.iter()
            .map(|note| (note["kind"].as_str().unwrap().to_owned(), note["volume_l"].as_f64().unwrap()))
            .collect()
    };
    let volumes = bay.of_unit("volume-events");
    let both = |litres| vec![("hauled".to_owned(), litres), ("refill".to_owned(), 3800.0)];
    assert_eq!(water(items(&dealer.office, &volumes).await), both(4000.0));
    assert_eq!(items(&dealer.office, &volumes).await[0]["load"]["ticket"], "M-20417");
    assert_eq!(app.touched().await.first().map(|row| row.0.clone()), Some(bay.meters()), "it is computed again");

    let path = format!("{EVENTS}/{}", id(&recorded));
    let correction = json!({ "reason": "Misread", "event": clean_out(bay.unit, 4400.0) });
    dealer.technician.post_at_with(&format!("{path}/correct"), "\"2\"", &correction).await.refused(412, "stale");
    let corrected = dealer.technician.post_at_with(&format!("{path}/correct"), "\"1\"", &correction).await;
    assert_eq!((corrected.status(), corrected.etag()), (200, "\"2\""), "{corrected:?}");
    assert_eq!(water(items(&dealer.office, &volumes).await), both(4400.0));
    assert_eq!(
        items(&dealer.office, &format!("{volumes}?withdrawn=true")).await.len(),
        4,
        "what was wrong stays readable"
    );
    let revisions = items(&dealer.office, &format!("{path}/revisions")).await;
    assert_eq!(
        revisions.iter().map(|one| (one["revision"].clone(), one["correction_reason"].clone())).collect::<Vec<_>>(),
        [(json!(1), Value::Null), (json!(2), json!("Misread"))]
    );
    assert_eq!(revisions[0]["details"]["volume_l"], 4000.0);
    assert_eq!(items(&dealer.office, EVENTS).await, [corrected.json()], "the last one counts");
    // A note alone leaves the water as it is.
    let mut again = clean_out(bay.unit, 4400.0);
    again["customer_note"] = json!("Pit and tank cleaned");
    let noted = json!({ "reason": "Tank too", "event": again });
    dealer.technician.post_at_with(&format!("{path}/correct"), "\"2\"", &noted).await.json();
    assert_eq!(items(&dealer.office, &format!("{volumes}?withdrawn=true")).await.len(), 4);
}

#[tokio::test]
async fn what_can_not_be_is_refused() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let visit = |at: &str| event(bay.unit, at, "visit", &json!({}));
    for (sent, faults) in [
        (visit("2025-12-31T23:59:59Z"), [("/at", "outside_placement")]),
        (visit("2026-07-01T00:00:00Z"), [("/at", "outside_placement")]),
        (visit("2099-01-01T00:00:00Z"), [("/at", "future")]),
        (event(Uuid::from_u128(7), "2026-03-02T08:00:00Z", "visit", &json!({})), [("/unit_id", "unknown_reference")]),
        (event(bay.unit, "2026-03-02T08:00:00Z", "spill", &json!({})), [("/kind", "unknown_kind")]),
        (
            event(bay.unit, "2026-03-02T08:00:00Z", "adjustment", &json!({ "settings": [] })),
            [("/details/settings", "required")],
        ),
        (
            event(bay.unit, "2026-03-02T08:00:00Z", "failure", &json!({ "part": "Blower", "symptom": "sad" })),
            [("/details/symptom", "wrong_type")],
        ),
    ] {
        dealer.technician.post(EVENTS, &sent).await.refused_for(422, &faults);
    }
    assert_eq!(items(&dealer.office, EVENTS).await, [Value::Null; 0], "nothing half-done");
    let recorded = dealer.technician.create(EVENTS, &visit("2026-03-02T08:00:00Z")).await;
    let correct = format!("{EVENTS}/{}/correct", id(&recorded));
    let other = dealer.unit("W-2").await;
    dealer.place(other, bay.site, "2026-01-01T00:00:00Z").await;
    let moved = json!({ "reason": "x", "event": event(other, "2026-03-02T08:00:00Z", "visit", &json!({})) });
    dealer.technician.post_at_with(&correct, "\"1\"", &moved).await.refused_for(422, &[("/unit_id", "fixed")]);
    let silent = json!({ "reason": " ", "event": visit("2026-03-02T08:00:00Z") });
    dealer.technician.post_at_with(&correct, "\"1\"", &silent).await.refused_for(422, &[("/reason", "required")]);
}

/// Two customers, and a unit that went from the first to the second on 1 July 2026.
async fn moved_unit(dealer: &Dealer) -> (Bay, Uuid) {
    let bay = Bay::new(dealer, "W-1").await;
    let next = dealer.customer("Quarry Trucks").await;
    let site = dealer.site(next, "South yard").await;
    dealer.place(bay.unit, site, "2026-07-01T00:00:00Z").await;
    (bay, next)
}

#[tokio::test]
async fn a_customer_sees_its_own_time_without_notes_and_lines() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (bay, next) = moved_unit(&dealer).await;
    let before = dealer.technician.create(EVENTS, &clean_out(bay.unit, 4000.0)).await;
    let after = dealer.technician.create(EVENTS, &event(bay.unit, "2026-07-02T08:00:00Z", "visit", &json!({}))).await;
    let (first, second) = (dealer.customer_viewer(bay.customer).await, dealer.customer_viewer(next).await);
    for (person, own, foreign) in [(&first, &before, &after), (&second, &after, &before)] {
        let listed = items(person, EVENTS).await;
        assert_eq!(listed.iter().map(id).collect::<Vec<_>>(), [id(own)]);
        person.get(&format!("{EVENTS}/{}", id(foreign))).await.refused(404, "not-found");
        person.get(&format!("{EVENTS}/{}/revisions", id(foreign))).await.refused(404, "not-found");
        person.post(EVENTS, &clean_out(bay.unit, 1.0)).await.refused(403, "not-allowed");
    }
    let seen = first.get(&format!("{EVENTS}/{}", id(&before))).await;
    assert_eq!(seen.json()["customer_note"], "Pit cleaned");
    for hidden in ["Pays late", "Ann", "Coagulant", "internal_note", "lines"] {
        assert!(!seen.text().contains(hidden), "{hidden} in {seen:?}");
        assert!(dealer.office.get(&format!("{EVENTS}/{}", id(&before))).await.text().contains(hidden), "{hidden}");
    }
    let foreign = app.dealer("Elsewhere").await;
    foreign.owner.get(&format!("{EVENTS}/{}", id(&before))).await.refused(404, "not-found");
    foreign.owner.post(EVENTS, &clean_out(bay.unit, 1.0)).await.refused_for(422, &[("/unit_id", "unknown_reference")]);
    // A correction does not carry an event over to another customer.
    let over = json!({ "reason": "x", "event": event(bay.unit, "2026-07-03T08:00:00Z", "visit", &json!({})) });
    let correct = format!("{EVENTS}/{}/correct", id(&before));
    dealer.technician.post_at_with(&correct, "\"1\"", &over).await.refused_for(422, &[("/at", "other_customer")]);
}

#[tokio::test]
async fn an_upset_begins_ends_and_belongs_to_its_customer() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (bay, next) = moved_unit(&dealer).await;
    let path = "/v1/process-upsets";
    let upset =
        json!({ "unit_id": bay.unit, "kind": "septic", "began_at": "2026-03-02T06:00:00Z", "found": "Blower stands" });
    let begun = dealer.technician.post_once(path, "key-1", &upset).await;
    assert_eq!((begun.status(), begun.etag()), (201, "\"1\""), "{begun:?}");
    assert_eq!(dealer.technician.post_once(path, "key-1", &upset).await.json(), begun.json());
    let own = format!("{path}/{}", id(&begun.json()));
    let early = json!({ "ended_at": "2026-03-02T05:00:00Z" });
    dealer.technician.patch(&own, "\"1\"", &early).await.refused_for(422, &[("/ended_at", "not_after_began")]);
    let ended = dealer
        .technician
        .patch(&own, "\"1\"", &json!({ "ended_at": "2026-03-05T06:00:00Z", "done": "New blower" }))
        .await;
    assert_eq!((ended.etag(), ended.json()["done"].clone()), ("\"2\"", json!("New blower")), "{ended:?}");
    let until = json!("2026-03-05T06:00:00Z");
    assert_eq!(ended.json()["ended_at"], until, "its own end: {ended:?}");
    assert_eq!(ended.text().matches("\"ended_at\"").count(), 1, "said once: {ended:?}");
    dealer.technician.patch(&own, "\"1\"", &json!({ "done": "x" })).await.refused(412, "stale");
    assert_eq!(items(&dealer.office, &format!("{path}?unit_id={}", bay.unit)).await, [ended.json()]);
    assert_eq!(items(&dealer.customer_viewer(bay.customer).await, path).await, [ended.json()]);
    assert_eq!(items(&dealer.customer_viewer(next).await, path).await, [Value::Null; 0]);
    let outside = json!({ "unit_id": bay.unit, "kind": "foam", "began_at": "2025-12-01T06:00:00Z" });
    dealer.technician.post(path, &outside).await.refused_for(422, &[("/began_at", "outside_placement")]);
    let unknown = json!({ "unit_id": bay.unit, "kind": "sad", "began_at": "2026-03-01T06:00:00Z" });
    dealer.technician.post(path, &unknown).await.refused_for(422, &[("/kind", "wrong_type")]);
}

#[tokio::test]
async fn a_products_standing_changes_from_a_day_on() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let path = bay.of_site("wash-chemicals");
    let product = |from: &str, standing: &str| json!({ "from": from, "product": "Truck foam", "standing": standing });
    dealer.technician.create(&path, &product("2026-03-01", "untested")).await;
    let refused = dealer.technician.create(&path, &product("2026-04-01", "not_accepted")).await;
    let held: Vec<_> = items(&dealer.customer_viewer(bay.customer).await, &path)
        .await
        .iter()
        .map(|row| (row["standing"].clone(), row["from"].clone(), row["to"].clone()))
        .collect();
    assert_eq!(
        held,
        [
            (json!("untested"), json!("2026-03-01"), json!("2026-04-01")),
            (json!("not_accepted"), json!("2026-04-01"), Value::Null)
        ]
    );
    let overlapping = dealer.technician.post(&path, &product("2026-02-01", "accepted")).await;
    overlapping.refused_for(409, &[("/from", "chemical_overlaps")]);
    let ended = dealer.technician.post(&format!("{path}/{}/end", id(&refused)), &json!({ "to": "2026-05-01" })).await;
    assert_eq!(ended.json()["to"], "2026-05-01");
}

/// Goods from a place leave stock with the event, or the event is not there.
#[tokio::test]
async fn lines_take_from_stock_or_nothing_is_recorded() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let store = Store::new(&dealer).await;
    store.receive(&dealer, "2026-03-01T08:00:00Z", "5").await;
    let with = |lines: Value| {
        let mut sent = event(bay.unit, "2026-03-02T08:00:00Z", "visit", &json!({}));
        sent["lines"] = lines;
        sent
    };
    let goods = |quantity: &str, unit: &str, item: Uuid, place: Uuid| {
        json!({ "kind": "consumable", "what": "Coagulant", "item_id": item, "quantity": quantity, "unit": unit,
            "from_place_id": place, "payer": "included" })
    };
    let good = |quantity: &str| goods(quantity, "l", store.item, store.warehouse);
    let nobody = Uuid::from_u128(7);
    for (line, fault) in [
        (good("6"), ("/lines/1/quantity", "overdrawn")),
        (good("0"), ("/lines/1/quantity", "not_positive")),
        (goods("1", "kg", store.item, store.warehouse), ("/lines/1/unit", "wrong_unit")),
        (goods("1", "l", nobody, store.warehouse), ("/lines/1/item_id", "unknown_reference")),
        (goods("1", "l", store.item, nobody), ("/lines/1/from_place_id", "unknown_reference")),
    ] {
        let sent = with(json!([good("1"), line]));
        dealer.technician.post(EVENTS, &sent).await.refused_for(422, &[fault]);
    }
    let foreign = Store::new(&app.dealer("Elsewhere").await).await;
    let theirs = with(json!([goods("1", "l", foreign.item, foreign.warehouse)]));
    dealer.technician.post(EVENTS, &theirs).await.refused_for(422, &[("/lines/0/item_id", "unknown_reference")]);
    assert_eq!(items(&dealer.office, EVENTS).await, [Value::Null; 0]);
    assert_eq!(items(&dealer.office, "/v1/stock-movements").await.len(), 1, "nothing half-done");

    let stock = format!("/v1/stock?item_id={}", store.item);
    let there = async || items(&dealer.office, &stock).await.first().map(|row| row["quantity"].clone());
    let recorded = dealer.technician.create(EVENTS, &with(json!([good("1"), good("3")]))).await;
    assert_eq!((there().await, &recorded["lines"][1]["payer"]), (Some(json!("1")), &json!("included")));
    // What the event took may be taken by its correction, and no more than that.
    let path = format!("{EVENTS}/{}/correct", id(&recorded));
    let correct = async |revision: u32, lines: Value| {
        let correction = json!({ "reason": "Misread", "event": with(lines) });
        dealer.technician.post_at_with(&path, &format!("\"{revision}\""), &correction).await
    };
    correct(1, json!([good("5.5")])).await.refused_for(422, &[("/lines/0/quantity", "overdrawn")]);
    assert_eq!(there().await, Some(json!("1")));
    let mut more = good("7");
    more["overdraw_reason"] = json!("The drum was never booked in");
    for (revision, lines, left) in [(1, json!([good("4.5")]), "0.5"), (2, json!([more]), "-2"), (3, json!([]), "5")] {
        let corrected = correct(revision, lines).await;
        assert_eq!((corrected.status(), there().await), (200, Some(json!(left))), "{corrected:?}");
    }
}

#[tokio::test]
async fn a_replacement_takes_out_the_part_it_names() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let other = dealer.unit("W-2").await;
    let part = async |unit: Uuid| {
        let part = json!({ "unit_id": unit, "kind": "blower", "duty": "continuous", "run_basis": "hours",
            "age_at_fitting": 0.0, "fitted_at": "2026-02-01T00:00:00Z" });
        dealer.office.create("/v1/components", &part).await
    };
    let (old, elsewhere) = (part(bay.unit).await, part(other).await);
    let replaced = |out: &Value, at: &str| {
        event(bay.unit, at, "replacement", &json!({ "part": "Blower", "why": "failed", "out_component_id": id(out) }))
    };
    let at = "2026-03-02T08:00:00Z";
    let wrong = dealer.technician.post(EVENTS, &replaced(&elsewhere, at)).await;
    wrong.refused_for(422, &[("/details/out_component_id", "unknown_reference")]);
    let before = dealer.technician.post(EVENTS, &replaced(&old, "2026-01-15T00:00:00Z")).await;
    assert_eq!(before.status(), 422, "before it was fitted: {before:?}");
    let recorded = dealer.technician.create(EVENTS, &replaced(&old, at)).await;
    let component = async |id: Uuid| dealer.office.get(&format!("/v1/components/{id}")).await.json();
    let out = component(id(&old)).await;
    assert_eq!((&out["out_at"], &out["out_why"]), (&json!(at), &json!("failed")));
    let fitted = component(recorded["details"]["in_component_id"].as_str().unwrap().parse().unwrap()).await;
    assert_eq!(
        (&fitted["kind"], &fitted["fitted_at"], &fitted["out_at"]),
        (&json!("blower"), &json!(at), &Value::Null)
    );
    // Of a part that is out already the work alone is told, where its record says the same.
    let again = dealer.technician.create(EVENTS, &replaced(&old, at)).await;
    assert_eq!(again["details"]["in_component_id"], Value::Null);
    let before = items(&dealer.office, EVENTS).await.len();
    let later = dealer.technician.post(EVENTS, &replaced(&old, "2026-03-03T08:00:00Z")).await;
    later.refused_for(409, &[("", "out_already")]);
    let mut otherwise = replaced(&old, at);
    otherwise["details"]["why"] = json!("preventive");
    dealer.technician.post(EVENTS, &otherwise).await.refused_for(409, &[("", "out_already")]);
    otherwise["details"]["in_component_id"] = json!(id(&fitted));
    dealer.technician.post(EVENTS, &otherwise).await.refused_for(409, &[("", "out_already")]);
    let parts = items(&dealer.office, &format!("/v1/components?unit_id={}", bay.unit)).await;
    assert_eq!((items(&dealer.office, EVENTS).await.len(), parts.len()), (before, 2), "nothing half-done");
    // One that was fitted already takes the place of another.
    let next = part(bay.unit).await;
    let mut named = replaced(&fitted, "2026-03-05T08:00:00Z");
    named["details"]["in_component_id"] = json!(id(&next));
    dealer.technician.create(EVENTS, &named).await;
    assert_eq!(component(id(&fitted)).await["out_at"], "2026-03-05T08:00:00Z");
    assert_eq!(component(id(&next)).await["out_at"], Value::Null);
}

/// What a handover measured counts as if it had been noted down by itself.
#[tokio::test]
async fn a_handover_brings_samples_and_flow_tests() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let handover = |ph: f64, litres: f64| {
        let details = json!({ "fallback_tried": true, "warranty_long_stop": "2026-04-01",
            "first_samples": [{ "point": "Clean tank", "what": "ph", "value": ph, "unit": "ph" },
                { "point": "Clean tank", "what": "turbidity", "qualifier": "<", "value": 5.0, "unit": "ntu" }],
            "guns": [{ "gun": "1", "litres": litres, "seconds": 80.0, "u_share": 0.02 }] });
        let mut sent = event(bay.unit, "2026-03-01T23:30:00Z", "handover", &details);
        sent["signature"] = json!({ "name": "The foreman", "at": "2026-03-01T23:40:00Z" });
        sent
    };
    let wrong = dealer.technician.post(EVENTS, &handover(15.0, 0.0)).await;
    wrong.refused_for(
        422,
        &[("/details/first_samples/0/value", "out_of_range"), ("/details/guns/0/litres", "out_of_range")],
    );
    app.forget_touched().await;
    let recorded = dealer.technician.create(EVENTS, &handover(7.1, 20.0)).await;
    assert_eq!(recorded["warranty_starts_on"], "2026-03-02", "by the clock of Vienna");
    let kinds = |event: &Value| {
        let all = event["brought_about"].as_array().unwrap();
        all.iter().map(|one| one["record"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(kinds(&recorded), ["sample", "sample", "flow_test"]);
    let samples = async || {
        let all = items(&dealer.office, &bay.of_unit("samples")).await;
        all.iter().map(|one| (one["value"].clone(), one["qualifier"].clone())).collect::<Vec<_>>()
    };
    assert_eq!(samples().await, [(json!(7.1), Value::Null), (json!(5.0), json!("<"))]);
    let tests = items(&dealer.office, &bay.of_site("flow-tests")).await;
    assert_eq!((&tests[0]["day"], &tests[0]["litres"]), (&json!("2026-03-02"), &json!(20.0)), "{tests:?}");
    assert!(!app.touched().await.is_empty(), "derived wash volume is computed again");

    let correct = format!("{EVENTS}/{}/correct", id(&recorded));
    let correction = json!({ "reason": "Misread", "event": handover(7.3, 22.0) });
    let corrected = dealer.technician.post_at_with(&correct, "\"1\"", &correction).await;
    assert_eq!(kinds(&corrected.json()).len(), 6, "those of the first revision stay readable: {corrected:?}");
    assert_eq!(samples().await[0].0, 7.3);
    let litres: Vec<_> =
        items(&dealer.office, &bay.of_site("flow-tests")).await.iter().map(|one| one["litres"].clone()).collect();
    assert_eq!(litres, [json!(22.0)]);
}

/// One record of a calibration, whichever way it came; one that fails ends a probe's life.
#[tokio::test]
async fn a_calibration_is_one_record_and_a_failed_one_ends_a_life() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let probe = json!({ "unit_id": bay.unit, "kind": "ph_probe", "duty": "continuous", "run_basis": "days",
        "rated_life": 400.0, "fitted_at": "2026-01-02T00:00:00Z" });
    let probe = id(&dealer.office.create("/v1/components", &probe).await);
    let calibrated = |at: &str, error: f64| {
        let mut details = crate::calibrations::ph(at, error);
        details.as_object_mut().unwrap().remove("at");
        details["component_id"] = json!(probe);
        event(bay.unit, at, "calibration", &details)
    };
    let failed_at =
        async || dealer.office.get(&format!("/v1/components/{probe}")).await.json()["failed_calibration_at"].clone();
    dealer.technician.create(EVENTS, &calibrated("2026-02-02T08:00:00Z", 0.0)).await;
    assert_eq!(failed_at().await, Value::Null);
    let early = dealer.technician.post(EVENTS, &calibrated("2026-01-01T08:00:00Z", 0.0)).await;
    early.refused_for(422, &[("/details/component_id", "not_fitted")]);
    let failed = dealer.technician.create(EVENTS, &calibrated("2026-03-02T08:00:00Z", 0.6)).await;
    assert_eq!(failed["brought_about"][0]["record"], "calibration");
    assert_eq!(failed_at().await, "2026-03-02T08:00:00Z");
    let kept = items(&dealer.office, &bay.of_unit("calibrations")).await;
    assert_eq!((kept.len(), &kept[1]["found"]["good"]), (2, &json!(false)));
    let page = dealer.office.get(&format!("/units/{}", bay.unit)).await;
    assert!(page.text().contains("failed its calibration on"), "{page:?}");
    // It runs no more as far as forecasts go, and its failure is one of its kind.
    app.night(dealer.id, chrono::Utc::now()).await;
    let superuser = app.superuser().await;
    let forecast = superuser.query("select 1 from forecast where component_id = $1", &[&probe]).await.unwrap();
    let failures = superuser.query("select failures from life_model where kind = 'ph_probe'", &[]).await.unwrap();
    assert_eq!((forecast.len(), failures[0].get::<_, i32>(0)), (0, 1));

    // It passed after all: the later good one says that it was not beyond use.
    dealer.technician.create(EVENTS, &calibrated("2026-03-03T08:00:00Z", 0.0)).await;
    assert_eq!(failed_at().await, Value::Null);
    let correction = json!({ "reason": "Misread", "event": calibrated("2026-03-02T08:00:00Z", 0.05) });
    let correct = format!("{EVENTS}/{}/correct", id(&failed));
    assert_eq!(dealer.technician.post_at_with(&correct, "\"1\"", &correction).await.status(), 200);
    let good = items(&dealer.office, &bay.of_unit("calibrations")).await;
    assert!(good.len() == 3 && good.iter().all(|one| one["found"]["good"] == true), "{good:?}");
}

/// A part that was looked at and found in good order was last seen so then.
#[tokio::test]
async fn a_part_is_seen_in_good_order_by_a_look_at_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let (pump, elsewhere) = (dealer.pump(bay.unit).await, dealer.pump(dealer.unit("W-2").await).await);
    let looked = |at: &str, kind: &str, part: Uuid, found: &str| {
        event(bay.unit, at, kind, &json!({ "looked_at": [{ "what": "Pump", "component_id": part, "found": found }] }))
    };
    let last_good = async || dealer.office.get(&format!("/v1/components/{pump}")).await.json()["last_good_at"].clone();
    let foreign = dealer.technician.post(EVENTS, &looked("2026-03-02T08:00:00Z", "visit", elsewhere, "good")).await;
    foreign.refused_for(422, &[("/details/looked_at/0/component_id", "unknown_reference")]);
    assert_eq!(last_good().await, Value::Null);
    dealer.technician.create(EVENTS, &looked("2026-03-02T08:00:00Z", "visit", pump, "good")).await;
    assert_eq!(last_good().await, "2026-03-02T08:00:00Z");
    let second = dealer.technician.create(EVENTS, &looked("2026-04-02T08:00:00Z", "inspection", pump, "good")).await;
    assert_eq!(last_good().await, "2026-04-02T08:00:00Z");
    dealer.technician.create(EVENTS, &looked("2026-03-20T08:00:00Z", "inspection", pump, "good")).await;
    dealer.technician.create(EVENTS, &looked("2026-05-02T08:00:00Z", "inspection", pump, "watch")).await;
    assert_eq!(last_good().await, "2026-04-02T08:00:00Z", "neither an earlier look nor one to be watched");
    let correct = format!("{EVENTS}/{}/correct", id(&second));
    let correction =
        json!({ "reason": "Another pump", "event": looked("2026-04-02T08:00:00Z", "inspection", pump, "bad") });
    assert_eq!(dealer.technician.post_at_with(&correct, "\"1\"", &correction).await.status(), 200);
    assert_eq!(last_good().await, "2026-03-20T08:00:00Z", "what only that look said is taken back");
    let replaced = json!({ "part": "Pump", "why": "failed", "out_component_id": pump });
    dealer.technician.create(EVENTS, &event(bay.unit, "2026-05-03T08:00:00Z", "replacement", &replaced)).await;
    let after = dealer.technician.post(EVENTS, &looked("2026-05-04T08:00:00Z", "inspection", pump, "good")).await;
    after.refused_for(422, &[("/details/looked_at/0/component_id", "not_fitted")]);
}

/// What was measured in the course of work is the unit's, of that instant, until it is corrected.
#[tokio::test]
async fn what_was_measured_belongs_to_its_event() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let visit = |turbidity: f64, kpa: f64| {
        let mut visit = event(bay.unit, "2026-03-02T08:00:00Z", "visit", &json!({}));
        visit["samples"] = json!([{ "point": "Clean tank", "what": "turbidity", "qualifier": "<", "value": turbidity, "unit": "ntu" },
            { "point": "Clean tank", "what": "odour", "value": 1.0, "unit": "scale" }]);
        visit["gauge_readings"] =
            json!([{ "gauge": "pressure", "qualifier": ">", "value": kpa, "unit": "kpa", "place": "before media" }]);
        visit
    };
    let wrong = dealer.technician.post(EVENTS, &visit(-1.0, -1.0)).await;
    wrong.refused_for(422, &[("/samples/0/value", "out_of_range"), ("/gauge_readings/0/value", "out_of_range")]);
    let noted = async |kind: &str| items(&dealer.office, &bay.of_unit(kind)).await;
    assert_eq!((noted("samples").await.len(), noted("gauge-readings").await.len()), (0, 0), "nothing half-done");
    let recorded = dealer.technician.create(EVENTS, &visit(5.0, 600.0)).await;
    assert_eq!(recorded["samples"], visit(5.0, 600.0)["samples"]);
    let brought = recorded["brought_about"].as_array().unwrap();
    let ids = |record: &str| {
        let its = brought.iter().filter(|one| one["record"] == record);
        its.map(|one| one["id"].clone()).map(|id| id.to_string()).collect::<BTreeSet<_>>()
    };
    let (samples, gauges) = (noted("samples").await, noted("gauge-readings").await);
    assert_eq!(ids("sample"), samples.iter().map(|one| one["id"].to_string()).collect());
    assert_eq!(ids("gauge_reading"), gauges.iter().map(|one| one["id"].to_string()).collect());
    assert_eq!((&gauges[0]["qualifier"], &gauges[0]["value"]), (&json!(">"), &json!(600.0)));
    assert_eq!((&samples[0]["qualifier"], &samples[0]["at"]), (&json!("<"), &recorded["at"]));
    let correct = format!("{EVENTS}/{}/correct", id(&recorded));
    let correction = json!({ "reason": "Misread", "event": visit(8.0, 500.0) });
    assert_eq!(dealer.technician.post_at_with(&correct, "\"1\"", &correction).await.status(), 200);
    assert_eq!((noted("samples").await.len(), noted("gauge-readings").await.len()), (2, 1), "the old are withdrawn");
    assert_eq!(noted("samples").await[0]["value"], 8.0);
}

/// A photo or document stands behind the event; a customer sees what is shown to it.
#[tokio::test]
async fn files_stand_behind_an_event() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let recorded = dealer.technician.create(EVENTS, &clean_out(bay.unit, 4000.0)).await;
    let (path, behind) = (
        format!("{EVENTS}/{}/files", id(&recorded)),
        format!("/v1/files?record=service_event&record_id={}", id(&recorded)),
    );
    let shown = crate::files::sent(&dealer.technician, b"\xff\xd8\xff\xe0 the pit").await;
    let hidden = crate::files::sent(&dealer.technician, b"%PDF-1.7 the ticket").await;
    let attach = async |sha256: &str, shown: bool| {
        dealer.technician.post(&path, &json!({ "sha256": sha256, "shown_to_customer": shown })).await
    };
    assert_eq!((attach(&shown, true).await.status(), attach(&hidden, false).await.status()), (204, 204));
    attach("0a", true).await.refused_for(422, &[("/sha256", "not_a_sha256")]);
    attach(&"0a".repeat(32), true).await.refused_for(422, &[("/sha256", "unknown_reference")]);
    let hashes = async |client: &crate::support::Client| {
        items(client, &behind).await.iter().map(|file| file["sha256"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(hashes(&dealer.office).await, [hidden.clone(), shown.clone()]);
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!(hashes(&viewer).await, [shown]);
    viewer.get(&format!("/v1/files/{hidden}")).await.refused(404, "not-found");
    let foreign = app.dealer("Elsewhere").await.owner;
    foreign.post(&path, &json!({ "sha256": hidden })).await.refused(404, "not-found");
}
