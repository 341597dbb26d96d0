//! `/v1/units`, where they stand and in which state; and their models.

use crate::conventions::{Resource, items};
use crate::support::{Dealer, TestApp, id, number, today};
use serde_json::{Value, json};
use uuid::Uuid;

/// A dealer with two customers, each with a site.
struct Two {
    dealer: Dealer,
    harbour: Uuid,
    quay: Uuid,
    quarry: Uuid,
    pit_head: Uuid,
}

impl Two {
    async fn add(app: &TestApp) -> Self {
        let dealer = app.dealer("Brookside").await;
        let (harbour, quarry) = (dealer.customer("Harbour Haulage").await, dealer.customer("Quarry Trucks").await);
        let (quay, pit_head) = (dealer.site(harbour, "Quay").await, dealer.site(quarry, "Pit head").await);
        Self { dealer, harbour, quay, quarry, pit_head }
    }
}

fn ids(list: &[Value]) -> Vec<Uuid> {
    list.iter().map(id).collect()
}

#[tokio::test]
async fn units_hold_to_the_conventions() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let resource = Resource {
        path: "/v1/units",
        input: json!({ "serial_number": "W-1", "label": "Bay 1" }),
        patch: json!({ "label": "Bay 1 north", "working_volume_l": 3200.0, "asset_number": "A-2210" }),
        other: json!({ "serial_number": "W-2", "label": "Bay 2" }),
        retire: Value::Null,
        running: "/v1/units",
        all: "/v1/units?retired=true",
    };
    resource.holds_to_the_conventions(&app, &dealer).await;
}

#[tokio::test]
async fn models_are_added_read_and_listed() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let model = json!({ "name": "Loop 2000", "rated_flow_l_per_h": 2000.0, "working_volume_l": 3500.0,
        "float_band_l": 300.0 });
    let added = dealer.office.post_once("/v1/unit-models", "key-1", &model).await;
    assert_eq!((added.status(), added.etag()), (201, "\"1\""));
    let again = dealer.office.post_once("/v1/unit-models", "key-1", &model).await;
    assert_eq!(again.json(), added.json());
    let path = format!("/v1/unit-models/{}", id(&added.json()));
    assert_eq!(dealer.technician.get(&path).await.json(), added.json());
    assert_eq!(items(&dealer.technician, "/v1/unit-models").await, [added.json()]);
    dealer.office.post("/v1/unit-models", &model).await.refused_for(409, &[("/name", "name_exists")]);
    let wrong = json!({ "name": "", "rated_flow_l_per_h": 0, "working_volume_l": 100, "float_band_l": 101 });
    dealer.office.post("/v1/unit-models", &wrong).await.refused_for(
        422,
        &[("/name", "required"), ("/rated_flow_l_per_h", "out_of_range"), ("/float_band_l", "above_working_volume")],
    );
    app.dealer("Elsewhere").await.owner.get(&path).await.refused(404, "not-found");
}

#[tokio::test]
async fn each_fault_of_a_unit_is_named() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = dealer.unit("W-1").await;
    let wrong = json!({ "serial_number": " ", "label": "x".repeat(121), "rated_flow_l_per_h": 0,
        "working_volume_l": 1e9, "asset_number": "x".repeat(61) });
    dealer.office.post("/v1/units", &wrong).await.refused_for(
        422,
        &[
            ("/serial_number", "required"),
            ("/label", "too_long"),
            ("/rated_flow_l_per_h", "out_of_range"),
            ("/working_volume_l", "out_of_range"),
            ("/asset_number", "too_long"),
        ],
    );
    let twin = json!({ "serial_number": "W-1", "label": "Twin" });
    dealer.office.post("/v1/units", &twin).await.refused_for(409, &[("/serial_number", "serial_number_exists")]);
    app.dealer("Elsewhere").await.office.create("/v1/units", &twin).await;
    let modelled = json!({ "model_id": Uuid::nil() });
    let answer = dealer.office.patch(&format!("/v1/units/{unit}"), "\"1\"", &modelled).await;
    answer.refused_for(422, &[("/model_id", "unknown_reference")]);
}

