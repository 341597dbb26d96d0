//! Notes of sites: rain, the diverter, guns, washes and losses.

use crate::conventions::items;
use crate::measures::{Bay, flow_test, withdraw};
use crate::support::{Dealer, TestApp, id};
use serde_json::{Value, json};
use uuid::Uuid;

async fn bay() -> (TestApp, Dealer, Bay) {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    (app, dealer, bay)
}

fn rain(day: &str, depth_mm: f64) -> Value {
    json!({ "day": day, "depth_mm": depth_mm, "source": "gauge" })
}

/// From when until when the notes of a list hold.
async fn spans(dealer: &Dealer, path: &str) -> Vec<(Value, Value)> {
    items(&dealer.office, path).await.iter().map(|note| (note["from"].clone(), note["to"].clone())).collect()
}

#[tokio::test]
async fn each_rain_day_gets_its_answer() {
    let (app, dealer, bay) = bay().await;
    let path = bay.of_site("rain-days");
    let add = async |days: Value| dealer.technician.post(&path, &json!({ "rain_days": days })).await.json();
    app.forget_touched().await;
    let taken = add(json!([
        rain("2026-03-01", 7.5),
        rain("2026-03-02", -1.0),
        { "day": "2026-03-31", "depth_mm": 1, "source": "guess" },
        { "day": "31 March", "depth_mm": 1, "source": "gauge" },
        rain("2026-03-01", 7.5),
        rain("2026-03-01", 8.0),
        rain("2090-01-01", 1.0),
        rain("2026-03-03", 0.0)
    ]))
    .await;
    assert_eq!((&taken["accepted"], &taken["known"]), (&json!(2), &json!(1)));
    let text = |bad: &Value, member: &str| bad[member].as_str().unwrap().to_owned();
    let rejected: Vec<_> =
        taken["rejected"].as_array().unwrap().iter().map(|bad| (text(bad, "pointer"), text(bad, "code"))).collect();
    let named = |pointer: &str, code: &str| (pointer.to_owned(), code.to_owned());
    assert_eq!(
        rejected,
        [
            named("/rain_days/1/depth_mm", "out_of_range"),
            named("/rain_days/2/source", "unknown_source"),
            named("/rain_days/3/day", "wrong_type"),
            named("/rain_days/5/depth_mm", "conflict"),
            named("/rain_days/6/day", "future"),
        ]
    );
    // Midnight in Vienna is an hour earlier in UTC.
    assert_eq!(app.touched().await, [(bay.meters(), "2026-02-28".to_owned(), "2026-03-03".to_owned())]);

    assert_eq!(add(json!([rain("2026-03-01", 7.5)])).await["known"], 1);
    let stored = items(&dealer.office, &format!("{path}?from=2026-03-01&to=2026-03-03")).await;
    assert_eq!((stored.len(), &stored[0]["depth_mm"]), (1, &json!(7.5)));
    withdraw(&dealer.technician, &path, &stored[0]).await;
    assert_eq!(add(json!([rain("2026-03-01", 8.0)])).await["accepted"], 1);
    let many = dealer.technician.post(&path, &json!({ "rain_days": vec![rain("2026-03-01", 8.0); 1001] })).await;
    many.refused(413, "too-large");
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!(items(&viewer, &path).await.len(), 2);
    viewer.post(&path, &json!({ "rain_days": [] })).await.refused(403, "not-allowed");
    let stranger = dealer.customer_viewer(dealer.customer("Quarry Trucks").await).await;
    stranger.get(&path).await.refused(404, "not-found");
}

#[tokio::test]
async fn the_diverter_leads_to_the_pit_from_to() {
    let (_app, dealer, bay) = bay().await;
    let path = bay.of_site("rain-intakes");
    let at = |day: &str| json!(format!("2026-03-{day}T00:00:00Z"));
    dealer.technician.create(&path, &json!({ "from": at("01") })).await;
    let second = dealer.technician.create(&path, &json!({ "from": at("03") })).await;
    assert_eq!(spans(&dealer, &path).await, [(at("01"), at("03")), (at("03"), Value::Null)]);
    let end = async |day: &str| {
        dealer.technician.post(&format!("{path}/{}/end", id(&second)), &json!({ "to": at(day) })).await
    };
    end("02").await.refused_for(422, &[("/to", "not_after_from")]);
    assert_eq!(end("05").await.json()["to"], at("05"));
    end("06").await.refused_for(409, &[("", "ended_already")]);
    let overlapping = dealer.technician.post(&path, &json!({ "from": at("04"), "to": at("08") })).await;
    overlapping.refused_for(409, &[("/from", "intake_overlaps")]);
    let backwards = dealer.technician.post(&path, &json!({ "from": at("08"), "to": at("07") })).await;
    backwards.refused_for(422, &[("/to", "not_after_from")]);
}

