//! `/v1/meters`, what they measure, and exchanges of their registers.

use crate::conventions::{Resource, items};
use crate::support::{Dealer, TestApp, id, number, today};
use serde_json::{Value, json};
use uuid::Uuid;

const FROM: &str = "2026-01-12T09:30:00Z";

fn dial(label: &str) -> Value {
    json!({ "label": label, "stream": "makeup", "unit": "m3", "digits": 6, "read_by": "technician" })
}

/// The pointers and codes of the faults that adding this meter meets.
async fn refusal(dealer: &Dealer, meter: &Value, attachment: &Value) -> Vec<(String, String)> {
    let answer = dealer.office.post("/v1/meters", &json!({ "meter": meter, "attachment": attachment })).await;
    assert_eq!(answer.status(), 422, "{answer:?}");
    answer.faults()
}

fn at(pointer: &str, code: &str) -> (String, String) {
    (pointer.to_owned(), code.to_owned())
}

#[tokio::test]
async fn meters_hold_to_the_conventions() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = dealer.unit("W-1").await;
    let of_unit = json!({ "unit_id": unit, "from": FROM });
    let resource = Resource {
        path: "/v1/meters",
        input: json!({ "meter": dial("Make-up"), "attachment": of_unit }),
        patch: json!({ "label": "Make-up bay 1", "flow_q3_l_per_h": 2500.0, "accuracy_class": 2, "read_every_h": 720 }),
        other: json!({ "meter": dial("Rinse"), "attachment": of_unit }),
        retire: Value::Null,
        running: "/v1/meters",
        all: "/v1/meters?retired=true",
    };
    resource.holds_to_the_conventions(&app, &dealer).await;
}

#[tokio::test]
async fn a_meter_keeps_all_that_is_said_of_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let of_unit = json!({ "unit_id": dealer.unit("W-1").await, "from": FROM });
    let dial_meter = dealer.makeup_meter(&of_unit).await;
    let meter = json!({
        "label": "Make-up pulses", "stream": "makeup", "unit": "us_gal", "multiplier": 10, "digits": 8,
        "resolution": 0.1, "max_flow_per_h": 3000.0, "flow_q1_l_per_h": 31.25, "flow_q2_l_per_h": 50.0,
        "flow_q3_l_per_h": 2500.0, "flow_q4_l_per_h": 3125.0, "accuracy_class": 1, "in_service_factor": 1.5,
        "position": "Town water line", "serial_number": "19 204417", "read_by": "telemetry", "read_every_h": 1,
        "dial_meter_id": id(&dial_meter)
    });
    let added = dealer.technician.create("/v1/meters", &json!({ "meter": meter, "attachment": of_unit })).await;
    let path = format!("/v1/meters/{}", id(&added));
    let read = dealer.office.get(&path).await.json();
    for (field, value) in meter.as_object().unwrap() {
        assert_eq!(&read[field], value, "{field}");
    }
    assert_eq!([number(&dial_meter), number(&added)], [1, 2], "numbered within the dealer");
    let present = json!({ "unit_id": of_unit["unit_id"], "site_id": null, "component_id": null, "from": FROM,
        "to": null, "share": 1.0, "share_u": 0.0 });
    assert_eq!(read["attachment"], present);
    let listed = items(&dealer.office, "/v1/meters?stream=makeup").await;
    assert_eq!(listed[1], read);
    let plain = dealer.office.patch(&path, "\"1\"", &json!({ "dial_meter_id": null, "digits": null })).await.json();
    assert_eq!((plain.get("dial_meter_id"), plain.get("digits")), (None, None));

    let foreign = app.dealer("Elsewhere").await;
    let theirs = foreign.makeup_meter(&json!({ "unit_id": foreign.unit("W-1").await, "from": FROM })).await;
    assert_eq!(number(&theirs), 1, "each dealer counts for itself");
}

#[tokio::test]
async fn meters_added_at_once_get_numbers_of_their_own() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let of_unit = json!({ "unit_id": dealer.unit("W-1").await, "from": FROM });
    let add = || dealer.makeup_meter(&of_unit);
    let (a, b, c) = tokio::join!(add(), add(), add());
    let mut numbers = [number(&a), number(&b), number(&c)];
    numbers.sort_unstable();
    assert_eq!(numbers, [1, 2, 3]);
}