#[tokio::test]
async fn a_unit_says_where_it_stands_now() {
    let app = TestApp::start().await;
    let two = Two::add(&app).await;
    let unit = two.dealer.unit("W-1").await;
    let path = format!("/v1/units/{unit}");
    assert_eq!(two.dealer.office.get(&path).await.json()["placement"], Value::Null);
    let first = two.dealer.place(unit, two.quay, "2026-01-12T09:30:00Z").await;
    assert_eq!((&first["customer_id"], &first["to"]), (&json!(two.harbour), &Value::Null));
    let present = json!({ "placement_id": id(&first), "site_id": two.quay, "customer_id": two.harbour,
        "since": "2026-01-12T09:30:00Z" });
    assert_eq!(two.dealer.office.get(&path).await.json()["placement"], present);

    let elsewhere = json!({ "site_id": two.pit_head, "from": "2026-02-01T00:00:00Z", "terms": "loan" });
    let placements = format!("{path}/placements");
    two.dealer.office.post(&placements, &elsewhere).await.refused_for(409, &[("/from", "placement_overlaps")]);
    let ended = two.dealer.end_placement(&first, "2026-02-01T00:00:00Z").await;
    assert_eq!((&ended["to"], &ended["revision"]), (&json!("2026-02-01T00:00:00Z"), &json!(2)));
    assert_eq!(two.dealer.office.get(&path).await.json()["placement"], Value::Null);
    let second = two.dealer.office.create(&placements, &elsewhere).await;
    assert_eq!(items(&two.dealer.technician, &placements).await, [ended, second]);

    let find = async |query: String| ids(&items(&two.dealer.office, &format!("/v1/units?{query}")).await);
    assert_eq!(find(format!("site_id={}", two.pit_head)).await, [unit]);
    assert_eq!(find(format!("customer_id={}", two.quarry)).await, [unit]);
    assert_eq!(find(format!("customer_id={}", two.harbour)).await, [] as [Uuid; 0]);
    assert_eq!(find(format!("model_id={}", Uuid::nil())).await, [] as [Uuid; 0]);
}

#[tokio::test]
async fn each_fault_of_a_placement_is_named() {
    let app = TestApp::start().await;
    let two = Two::add(&app).await;
    let unit = two.dealer.unit("W-1").await;
    let meter = two.dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" })).await;
    let placements = format!("/v1/units/{unit}/placements");
    let post = async |body: Value| two.dealer.office.post(&placements, &body).await;
    let register = |meter: Uuid, register: f64| json!({ "meter_id": meter, "register": register });
    let twice = vec![register(id(&meter), 1.0); 2];
    let wrong = json!({
        "site_id": two.quay, "from": "2026-03-01T00:00:00Z", "to": "2026-02-01T00:00:00Z", "terms": "stolen",
        "at_start": { "levels": [{ "place": "", "volume_l": -5 }], "registers": twice }
    });
    post(wrong).await.refused_for(
        422,
        &[
            ("/to", "not_after_from"),
            ("/terms", "unknown_terms"),
            ("/at_start/registers/1/meter_id", "twice"),
            ("/at_start/levels/0/place", "required"),
            ("/at_start/levels/0/volume_l", "out_of_range"),
        ],
    );
    let mut good = json!({ "site_id": two.quay, "from": "2026-03-01T00:00:00Z", "terms": "sold" });
    good["at_start"]["registers"] = json!([register(id(&meter), 1e6), register(Uuid::nil(), 1.0)]);
    post(good.clone()).await.refused_for(
        422,
        &[("/at_start/registers/0/register", "past_digits"), ("/at_start/registers/1/meter_id", "unknown_meter")],
    );
    good["at_start"] = json!({ "registers": [register(id(&meter), 48210.0)],
        "levels": [{ "place": "clean tank", "volume_l": 800.0 }] });
    let mut lost = good.clone();
    lost["site_id"] = json!(Uuid::nil());
    post(lost).await.refused_for(422, &[("/site_id", "unknown_reference")]);
    let placed = post(good.clone()).await.json();
    assert_eq!((&placed["at_start"], &placed["at_end"]), (&good["at_start"], &Value::Null));

    let end = format!("{placements}/{}/end", id(&placed));
    let end = async |etag: &str, body: Value| two.dealer.office.post_at_with(&end, etag, &body).await;
    end("\"1\"", json!({ "to": "2026-03-01T00:00:00Z" })).await.refused_for(422, &[("/to", "not_after_from")]);
    end("\"1\"", json!({ "to": "2090-01-01T00:00:00Z" })).await.refused_for(422, &[("/to", "future")]);
    let unknown = json!({ "to": "2026-04-01T00:00:00Z", "at_end": { "registers": [register(Uuid::nil(), 0.0)] } });
    end("\"1\"", unknown).await.refused_for(422, &[("/at_end/registers/0/meter_id", "unknown_meter")]);
    let last = json!({ "to": "2026-04-01T00:00:00Z", "at_end": { "registers": [register(id(&meter), 48900.0)] } });
    end("\"9\"", last.clone()).await.refused(412, "stale");
    let ended = end("\"1\"", last.clone()).await.json();
    assert_eq!(ended["at_end"], json!({ "registers": last["at_end"]["registers"], "levels": [] }));
    end("\"2\"", last).await.refused_for(409, &[("", "ended_already")]);
}

