//! `/v1/components`.

use crate::conventions::{Resource, items};
use crate::support::{TestApp, id};
use crate::work_pages::with;
use serde_json::{Value, json};
use uuid::Uuid;

fn pump(unit: Uuid) -> Value {
    json!({ "unit_id": unit, "kind": "transfer_pump", "duty": "on_demand", "run_basis": "hours",
        "fitted_at": "2026-01-12T09:30:00Z" })
}

#[tokio::test]
async fn components_hold_to_the_conventions() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = dealer.unit("W-1").await;
    let mut other = pump(unit);
    other["kind"] = json!("ozone_lamp");
    let resource = Resource {
        path: "/v1/components",
        input: pump(unit),
        patch: json!({ "model": "TP 40-120", "rated_life": 12000.0, "last_good_at": "2026-02-01T00:00:00Z" }),
        other,
        retire: json!({ "out_at": "2026-03-01T00:00:00Z", "out_why": "failed" }),
        running: "/v1/components?fitted=true",
        all: "/v1/components",
    };
    resource.holds_to_the_conventions(&app, &dealer).await;
}

#[tokio::test]
async fn a_component_keeps_all_that_is_said_of_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let input = json!({
        "unit_id": dealer.unit("W-1").await, "kind": "transfer_pump", "model": "TP 40-120", "serial_number": "88120-7",
        "duty": "timed", "run_basis": "starts", "rated_life": 250_000.0, "age_at_fitting": 1200.5,
        "fitted_at": "2026-01-12T09:30:00Z", "last_good_at": "2026-02-12T09:30:00Z", "warranty_until": "2028-01-12"
    });
    let added = dealer.technician.create("/v1/components", &input).await;
    let read = dealer.office.get(&format!("/v1/components/{}", id(&added))).await.json();
    for (field, value) in input.as_object().unwrap() {
        assert_eq!(&read[field], value, "{field}");
    }
    assert_eq!((&read["out_at"], &read["out_why"]), (&Value::Null, &Value::Null));
}

#[tokio::test]
async fn each_fault_is_named() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let wrong = json!({
        "unit_id": dealer.unit("W-1").await, "kind": "Pump No 2", "duty": "always", "run_basis": "years",
        "rated_life": 0, "age_at_fitting": -1, "fitted_at": "2026-01-12T09:30:00Z",
        "last_good_at": "2026-01-11T00:00:00Z", "warranty_until": "2200-01-01"
    });
    dealer.technician.post("/v1/components", &wrong).await.refused_for(
        422,
        &[
            ("/duty", "unknown_duty"),
            ("/run_basis", "unknown_run_basis"),
            ("/kind", "not_a_word"),
            ("/rated_life", "out_of_range"),
            ("/age_at_fitting", "out_of_range"),
            ("/last_good_at", "before_fitted"),
            ("/warranty_until", "out_of_range"),
        ],
    );
    let mut timeless = pump(dealer.unit("W-2").await);
    timeless["fitted_at"] = json!("12 January 2026");
    let answer = dealer.technician.post("/v1/components", &timeless).await;
    answer.refused_for(422, &[("/fitted_at", "wrong_type")]);
    assert!(answer.text().contains("such as 2026-01-31T08:00:00Z"), "{answer:?}");
    let nowhere = dealer.technician.post("/v1/components", &pump(Uuid::nil())).await;
    nowhere.refused_for(422, &[("/unit_id", "unknown_reference")]);
    assert_eq!(items(&dealer.office, "/v1/components").await, [Value::Null; 0]);
}

#[tokio::test]
async fn a_part_is_taken_out_once_when_it_can_have_been() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let part = dealer.office.create("/v1/components", &pump(dealer.unit("W-1").await)).await;
    let path = format!("/v1/components/{}", id(&part));
    let retire = format!("{path}/retire");
    let out = async |etag: &str, at: &str, why: &str| {
        dealer.technician.post_at_with(&retire, etag, &json!({ "out_at": at, "out_why": why })).await
    };
    out("\"1\"", "2026-01-12T09:29:59Z", "failed").await.refused_for(422, &[("/out_at", "before_fitted")]);
    out("\"1\"", "2090-01-01T00:00:00Z", "failed").await.refused_for(422, &[("/out_at", "future")]);
    out("\"1\"", "2026-03-01T00:00:00Z", "bored").await.refused_for(422, &[("/out_why", "unknown_out_why")]);
    let taken = out("\"1\"", "2026-03-01T00:00:00Z", "worn_out_found").await.json();
    assert_eq!((&taken["out_at"], &taken["out_why"]), (&json!("2026-03-01T00:00:00Z"), &json!("worn_out_found")));
    out("\"2\"", "2026-03-02T00:00:00Z", "failed").await.refused_for(409, &[("", "out_already")]);

    let late = json!({ "fitted_at": "2026-04-01T00:00:00Z" });
    dealer.technician.patch(&path, "\"2\"", &late).await.refused_for(422, &[("/out_at", "before_fitted")]);
    let renamed = dealer.technician.patch(&path, "\"2\"", &json!({ "serial_number": "88120-7" })).await.json();
    assert_eq!(renamed["out_why"], "worn_out_found", "a change leaves its end as it is");
}