#[tokio::test]
async fn each_fault_of_a_meter_is_named() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = dealer.unit("W-1").await;
    let wrong = json!({
        "label": "", "stream": "wash", "unit": "kwh", "multiplier": 7, "digits": 2, "resolution": -1,
        "max_flow_per_h": 0, "flow_q1_l_per_h": 50, "flow_q3_l_per_h": 40, "accuracy_class": 3,
        "in_service_factor": 0.5, "read_by": "telemetry"
    });
    let faults = refusal(&dealer, &wrong, &json!({ "from": "1900-01-01T00:00:00Z", "share": 0 })).await;
    assert_eq!(
        faults,
        [
            at("/meter/accuracy_class", "unknown_class"),
            at("/meter/label", "required"),
            at("/meter/read_every_h", "required"),
            at("/meter/unit", "unit_of_another_dimension"),
            at("/meter/multiplier", "unknown_multiplier"),
            at("/meter/digits", "out_of_range"),
            at("/meter/resolution", "not_positive"),
            at("/meter/max_flow_per_h", "not_positive"),
            at("/meter/in_service_factor", "out_of_range"),
            at("/meter/flow_q3_l_per_h", "flows_out_of_order"),
            at("/attachment/unit_id", "required"),
            at("/attachment/from", "out_of_range"),
            at("/attachment/share", "out_of_range"),
        ]
    );
    let unnamed = json!({ "label": "x", "stream": "tea", "unit": "kwh", "read_by": "cat", "read_every_h": 9999 });
    let of_both = json!({ "unit_id": unit, "site_id": unit, "from": FROM });
    assert_eq!(
        refusal(&dealer, &unnamed, &of_both).await,
        [
            at("/meter/stream", "unknown_stream"),
            at("/meter/read_by", "unknown_reader"),
            at("/meter/read_every_h", "out_of_range"),
            at("/attachment/unit_id", "one_of"),
            at("/attachment/site_id", "one_of"),
        ]
    );
    for field in ["unit_id", "site_id", "component_id"] {
        let nothing = json!({ field: Uuid::nil(), "from": FROM });
        let answer = dealer.office.post("/v1/meters", &json!({ "meter": dial("x"), "attachment": nothing })).await;
        answer.refused_for(422, &[(&format!("/{field}"), "unknown_reference")]);
    }
    dealer.office.get("/v1/meters?stream=tea").await.refused_for(422, &[("/stream", "unknown_stream")]);
    assert_eq!(items(&dealer.office, "/v1/meters").await, [Value::Null; 0]);
    let first = dealer.makeup_meter(&json!({ "unit_id": unit, "from": FROM })).await;
    assert_eq!(number(&first), 1, "what was refused took no number");
}

#[tokio::test]
async fn a_pulse_total_names_the_dial_of_its_stream() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let of_unit = json!({ "unit_id": dealer.unit("W-1").await, "from": FROM });
    let makeup = dealer.makeup_meter(&of_unit).await;
    let mut pulses = dial("Pulses");
    pulses["dial_meter_id"] = json!(id(&makeup));
    let good = json!({ "meter": pulses, "attachment": of_unit });
    let first = dealer.office.create("/v1/meters", &good).await;
    let post =
        async |meter: &Value| dealer.office.post("/v1/meters", &json!({ "meter": meter, "attachment": of_unit })).await;
    pulses["dial_meter_id"] = json!(id(&first));
    post(&pulses).await.refused_for(422, &[("/dial_meter_id", "not_a_dial")]);
    pulses["dial_meter_id"] = json!(Uuid::nil());
    post(&pulses).await.refused_for(422, &[("/dial_meter_id", "unknown_reference")]);
    pulses["dial_meter_id"] = json!(id(&makeup));
    pulses["stream"] = json!("wash");
    post(&pulses).await.refused_for(422, &[("/dial_meter_id", "other_stream")]);
    let itself = json!({ "dial_meter_id": id(&makeup) });
    let answer = dealer.office.patch(&format!("/v1/meters/{}", id(&makeup)), "\"1\"", &itself).await;
    answer.refused_for(422, &[("/dial_meter_id", "unknown_reference")]);
}