#[tokio::test]
async fn a_placement_happens_once_and_only_with_what_is_ours_and_in_use() {
    let app = TestApp::start().await;
    let two = Two::add(&app).await;
    let foreign = app.dealer("Elsewhere").await;
    let unit = two.dealer.unit("W-1").await;
    let placements = format!("/v1/units/{unit}/placements");
    let body = json!({ "site_id": two.quay, "from": "2026-01-12T09:30:00Z", "terms": "rented" });
    let first = two.dealer.office.post_once(&placements, "key-1", &body).await.json();
    assert_eq!(two.dealer.office.post_once(&placements, "key-1", &body).await.json(), first);
    let other = format!("/v1/units/{}/placements", two.dealer.unit("W-2").await);
    two.dealer.office.post_once(&other, "key-1", &body).await.refused_for(409, &[("", "key_used")]);

    foreign.office.post(&placements, &body).await.refused(404, "not-found");
    foreign.office.get(&placements).await.refused(404, "not-found");
    let end = format!("{placements}/{}/end", id(&first));
    let to = json!({ "to": "2026-02-01T00:00:00Z" });
    foreign.office.post_at_with(&end, "\"1\"", &to).await.refused(404, "not-found");
    let crossed = format!("{other}/{}/end", id(&first));
    two.dealer.office.post_at_with(&crossed, "\"1\"", &to).await.refused(404, "not-found");
    let theirs = format!("/v1/units/{}/placements", foreign.unit("W-9").await);
    foreign.office.post(&theirs, &body).await.refused_for(422, &[("/site_id", "unknown_reference")]);

    let retire = format!("/v1/units/{unit}/retire");
    two.dealer.office.post_at(&retire, "\"1\"").await.refused_for(409, &[("", "still_in_use")]);
    two.dealer.end_placement(&first, "2026-02-01T00:00:00Z").await;
    two.dealer.office.post_at(&retire, "\"1\"").await.json();
    let again = json!({ "site_id": two.quay, "from": "2026-03-01T00:00:00Z", "terms": "rented" });
    two.dealer.office.post(&placements, &again).await.refused_for(409, &[("", "unit_retired")]);
    two.dealer.office.post_at(&format!("/v1/sites/{}/retire", two.quay), "\"1\"").await.json();
    two.dealer.office.post(&other, &again).await.refused_for(409, &[("", "site_retired")]);
}