#[tokio::test]
async fn a_part_stays_with_its_unit() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (one, two) = (dealer.unit("W-1").await, dealer.unit("W-2").await);
    let path = format!("/v1/components/{}", dealer.pump(one).await);
    let moved = dealer.office.patch(&path, "\"1\"", &json!({ "unit_id": two })).await;
    moved.refused_for(422, &[("/unit_id", "fixed")]);
}

#[tokio::test]
async fn parts_are_found_by_unit_and_kind() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (one, two) = (dealer.unit("W-1").await, dealer.unit("W-2").await);
    let (first, second) = (dealer.pump(one).await, dealer.pump(two).await);
    let mut lamp = pump(one);
    lamp["kind"] = json!("ozone_lamp");
    let lamp = id(&dealer.office.create("/v1/components", &lamp).await);
    let found = async |query: &str| {
        let list = items(&dealer.office, &format!("/v1/components?{query}")).await;
        list.iter().map(id).collect::<Vec<_>>()
    };
    assert_eq!(found(&format!("unit_id={one}")).await, [lamp, first]);
    assert_eq!(found("kind=transfer_pump").await, [first, second]);
    assert_eq!(found(&format!("kind=transfer_pump&unit_id={two}")).await, [second]);
}

#[tokio::test]
async fn customers_see_the_parts_that_served_them() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (harbour, quarry) = (dealer.customer("Harbour Haulage").await, dealer.customer("Quarry Trucks").await);
    let unit = dealer.unit("W-1").await;
    let placement = dealer.place(unit, dealer.site(harbour, "Quay").await, "2026-01-01T00:00:00Z").await;
    let ours = dealer.office.create("/v1/components", &pump(unit)).await;
    dealer.end_placement(&placement, "2026-03-01T00:00:00Z").await;
    dealer.place(unit, dealer.site(quarry, "Pit head").await, "2026-03-01T00:00:00Z").await;
    let mut later = pump(unit);
    later["fitted_at"] = json!("2026-03-05T00:00:00Z");
    let later = dealer.office.create("/v1/components", &later).await;
    let (of_harbour, of_quarry) = (dealer.customer_viewer(harbour).await, dealer.customer_viewer(quarry).await);
    let seen = async |client| items(client, "/v1/components").await.iter().map(id).collect::<Vec<_>>();
    assert_eq!(seen(&of_harbour).await, [id(&ours)]);
    assert_eq!(seen(&of_quarry).await, [id(&ours), id(&later)], "the first part is still in");
    of_harbour.get(&format!("/v1/components/{}", id(&later))).await.refused(404, "not-found");
}