#[tokio::test]
async fn a_moved_meter_measures_one_thing_at_a_time() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "Quay").await;
    let (unit, other) = (dealer.unit("W-1").await, dealer.unit("W-2").await);
    let part = dealer.pump(other).await;
    let meter = dealer.makeup_meter(&json!({ "unit_id": unit, "from": FROM })).await;
    let path = format!("/v1/meters/{}/attachments", id(&meter));
    app.forget_touched().await;
    let to_site = json!({ "site_id": site, "from": "2026-02-01T00:00:00Z", "share": 0.25 });
    let moved = dealer.technician.post_once(&path, "key-1", &to_site).await;
    assert_eq!(moved.status(), 201);
    assert_eq!(dealer.technician.post_once(&path, "key-1", &to_site).await.json(), moved.json());
    assert_eq!(app.touched().await, [(vec![number(&meter)], "2026-02-01".to_owned(), today())]);
    let listed = items(&dealer.office, &path).await;
    assert_eq!((&listed[0]["unit_id"], &listed[0]["to"]), (&json!(unit), &json!("2026-02-01T00:00:00Z")));
    assert_eq!((&listed[1], listed.len()), (&moved.json(), 2));
    assert_eq!((&listed[1]["site_id"], &listed[1]["share"]), (&json!(site), &json!(0.25)));

    let early = json!({ "unit_id": other, "from": "2026-01-20T00:00:00Z" });
    dealer.technician.post(&path, &early).await.refused_for(409, &[("/from", "attachment_overlaps")]);
    let nothing = json!({ "unit_id": Uuid::nil(), "from": "2026-03-01T00:00:00Z" });
    dealer.technician.post(&path, &nothing).await.refused_for(422, &[("/unit_id", "unknown_reference")]);
    assert_eq!(items(&dealer.office, &path).await, listed, "a refused move ends nothing");
    dealer.technician.create(&path, &json!({ "component_id": part, "from": "2026-03-01T00:00:00Z" })).await;

    let found = async |query: String| items(&dealer.office, &format!("/v1/meters?{query}")).await.len();
    assert_eq!(found(format!("unit_id={other}")).await, 1, "the meter of a part is the unit's");
    assert_eq!(found(format!("unit_id={unit}")).await, 0);
    assert_eq!(found(format!("site_id={site}")).await, 0);
    app.dealer("Elsewhere").await.office.post(&path, &to_site).await.refused(404, "not-found");
}

#[tokio::test]
async fn a_retired_meter_measures_nothing_any_more() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = dealer.unit("W-1").await;
    let meter = dealer.makeup_meter(&json!({ "unit_id": unit, "from": FROM })).await;
    app.forget_touched().await;
    let path = format!("/v1/meters/{}", id(&meter));
    let retired = dealer.office.post_at(&format!("{path}/retire"), "\"1\"").await.json();
    assert_eq!(retired["attachment"], Value::Null);
    let attachments = items(&dealer.office, &format!("{path}/attachments")).await;
    assert_eq!(attachments[0]["to"], retired["ended_at"]);
    assert_eq!(app.touched().await, [(vec![1], today(), today())]);
    let again = json!({ "unit_id": unit, "from": "2090-01-01T00:00:00Z" });
    dealer.office.post(&format!("{path}/attachments"), &again).await.refused_for(409, &[("", "meter_retired")]);
}

#[tokio::test]
async fn an_exchange_closes_one_register_and_opens_another() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let meter = dealer.makeup_meter(&json!({ "unit_id": dealer.unit("W-1").await, "from": FROM })).await;
    let path = format!("/v1/meters/{}/exchanges", id(&meter));
    app.forget_touched().await;
    let exchange = json!({ "at": "2026-03-02T11:15:00Z", "old_final": 48210.5, "new_start": 0.0, "note": "Frost" });
    let first = dealer.technician.post_once(&path, "key-1", &exchange).await;
    assert_eq!(first.status(), 201);
    for (field, value) in exchange.as_object().unwrap() {
        assert_eq!(&first.json()[field], value, "{field}");
    }
    assert_eq!(dealer.technician.post_once(&path, "key-1", &exchange).await.json(), first.json());
    assert_eq!(items(&dealer.office, &path).await, [first.json()]);
    assert_eq!(app.touched().await, [(vec![1], "2026-03-02".to_owned(), "2026-03-02".to_owned())]);
    dealer.technician.post(&path, &exchange).await.refused_for(409, &[("/at", "exchange_exists")]);
    let wrong = json!({ "at": "2090-01-01T00:00:00Z", "old_final": 1e6, "new_start": -1, "note": "x".repeat(501) });
    dealer.technician.post(&path, &wrong).await.refused_for(
        422,
        &[("/at", "future"), ("/old_final", "past_digits"), ("/new_start", "negative"), ("/note", "too_long")],
    );
    app.dealer("Elsewhere").await.office.get(&path).await.refused(404, "not-found");
}