#[tokio::test]
async fn a_flow_test_tells_the_guns_flow() {
    let (app, dealer, bay) = bay().await;
    let path = bay.of_site("flow-tests");
    app.forget_touched().await;
    let test = dealer.technician.create(&path, &flow_test("2026-03-02", "Gun 1")).await;
    assert_eq!(test["l_per_min"], 15.0, "20 L in 80 s");
    assert_eq!(app.touched().await[0].1, "2026-01-01", "the first test holds before it too");
    dealer.technician.create(&path, &flow_test("2026-03-02", "Gun 2")).await;
    let again = dealer.technician.post(&path, &flow_test("2026-03-02", "Gun 1")).await;
    again.refused_for(409, &[("/day", "test_exists")]);
    let ahead = dealer.technician.post(&path, &flow_test("2090-03-02", "Gun 1")).await;
    ahead.refused_for(422, &[("/day", "future")]);
    let wrong = json!({ "day": "2026-03-03", "gun": "", "litres": -20, "seconds": 0, "u_share": 2 });
    let faults =
        [("/gun", "required"), ("/litres", "out_of_range"), ("/seconds", "out_of_range"), ("/u_share", "out_of_range")];
    dealer.technician.post(&path, &wrong).await.refused_for(422, &faults);
}

#[tokio::test]
async fn wash_volume_is_derived_from_a_tested_gun_and_run_hours_at_the_site() {
    let (_app, dealer, bay) = bay().await;
    let path = bay.of_site("wash-derivations");
    let derivation = |meter: Uuid, from: &str| json!({ "from": from, "gun": "Gun 1", "method": "trigger_hours", "meter_id": meter, "source": "Flow switch" });
    let refused = async |input: Value, faults: &[(&str, &str)]| {
        dealer.office.post(&path, &input).await.refused_for(422, faults);
    };
    let hours = id(&bay.pump_hours);
    refused(derivation(Uuid::nil(), "2026-03-01"), &[("/gun", "unknown_gun"), ("/meter_id", "unknown_reference")])
        .await;
    dealer.technician.create(&bay.of_site("flow-tests"), &flow_test("2026-03-02", "Gun 1")).await;
    refused(derivation(id(&bay.makeup), "2026-03-01"), &[("/meter_id", "wrong_stream")]).await;
    let elsewhere = Bay::new(&dealer, "W-2").await;
    refused(derivation(id(&elsewhere.pump_hours), "2026-03-01"), &[("/meter_id", "not_at_site")]).await;
    let mut shared = derivation(hours, "2026-03-01");
    shared["share"] = json!(0.4);
    refused(shared, &[("/share", "not_taken")]).await;
    let mut of_pump = derivation(hours, "2026-03-01");
    (of_pump["method"], of_pump["share"], of_pump["to"]) =
        (json!("share_of_pump_hours"), json!(1.5), json!("2026-03-01"));
    refused(of_pump, &[("/to", "not_after_from"), ("/share", "out_of_range"), ("/u_share", "required")]).await;

    let first = dealer.office.create(&path, &derivation(hours, "2026-03-01")).await;
    let same_day = dealer.office.post(&path, &derivation(hours, "2026-03-01")).await;
    same_day.refused_for(409, &[("/from", "derivation_overlaps")]);
    let second = dealer.office.create(&path, &derivation(hours, "2026-05-01")).await;
    let day = |text: &str| json!(text);
    assert_eq!(spans(&dealer, &path).await, [(day("2026-03-01"), day("2026-05-01")), (day("2026-05-01"), Value::Null)]);
    let end = |note: &Value| format!("{path}/{}/end", id(note));
    dealer.office.post(&end(&first), &json!({ "to": "2026-04-01" })).await.refused_for(409, &[("", "ended_already")]);
    assert_eq!(dealer.office.post(&end(&second), &json!({ "to": "2026-06-01" })).await.json()["to"], "2026-06-01");
    dealer.technician.post(&path, &derivation(hours, "2026-06-01")).await.refused(403, "not-allowed");
}