/// What the makers say of parts is written down on pages too, also of a unit that stands nowhere yet.
#[tokio::test]
async fn a_part_is_added_and_changed_on_pages() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let (unit, kept) = (dealer.unit("W-1").await, dealer.unit("W-2").await);
    dealer.place(unit, dealer.site(customer, "Quay").await, "2026-01-01T00:00:00Z").await;
    let (own, form) = (format!("/units/{unit}"), format!("/units/{unit}/parts"));
    assert!(dealer.technician.page(&own).await.text().contains(&format!("href=\"{form}/new\"")));
    for unit in [unit, kept] {
        let empty = dealer.technician.page(&format!("/units/{unit}/parts/new")).await;
        assert!(empty.status() == 200 && empty.text().contains("name=\"rated_life\""), "{empty:?}");
    }
    let typed = |serial_number: &'static str, rated_life: &'static str, fitted_at: &'static str| {
        [
            ("key", "k-1"),
            ("revision", "1"),
            ("kind", "transfer_pump"),
            ("serial_number", serial_number),
            ("fitted_at", fitted_at),
            ("duty", "on_demand"),
            ("run_basis", "hours"),
            ("rated_life", rated_life),
            ("age_at_fitting", ""),
            ("warranty_until", "2028-01-12"),
        ]
    };
    let fitted = "2026-01-12T09:30";
    for (wrong, field) in [(typed("P <7>", "-1", fitted), "rated_life"), (typed("P <7>", "12000", ""), "fitted_at")] {
        let wrong = dealer.technician.send_form(&form, &wrong).await;
        assert!(wrong.status() == 422 && wrong.text().contains(&format!("href=\"#f-{field}\"")), "{field}: {wrong:?}");
        assert!(wrong.text().contains("P &#60;7&#62;"), "what was typed stays: {wrong:?}");
    }
    assert_eq!(items(&dealer.office, "/v1/components").await, [Value::Null; 0], "nothing half-done");
    for _ in 0..2 {
        let added = dealer.technician.send_form(&form, &typed("P <7>", "12000", fitted)).await;
        assert_eq!((added.status(), added.header("location")), (303, own.as_str()), "{added:?}");
    }
    let parts = items(&dealer.office, "/v1/components").await;
    assert_eq!(parts.len(), 1, "sent twice, kept once");
    assert_eq!((&parts[0]["unit_id"], &parts[0]["rated_life"]), (&json!(unit), &json!(12000.0)));
    assert_eq!((&parts[0]["fitted_at"], &parts[0]["age_at_fitting"]), (&json!("2026-01-12T08:30:00Z"), &json!(0.0)));

    let change = format!("/parts/{}", id(&parts[0]));
    assert!(dealer.technician.page(&own).await.text().contains(&format!("href=\"{change}\"")));
    let shown = dealer.technician.page(&change).await;
    assert!(shown.text().contains("value=\"2026-01-12T09:30\"") && shown.text().contains("P &#60;7&#62;"), "{shown:?}");
    let changed = typed("P-8", "15000", fitted);
    assert_eq!(dealer.technician.send_form(&change, &changed).await.header("location"), own);
    assert_eq!(dealer.technician.send_form(&change, &changed).await.status(), 412, "somebody was faster");
    let part = dealer.office.get(&format!("/v1{change}").replace("parts", "components")).await.json();
    assert_eq!((&part["serial_number"], &part["rated_life"]), (&json!("P-8"), &json!(15000.0)));
    // A form has no seconds: what is sent as it was shown keeps its own.
    let (path, good) = (format!("/v1/components/{}", id(&part)), json!("2026-02-12T09:30:27Z"));
    let seen = json!({ "last_good_at": good });
    assert_eq!(dealer.office.patch(&path, "\"2\"", &seen).await.status(), 200);
    let shown = ("last_good_at", "2026-02-12T10:30");
    let again = with(&changed, &[("revision", "3"), ("rated_life", "16000"), shown]);
    assert_eq!(dealer.technician.send_form(&change, &again).await.header("location"), own);
    let part = dealer.office.get(&path).await.json();
    assert_eq!((&part["rated_life"], &part["last_good_at"]), (&json!(16000.0), &good));
    let moved = with(&again, &[("revision", "4"), ("last_good_at", "2026-02-12T10:31")]);
    assert_eq!(dealer.technician.send_form(&change, &moved).await.header("location"), own);
    assert_eq!(dealer.office.get(&path).await.json()["last_good_at"], "2026-02-12T09:31:00Z");
    let viewer = dealer.customer_viewer(customer).await;
    assert!(!viewer.page(&own).await.shown().contains("/parts"), "a customer only reads");
    assert_eq!((viewer.page(&change).await.status(), viewer.send_form(&form, &changed).await.status()), (403, 403));
    let foreign = app.dealer("Elsewhere").await.technician;
    assert_eq!((foreign.page(&change).await.status(), foreign.send_form(&form, &changed).await.status()), (404, 404));
}

