//! Goods that are kept for planned visits, on the routes and on the form of a visit.

use crate::call_outs::Customer;
use crate::conventions::items;
use crate::service_events::{EVENTS, event};
use crate::stock::Store;
use crate::support::{Dealer, TestApp, id};
use crate::visits::VISITS;
use serde_json::{Value, json};
use uuid::Uuid;

/// A unit of a model whose work takes two litres along, with ten in the warehouse.
struct Work {
    bay: Customer,
    store: Store,
    routine: Uuid,
}

impl Work {
    async fn new(dealer: &Dealer) -> Self {
        let (bay, store) = (Customer::new(dealer, "W-1").await, Store::new(dealer).await);
        store.receive(dealer, "2026-03-01T08:00:00Z", "10").await;
        let model = json!({ "name": "Loop", "rated_flow_l_per_h": 2000.0, "working_volume_l": 3500.0, "float_band_l": 300.0,
            "routines": [{ "name": "Clean the injector", "every": { "days": 90 } }],
            "kits": [{ "task": "Clean the injector", "item": "Coagulant", "quantity": "2", "unit": "l",
                "substitutes": ["Clearflow", "Flocculant 12 %"], "item_id": store.item }] });
        let model = id(&dealer.office.create("/v1/unit-models", &model).await);
        let unit = json!({ "serial_number": "W-2", "label": "W-2", "model_id": model });
        let unit = id(&dealer.office.create("/v1/units", &unit).await);
        dealer.place(unit, bay.site, "2026-01-01T00:00:00Z").await;
        let routine = id(&items(&dealer.office, &format!("/v1/routines?unit_id={unit}")).await[0]);
        Self { bay: Customer { unit, ..bay }, store, routine }
    }

    fn visit(&self, day: &str, more: Value) -> Value {
        let mut sent = json!({ "site_id": self.bay.site, "unit_id": self.bay.unit, "day": day, "purpose": ["Service"],
            "routine_ids": [self.routine], "reserve_at": self.store.warehouse });
        sent.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        sent
    }

    async fn kept(&self, dealer: &Dealer) -> Vec<Value> {
        items(&dealer.office, "/v1/stock-reservations?closed=true").await
    }
}

#[tokio::test]
async fn goods_are_kept_move_with_their_visit_and_go_back_when_unused() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let work = Work::new(&dealer).await;
    let planned = dealer.office.create(VISITS, &work.visit("2026-03-30", json!({ "van_id": work.store.van }))).await;
    let kept = work.kept(&dealer).await;
    assert_eq!(planned["reservation_ids"], json!([kept[0]["id"]]));
    assert_eq!((&kept[0]["visit_id"], &kept[0]["planned_on"]), (&planned["id"], &json!("2026-03-30")));
    assert_eq!(kept[0]["lines"], json!([{ "item_id": work.store.item, "quantity": "2" }]));
    let load = dealer.technician.get(&format!("/v1/places/{}/load?date=2026-03-30", work.store.van)).await;
    assert!(load.text().contains("Coagulant"), "the van takes it along: {load:?}");

    let path = format!("{VISITS}/{}", id(&planned));
    let moved = json!({ "day": "2026-04-02", "reason": "Snow" });
    dealer.office.post_at_with(&format!("{path}/move"), "\"1\"", &moved).await.json();
    assert_eq!(work.kept(&dealer).await[0]["planned_on"], "2026-04-02");
    let line = json!([{ "kind": "consumable", "what": "Coagulant", "item_id": work.store.item, "quantity": "0.5",
        "unit": "l", "payer": "included", "from_place_id": work.store.warehouse }]);
    let mut done = event(work.bay.unit, "2026-04-02T08:00:00Z", "visit", &json!({}));
    done["lines"] = line;
    let done = id(&dealer.technician.create(EVENTS, &done).await);
    dealer.technician.post_at_with(&format!("{path}/done"), "\"2\"", &json!({ "event_id": done })).await.json();
    let closed = &work.kept(&dealer).await[0];
    assert!(!closed["ended_at"].is_null(), "{closed}");
    let quantity = |list: &str| closed[list][0]["quantity"].clone();
    assert_eq!((quantity("used"), quantity("unused")), (json!("0.5"), json!("1.5")));
    assert_eq!(items(&dealer.office, "/v1/stock-movements").await.len(), 2, "taken once, by the event");

    let other = dealer.office.create(VISITS, &work.visit("2026-05-04", json!({}))).await;
    dealer.office.post_at(&format!("{VISITS}/{}/call-off", id(&other)), "\"1\"").await.json();
    assert_eq!(work.kept(&dealer).await[1]["unused"][0]["quantity"], "2");

    let nobody = Uuid::from_u128(7);
    for (more, fault) in [
        (json!({ "routine_ids": [nobody] }), ("/routine_ids/0", "unknown_reference")),
        (json!({ "reserve_at": nobody }), ("/reserve_at", "unknown_reference")),
        (json!({ "routine_ids": [] }), ("/reserve_at", "nothing_to_keep")),
        (json!({ "reserve_at": null, "van_id": work.store.van }), ("/reserve_at", "required")),
        (json!({ "van_id": work.store.warehouse }), ("/van_id", "no_van")),
        (json!({ "unit_id": null }), ("/unit_id", "required")),
    ] {
        dealer.office.post(VISITS, &work.visit("2026-05-04", more)).await.refused_for(422, &[fault]);
    }
    assert_eq!(
        (items(&dealer.office, VISITS).await.len(), work.kept(&dealer).await.len()),
        (2, 2),
        "nothing half-done"
    );
}