/// What is noted of a meter is written again when it ends or is withdrawn, and not before.
#[tokio::test]
async fn what_is_noted_of_a_meter_tells_when_it_was_written() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, other) = (dealer.unit("W-1").await, dealer.unit("W-2").await);
    let meter = dealer.makeup_meter(&json!({ "unit_id": unit, "from": FROM })).await;
    let path = |list: &str| format!("/v1/meters/{}/{list}", id(&meter));
    let first = items(&dealer.office, &path("attachments")).await.remove(0);
    assert_eq!((&first["created_at"], &first["changed_at"]), (&meter["created_at"], &meter["created_at"]));
    let moved = json!({ "unit_id": other, "from": "2026-02-01T00:00:00Z" });
    let moved = dealer.office.create(&path("attachments"), &moved).await;
    let listed = items(&dealer.office, &path("attachments")).await;
    assert_eq!(listed[0]["created_at"], first["created_at"]);
    assert_eq!(listed[0]["changed_at"], moved["created_at"], "its end was noted then");
    assert_eq!((&listed[1], &moved["changed_at"]), (&moved, &moved["created_at"]));

    let exchange = json!({ "at": "2026-03-02T11:15:00Z", "old_final": 5.0, "new_start": 0.0 });
    let check = json!({ "at": "2026-03-03T11:15:00Z", "indicated_l": 206.0, "reference_l": 200.0,
        "u_reference_share": 0.005 });
    for (list, note) in [("exchanges", exchange), ("checks", check)] {
        let made = dealer.technician.create(&path(list), &note).await;
        assert!(made["created_at"].is_string() && made["changed_at"] == made["created_at"], "{made}");
        let withdraw = format!("{}/{}/withdraw", path(list), id(&made));
        let gone = dealer.office.post(&withdraw, &json!({ "reason": "Of another meter" })).await.json();
        assert_eq!((&gone["created_at"], &gone["changed_at"]), (&made["created_at"], &gone["withdrawn_at"]));
        assert_ne!(gone["changed_at"], gone["created_at"]);
        assert_eq!(items(&dealer.office, &path(list)).await, [gone], "{list}");
    }
}

#[tokio::test]
async fn a_correction_of_a_meter_has_its_figures_computed_again() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let meter = dealer.makeup_meter(&json!({ "unit_id": dealer.unit("W-1").await, "from": FROM })).await;
    app.forget_touched().await;
    let path = format!("/v1/meters/{}", id(&meter));
    dealer.office.patch(&path, "\"1\"", &json!({ "label": "Make-up bay 1" })).await.json();
    assert_eq!(app.touched().await, []);
    dealer.office.patch(&path, "\"2\"", &json!({ "multiplier": 10 })).await.json();
    assert_eq!(app.touched().await, [(vec![1], "2026-01-12".to_owned(), today())]);
}

#[tokio::test]
async fn customers_see_the_meters_that_serve_them() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (harbour, quarry) = (dealer.customer("Harbour Haulage").await, dealer.customer("Quarry Trucks").await);
    let (quay, pit_head) = (dealer.site(harbour, "Quay").await, dealer.site(quarry, "Pit head").await);
    let unit = dealer.unit("W-1").await;
    dealer.place(unit, quay, FROM).await;
    let of_unit = dealer.makeup_meter(&json!({ "unit_id": unit, "from": FROM })).await;
    let of_site = dealer.makeup_meter(&json!({ "site_id": quay, "from": FROM })).await;
    let part = dealer.pump(unit).await;
    let of_part = dealer.makeup_meter(&json!({ "component_id": part, "from": FROM })).await;
    let theirs = dealer.makeup_meter(&json!({ "site_id": pit_head, "from": FROM })).await;
    let unplaced = dealer.makeup_meter(&json!({ "unit_id": dealer.unit("W-2").await, "from": FROM })).await;
    let exchange = json!({ "at": "2026-03-02T11:15:00Z", "old_final": 5.0, "new_start": 0.0 });
    let exchanges = |meter: &Value| format!("/v1/meters/{}/exchanges", id(meter));
    dealer.office.create(&exchanges(&of_unit), &exchange).await;

    let viewer = dealer.customer_viewer(harbour).await;
    let seen: Vec<Uuid> = items(&viewer, "/v1/meters").await.iter().map(id).collect();
    assert_eq!(seen, [id(&of_unit), id(&of_site), id(&of_part)]);
    assert_eq!(items(&viewer, &exchanges(&of_unit)).await.len(), 1);
    for hidden in [&theirs, &unplaced] {
        viewer.get(&format!("/v1/meters/{}", id(hidden))).await.refused(404, "not-found");
        viewer.get(&exchanges(hidden)).await.refused(404, "not-found");
    }
    viewer.post(&exchanges(&of_unit), &exchange).await.refused(403, "not-allowed");
    let other = dealer.customer_viewer(quarry).await;
    other.get(&exchanges(&of_unit)).await.refused(404, "not-found");
}