#[tokio::test]
async fn what_a_customer_sees_follows_the_placements() {
    let app = TestApp::start().await;
    let two = Two::add(&app).await;
    let (moved, never_here) = (two.dealer.unit("W-1").await, two.dealer.unit("W-2").await);
    let first = two.dealer.place(moved, two.quay, "2026-01-12T09:30:00Z").await;
    let first = two.dealer.end_placement(&first, "2026-02-01T00:00:00Z").await;
    let second = two.dealer.place(moved, two.pit_head, "2026-02-01T00:00:00Z").await;
    two.dealer.place(never_here, two.pit_head, "2026-02-01T00:00:00Z").await;
    let spells = format!("/v1/units/{moved}/spells");
    for (state, from) in [("running", "2026-01-12T09:30:00Z"), ("stopped", "2026-02-20T00:00:00Z")] {
        two.dealer.office.create(&spells, &json!({ "state": state, "from": from })).await;
    }
    let viewer = two.dealer.customer_viewer(two.harbour).await;
    assert_eq!(ids(&items(&viewer, "/v1/units").await), [moved]);
    viewer.get(&format!("/v1/units/{never_here}")).await.refused(404, "not-found");
    let unit = viewer.get(&format!("/v1/units/{moved}")).await.json();
    assert_eq!(unit["placement"], Value::Null, "it stands with somebody else now");
    assert_eq!(items(&viewer, &format!("/v1/units/{moved}/placements")).await, [first]);
    assert_eq!(items(&viewer, &spells).await.len(), 1, "the later state is none of theirs");
    let (placements, body) = (format!("/v1/units/{moved}/placements"), json!({}));
    viewer.post(&placements, &body).await.refused(403, "not-allowed");
    viewer.post(&spells, &body).await.refused(403, "not-allowed");

    let theirs = two.dealer.customer_viewer(two.quarry).await;
    assert_eq!(items(&theirs, &format!("/v1/units/{moved}/placements")).await, [second]);
}

#[tokio::test]
async fn a_unit_has_one_state_at_a_time() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let path = format!("/v1/units/{}/spells", dealer.unit("W-1").await);
    let post = async |body: Value| dealer.office.post(&path, &body).await;
    post(json!({ "state": "starting", "from": "2026-01-12T00:00:00Z" })).await.json();
    let bypass = json!({ "state": "bypassed", "from": "2026-03-02T00:00:00Z", "to": "2026-03-16T00:00:00Z",
        "reason": " Transfer pump out for repair " });
    let first = dealer.office.post_once(&path, "key-1", &bypass).await.json();
    assert_eq!(dealer.office.post_once(&path, "key-1", &bypass).await.json(), first);
    assert_eq!((&first["state"], &first["reason"]), (&json!("bypassed"), &json!("Transfer pump out for repair")));
    post(json!({ "state": "running", "from": "2026-03-16T00:00:00Z" })).await.json();
    let listed: Vec<_> = items(&dealer.technician, &path)
        .await
        .iter()
        .map(|spell| (spell["state"].clone(), spell["from"].clone(), spell["to"].clone(), spell["revision"].clone()))
        .collect();
    assert_eq!(
        listed,
        [
            (json!("starting"), json!("2026-01-12T00:00:00Z"), json!("2026-03-02T00:00:00Z"), json!(2)),
            (json!("bypassed"), json!("2026-03-02T00:00:00Z"), json!("2026-03-16T00:00:00Z"), json!(1)),
            (json!("running"), json!("2026-03-16T00:00:00Z"), Value::Null, json!(1)),
        ]
    );
    let within = json!({ "state": "stopped", "from": "2026-03-10T00:00:00Z" });
    post(within).await.refused_for(409, &[("/from", "spell_overlaps")]);
    assert_eq!(items(&dealer.office, &path).await.len(), 3);
    let wrong = json!({ "state": "tired", "from": "1900-01-01T00:00:00Z", "reason": "x".repeat(501) });
    post(wrong)
        .await
        .refused_for(422, &[("/state", "unknown_state"), ("/from", "out_of_range"), ("/reason", "too_long")]);
    app.dealer("Elsewhere").await.office.get(&path).await.refused(404, "not-found");
}

/// Meters, and the days between which their figures have to be made anew.
type Noted = (Vec<i32>, String, String);