/// The week says what is kept; the form of the visit takes what was used, and the visit is made with it.
#[tokio::test]
async fn a_planned_visit_is_made_on_its_form_with_what_was_used_and_a_photo() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let work = Work::new(&dealer).await;
    let planned = dealer.office.create(VISITS, &work.visit("2026-03-30", json!({}))).await;
    let week = dealer.technician.get("/week?day=2026-03-30").await;
    let form = format!("/units/{}/visit?planned={}", work.bay.unit, id(&planned));
    for words in ["Kept for it: 2\u{a0}L Coagulant", &form] {
        assert!(week.text().contains(words), "{words}: {week:?}");
    }
    let shown = dealer.technician.get(&form).await;
    let used = format!("used-{}", work.store.item);
    assert!(shown.text().contains(&format!("name=\"{used}\" inputmode=\"decimal\" value=\"2\"")), "{shown:?}");
    let path = format!("/units/{}/visit", work.bay.unit);
    let visit = id(&planned).to_string();
    let fields = |amount: &'static str| {
        [("key", "k-1"), ("planned", visit.as_str()), (used.as_str(), amount), ("payer", "billed"), ("hours", "1")]
    };
    let photo: &[u8] = b"\xff\xd8\xff\xe0 the injector";
    let send = async |amount: &'static str, photo: &[u8]| {
        dealer.technician.form_with_files(&path, &fields(amount), &[("photo_1", photo)]).await
    };
    let wrong = send("1,5", b"<svg>").await;
    assert!(wrong.status() == 422 && wrong.text().contains("photo 1: send a JPEG"), "{wrong:?}");
    assert_eq!(send("12", photo).await.status(), 422, "more than stands there");
    assert_eq!(items(&dealer.office, EVENTS).await, [Value::Null; 0], "nothing half-done");
    assert_eq!(send("1,5", photo).await.status(), 303);

    let event = items(&dealer.office, EVENTS).await.remove(0);
    assert_eq!((&event["lines"][1]["quantity"], &event["lines"][1]["payer"]), (&json!("1.5"), &json!("billed")));
    let made = dealer.office.get(&format!("{VISITS}/{visit}")).await.json();
    assert_eq!((&made["state"], &made["event_id"]), (&json!("done"), &event["id"]));
    assert_eq!(work.kept(&dealer).await[0]["unused"][0]["quantity"], "0.5");
    let behind = format!("/v1/files?record=service_event&record_id={}", id(&event));
    assert_eq!(items(&dealer.office, &behind).await[0]["media_type"], "image/jpeg");
    assert_eq!(items(&dealer.customer_viewer(work.bay.customer).await, &behind).await, [Value::Null; 0]);
    // From the work that is due another is planned, and its goods are kept.
    let plan = dealer.technician.get(&format!("/week?routine={}", work.routine)).await;
    let warehouse = work.store.warehouse.to_string();
    let takes = "Its recurring work: Clean the injector. It takes along: 2\u{a0}L Coagulant, else Clearflow or Flocculant 12 %.";
    for words in ["value=\"Clean the injector\"", &warehouse, takes] {
        assert!(plan.text().contains(words), "{words}: {plan:?}");
    }
    let (unit, routine) = (work.bay.unit.to_string(), work.routine.to_string());
    let fields = [
        ("key", "k-2"),
        ("unit", unit.as_str()),
        ("day", "2026-05-04"),
        ("purpose", "Clean the injector"),
        ("routine", routine.as_str()),
        ("keep", warehouse.as_str()),
    ];
    let planned = dealer.technician.send_form("/week", &fields).await;
    assert_eq!(planned.header("location"), "/week?day=2026-05-04", "{planned:?}");
    let open = items(&dealer.office, "/v1/stock-reservations").await;
    assert_eq!((open.len(), &open[0]["planned_on"]), (1, &json!("2026-05-04")));
    // Shown again, the form knows of no planned visit.
    assert!(!dealer.technician.get(&form).await.shown().contains("name=\"planned\""));
}