#[tokio::test]
async fn washes_of_a_class_are_counted_once_and_by_customers_too() {
    let (app, dealer, bay) = bay().await;
    let path = bay.of_site("wash-tallies");
    let reader = dealer.customer_reader(bay.customer).await;
    let tally = |from: &str, to: &str, class: &str| json!({ "from": from, "to": to, "machine_class": class, "washes": 42, "source": "counter" });
    app.forget_touched().await;
    let march = reader.create(&path, &tally("2026-03-01", "2026-04-01", "wheel_loader")).await;
    assert_eq!(app.touched().await, [(bay.meters(), "2026-02-28".to_owned(), "2026-03-31".to_owned())]);
    reader.create(&path, &tally("2026-04-01", "2026-05-01", "wheel_loader")).await;
    reader.create(&path, &tally("2026-03-01", "2026-04-01", "excavator")).await;
    let twice = tally("2026-03-31", "2026-04-02", "wheel_loader");
    reader.post(&path, &twice).await.refused_for(409, &[("/from", "tally_overlaps")]);
    let wrong = json!({ "from": "2026-03-01", "to": "2026-03-01", "machine_class": "Wheel loader", "washes": -1, "source": "guess" });
    let faults = [
        ("/to", "not_after_from"),
        ("/source", "unknown_source"),
        ("/machine_class", "not_a_word"),
        ("/washes", "out_of_range"),
    ];
    reader.post(&path, &wrong).await.refused_for(422, &faults);
    reader.post(&path, &tally("2026-05-01", "2090-01-01", "excavator")).await.refused_for(422, &[("/to", "future")]);
    withdraw(&reader, &path, &march).await;
    reader.create(&path, &tally("2026-03-15", "2026-04-01", "wheel_loader")).await;
    let stranger = dealer.customer_reader(dealer.customer("Quarry Trucks").await).await;
    stranger.post(&path, &twice).await.refused(404, "not-found");
}

#[tokio::test]
async fn one_coefficient_of_each_loss_holds_at_a_time() {
    let (_app, dealer, bay) = bay().await;
    let path = bay.of_site("loss-coefficients");
    let coefficient = |from: &str, to: Option<&str>, loss: &str, basis: &str, value: f64| json!({ "from": from, "to": to, "loss": loss, "basis": basis, "value": value, "u_share": 0.3, "source": "Declared" });
    let office = &dealer.office;
    office.create(&path, &coefficient("2026-01-01", None, "evaporation", "day", 25.0)).await;
    office.create(&path, &coefficient("2026-01-01", None, "carry_off", "wash", 8.0)).await;
    office.create(&path, &coefficient("2026-04-01", Some("2026-10-01"), "evaporation", "day", 60.0)).await;
    let holds: Vec<_> = items(office, &format!("{path}?from=2026-02-01&to=2026-03-01")).await;
    let named: Vec<_> = holds.iter().map(|note| (&note["loss"], &note["to"])).collect();
    assert_eq!(named, [(&json!("evaporation"), &json!("2026-04-01")), (&json!("carry_off"), &Value::Null)]);
    let overlapping = office.post(&path, &coefficient("2026-09-01", None, "evaporation", "day", 25.0)).await;
    overlapping.refused_for(409, &[("/from", "coefficient_overlaps")]);

    let mut wrong = coefficient("2026-11-01", Some("2026-11-01"), "leak", "flow", 1.5);
    (wrong["surface_m2"], wrong["u_share"], wrong["source"]) = (json!(6.0), json!(-1), json!(" "));
    let faults = [
        ("/to", "not_after_from"),
        ("/loss", "unknown_loss"),
        ("/surface_m2", "not_taken"),
        ("/value", "out_of_range"),
        ("/u_share", "out_of_range"),
        ("/source", "required"),
    ];
    office.post(&path, &wrong).await.refused_for(422, &faults);
    let nowhere = format!("/v1/sites/{}/loss-coefficients", Uuid::nil());
    office.post(&nowhere, &coefficient("2026-01-01", None, "carry_off", "wash", 8.0)).await.refused(404, "not-found");
}

#[tokio::test]
async fn another_catchment_has_the_sites_figures_computed_again() {
    let (app, dealer, bay) = bay().await;
    app.forget_touched().await;
    let path = format!("/v1/sites/{}", bay.site);
    let faults = [("/runoff_coefficient", "out_of_range"), ("/initial_loss_mm", "out_of_range")];
    let wrong = json!({ "runoff_coefficient": 1.1, "initial_loss_mm": -1 });
    dealer.office.patch(&path, "\"1\"", &wrong).await.refused_for(422, &faults);
    assert_eq!(app.touched().await, []);
    dealer.office.patch(&path, "\"1\"", &json!({ "runoff_coefficient": 0.85, "initial_loss_mm": 1.5 })).await.json();
    assert_eq!(app.touched().await.len(), 1);
}