#[tokio::test]
async fn what_changes_a_units_figures_is_noted_for_the_night() {
    let app = TestApp::start().await;
    let two = Two::add(&app).await;
    let (unit, office) = (two.dealer.unit("W-1").await, &two.dealer.office);
    let meter = two.dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2026-01-05T00:00:00Z" })).await;
    let part = two.dealer.pump(unit).await;
    let hours = json!({ "label": "Pump hours", "stream": "run_hours", "unit": "h", "read_by": "technician" });
    let of_part = json!({ "component_id": part, "from": "2026-03-01T00:00:00Z" });
    let hours = office.create("/v1/meters", &json!({ "meter": hours, "attachment": of_part })).await;
    let (one, both) = (vec![number(&meter)], vec![number(&meter), number(&hours)]);
    let since = |nos: &Vec<i32>, from: &str| vec![(nos.clone(), from.to_owned(), today())];
    let noted = async || {
        let touched = app.touched().await;
        app.forget_touched().await;
        // What is noted within a longer time for more meters adds nothing.
        let adds = |one: &&Noted| {
            let (meters, from, to) = *one;
            !touched.iter().any(|other| {
                let (all, since, until) = other;
                other != *one && meters.iter().all(|no| all.contains(no)) && since <= from && to <= until
            })
        };
        touched.iter().filter(adds).cloned().collect::<Vec<_>>()
    };
    noted().await;

    let placed = two.dealer.place(unit, two.quay, "2026-01-01T00:00:00Z").await;
    assert_eq!(noted().await, since(&both, "2026-01-05"), "no meter served it before");
    two.dealer.end_placement(&placed, "2026-02-10T12:00:00Z").await;
    assert_eq!(noted().await, since(&both, "2026-02-10"));
    let short = json!({ "site_id": two.quay, "from": "2026-02-10T12:00:00Z", "to": "2026-02-20T00:00:00Z",
        "terms": "demo" });
    office.create(&format!("/v1/units/{unit}/placements"), &short).await;
    assert_eq!(noted().await, [(one, "2026-02-10".to_owned(), "2026-02-20".to_owned())]);
    let spell = json!({ "state": "running", "from": "2026-04-01T00:00:00Z" });
    office.create(&format!("/v1/units/{unit}/spells"), &spell).await;
    assert_eq!(noted().await, since(&both, "2026-04-01"));

    let path = format!("/v1/units/{unit}");
    office.patch(&path, "\"1\"", &json!({ "label": "Bay 1" })).await.json();
    assert_eq!(noted().await, []);
    office.patch(&path, "\"2\"", &json!({ "working_volume_l": 3000.0 })).await.json();
    assert_eq!(noted().await, since(&both, "2026-01-05"));
}

/// Where a unit was is told by the unit, by its serial number, and by the site.
#[tokio::test]
async fn history_is_told_by_serial_number_and_by_site() {
    let app = TestApp::start().await;
    let two = Two::add(&app).await;
    let (dealer, unit) = (&two.dealer, two.dealer.unit("W-1").await);
    let other = dealer.unit("W-2").await;
    let first = dealer.place(unit, two.quay, "2026-01-01T00:00:00Z").await;
    dealer.end_placement(&first, "2026-03-01T00:00:00Z").await;
    dealer.place(unit, two.pit_head, "2026-03-01T00:00:00Z").await;
    dealer.place(other, two.quay, "2026-04-01T00:00:00Z").await;
    assert_eq!(ids(&items(&dealer.office, "/v1/units?serial_number=W-1").await), [unit]);
    assert_eq!(items(&dealer.office, "/v1/units?serial_number=W-9").await, [Value::Null; 0]);
    let at_quay = format!("/v1/sites/{}/placements", two.quay);
    let units = async |client: &crate::support::Client| {
        let rows = items(client, &at_quay).await;
        rows.iter().map(|row| row["unit_id"].as_str().unwrap().parse().unwrap()).collect::<Vec<Uuid>>()
    };
    assert_eq!(units(&dealer.office).await, [unit, other]);
    assert_eq!(units(&dealer.customer_viewer(two.harbour).await).await, [unit, other]);
    dealer.customer_viewer(two.quarry).await.get(&at_quay).await.refused(404, "not-found");
    app.dealer("Elsewhere").await.owner.get(&at_quay).await.refused(404, "not-found");
}