/// A form shows whole minutes, by the clock of the site: what was left as it was shown keeps its seconds, and its
/// hour on the night when clocks in Vienna go back (25 October 2026, IANA tzdata).
#[tokio::test]
async fn an_instant_that_a_form_left_alone_stays_to_the_second() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = crate::call_outs::Customer::new(&dealer, "W-1").await;
    let mut fitted = pump(bay.unit);
    (fitted["fitted_at"], fitted["last_good_at"]) = (json!("2026-01-12T08:30:45Z"), json!("2026-02-01T07:15:20Z"));
    let part = id(&dealer.office.create("/v1/components", &fitted).await);
    let change = format!("/parts/{part}");
    assert!(dealer.technician.page(&change).await.text().contains("value=\"2026-01-12T09:30\""));
    let typed = [
        ("revision", "1"),
        ("kind", "transfer_pump"),
        ("serial_number", "P-9"),
        ("fitted_at", "2026-01-12T09:30"),
        ("duty", "on_demand"),
        ("run_basis", "hours"),
        ("last_good_at", "2026-02-01T08:16"),
    ];
    assert_eq!(dealer.technician.send_form(&change, &typed).await.status(), 303);
    let part = dealer.office.get(&format!("/v1/components/{part}")).await.json();
    assert_eq!((&part["serial_number"], &part["fitted_at"]), (&json!("P-9"), &json!("2026-01-12T08:30:45Z")));
    assert_eq!(part["last_good_at"], "2026-02-01T07:16:00Z", "what was typed counts");

    let upset = json!({ "unit_id": bay.unit, "kind": "foam", "began_at": "2026-10-25T01:30:20Z" });
    let upset = id(&dealer.office.create("/v1/process-upsets", &upset).await);
    let typed = [
        ("revision", "1"),
        ("kind", "foam"),
        ("began_at", "2026-10-25T02:30"),
        ("ended_at", "2026-10-26T08:00"),
        ("done", "Less soap"),
    ];
    assert_eq!(dealer.technician.send_form(&format!("/upsets/{upset}"), &typed).await.status(), 303);
    let upset = dealer.office.get(&format!("/v1/process-upsets/{upset}")).await.json();
    let ends = (&upset["began_at"], &upset["ended_at"]);
    assert_eq!(ends, (&json!("2026-10-25T01:30:20Z"), &json!("2026-10-26T07:00:00Z")));
}

/// A part that nothing takes the place of goes with when and why, on the page of the part.
#[tokio::test]
async fn a_part_is_taken_out_on_its_page_without_another() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = crate::call_outs::Customer::new(&dealer, "W-1").await;
    let part = id(&dealer.office.create("/v1/components", &pump(bay.unit)).await);
    let (own, form) = (format!("/parts/{part}"), format!("/parts/{part}/out"));
    assert!(dealer.technician.page(&own).await.text().contains(&format!("href=\"{form}\"")));
    assert!(dealer.technician.page(&form).await.text().contains("it was found worn out"));
    let typed = |out_at: &'static str, out_why: &'static str, key: &'static str| {
        [("key", key), ("revision", "1"), ("out_at", out_at), ("out_why", out_why)]
    };
    for (out_at, out_why, field) in [
        ("2026-05-20T14:00", "", "out_why"),
        ("2026-05-20T14:00", "stolen", "out_why"),
        ("2026-01-02T14:00", "upgrade", "out_at"),
        ("2090-05-20T14:00", "upgrade", "out_at"),
    ] {
        let wrong = dealer.technician.send_form(&form, &typed(out_at, out_why, "k-1")).await;
        assert!(wrong.status() == 422 && wrong.text().contains(&format!("href=\"#f-{field}\"")), "{field}: {wrong:?}");
    }
    let (viewer, foreign) = (dealer.customer_viewer(bay.customer).await, app.dealer("Elsewhere").await.technician);
    for (person, status) in [(viewer, 403), (foreign, 404)] {
        let sent = person.send_form(&form, &typed("2026-05-20T14:00", "upgrade", "k-1")).await.status();
        assert_eq!((person.page(&form).await.status(), sent), (status, status));
    }
    let component = format!("/v1/components/{part}");
    assert_eq!(dealer.office.get(&component).await.json()["out_at"], Value::Null, "nothing half-done");
    for _ in 0..2 {
        let sent = dealer.technician.send_form(&form, &typed("2026-05-20T14:00", "upgrade", "k-1")).await;
        assert_eq!((sent.status(), sent.header("location")), (303, &*format!("/units/{}", bay.unit)), "{sent:?}");
    }
    let parts = items(&dealer.office, "/v1/components").await;
    assert_eq!(parts.len(), 1, "none takes its place");
    let out = (&parts[0]["out_at"], &parts[0]["out_why"], &parts[0]["revision"]);
    assert_eq!(out, (&json!("2026-05-20T12:00:00Z"), &json!("upgrade"), &json!(2)));
    let again = dealer.technician.send_form(&form, &typed("2026-05-21T14:00", "failed", "k-2")).await;
    assert!(again.status() == 409 && again.text().contains("The part is out already"), "{again:?}");
    assert!(!dealer.technician.page(&own).await.text().contains(&form));
}
