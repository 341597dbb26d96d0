//! What a dose asks of a unit's pump, and how hard the stages of its treatment are loaded.

use crate::ages::ago;
use crate::stock::coagulant;
use crate::support::{Dealer, TestApp, id};
use chrono::Utc;
use serde_json::{Value, json};
use uuid::Uuid;

/// A unit with two stages, at a site for 200 days.
async fn standing(dealer: &Dealer) -> Uuid {
    let model = json!({ "name": "Loop 2000", "rated_flow_l_per_h": 500.0, "working_volume_l": 3500.0, "float_band_l": 300.0,
        "stages": [{ "name": "Settling", "volume_l": 1200.0, "surface_m2": 1.5, "weir_m": 0.8 },
            { "name": "Biology", "volume_l": 2400.0 }] });
    let model = dealer.office.create("/v1/unit-models", &model).await;
    assert_eq!(model["stages"][0]["surface_m2"], 1.5);
    let unit = json!({ "serial_number": "W-1", "label": "W-1", "model_id": id(&model) });
    let unit = id(&dealer.office.create("/v1/units", &unit).await);
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "Quay").await;
    dealer.place(unit, site, &ago(200)).await;
    unit
}

/// A meter of a stream that passed so many litres a day in the last months.
async fn metered(app: &TestApp, dealer: &Dealer, unit: Uuid, stream: &str, l_per_d: i64) {
    let meter = json!({ "label": stream, "stream": stream, "unit": "l", "digits": 8, "read_by": "technician" });
    let attachment = json!({ "unit_id": unit, "from": ago(190) });
    let meter = id(&dealer.office.create("/v1/meters", &json!({ "meter": meter, "attachment": attachment })).await);
    let reading = |days: i64| json!({ "meter_id": meter, "read_at": ago(days), "register": l_per_d * (190 - days) });
    let readings: Vec<Value> = [190, 150, 110, 80, 50, 20].map(reading).to_vec();
    let answer = dealer.technician.post("/v1/readings", &json!({ "readings": readings })).await.json();
    assert_eq!(answer["rejected"], json!([]));
    app.night(dealer.id, Utc::now()).await;
}

#[track_caller]
fn near(value: &Value, expected: f64) {
    let value = value.as_f64().unwrap_or_else(|| panic!("{value} is no number"));
    assert!((value - expected).abs() <= 1e-6 * expected.abs(), "{value} is not {expected}");
}

/// Of readings at noon UTC, where days are the site's own.
#[track_caller]
fn about(value: &Value, expected: f64) {
    let value = value.as_f64().unwrap_or_else(|| panic!("{value} is no number"));
    assert!((value - expected).abs() <= 5e-3 * expected.abs(), "{value} is not about {expected}");
}

#[tokio::test]
async fn a_dose_asks_for_a_feed_and_a_setting() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = standing(&dealer).await;
    let mut product = coagulant("Coagulant");
    product["active_share"] = json!(0.125);
    product["density_kg_per_l"] = json!(1.2);
    let item = id(&dealer.office.create("/v1/consumables", &product).await);
    let path = |more: &str| format!("/v1/units/{unit}/feed?item_id={item}&dose_mg_per_l=12{more}");
    dealer.technician.get(&path("")).await.refused_for(422, &[("/flow_l_per_d", "required")]);
    // 9000 L a day at 12 mg/L are 0.108 kg, of 12.5 % 0.864 kg, of 1.2 kg/L 0.72 L or 0.5 mL a minute.
    let fed = dealer.technician.get(&path("&flow_l_per_d=9000")).await.json();
    for (field, expected) in [
        ("active_kg_per_d", 0.108),
        ("product_kg_per_d", 0.864),
        ("product_l_per_d", 0.72),
        ("product_ml_per_min", 0.5),
    ] {
        near(&fed[field], expected);
    }
    assert_eq!((&fed["flow"]["by"], &fed["pump"]), (&json!("given"), &Value::Null));
    let stronger = dealer.technician.get(&path("&flow_l_per_d=9000&active_share=0.25")).await.json();
    near(&stronger["product_l_per_d"], 0.36);

    // 10 mL/min x 0.5 x 0.8 are 4; it runs a quarter of the time, and 0.5 in the mean are 2 then.
    let setting = json!({ "item_id": item, "at": ago(30), "full_ml_per_min": 10.0, "stroke_share": 0.5,
        "speed_share": 0.8, "run_share": 0.25 });
    dealer.technician.create(&format!("/v1/units/{unit}/dosing-settings"), &setting).await;
    let pump = async || dealer.technician.get(&path("&flow_l_per_d=9000")).await.json()["pump"].clone();
    let by_plate = pump().await;
    near(&by_plate["set_ml_per_min"], 4.0);
    near(&by_plate["to_set"]["speed_share"], 0.4);
    assert_eq!((&by_plate["to_set"]["by"], &by_plate["out_of_line"]), (&json!("plate"), &Value::Null));
    // It gave 3.2 where 4 are set: a fifth less, and so the speed has to rise by a quarter.
    let test = json!({ "item_id": item, "at": ago(20), "taken_ml": 16.0, "run_s": 300.0, "division_ml": 0.1 });
    dealer.technician.create(&format!("/v1/units/{unit}/draw-downs"), &test).await;
    let by_test = pump().await;
    near(&by_test["tested_ml_per_min"], 3.2);
    near(&by_test["to_set"]["speed_share"], 0.5);
    near(&by_test["to_set"]["ml_per_min"], 2.0);
    assert_eq!((&by_test["to_set"]["by"], &by_test["out_of_line"]), (&json!("draw_down"), &json!(true)));
    // 60 mg/L ask for 10 mL/min, more than it gives with that stroke.
    let much = dealer.technician.get(&path("&flow_l_per_d=9000").replace("=12&", "=60&")).await.json();
    assert_eq!(much["pump"]["to_set"], Value::Null);
    assert!(much["pump"]["no_setting"].as_str().unwrap().contains("lengthen it"), "{much}");
    // One led by pH has no fixed rate.
    let led = json!({ "item_id": item, "at": ago(10), "full_ml_per_min": 10.0, "run_share": 0.25 });
    dealer.technician.create(&format!("/v1/units/{unit}/dosing-settings"), &led).await;
    let led = pump().await;
    assert_eq!(
        (&led["set_ml_per_min"], &led["to_set"], &led["tested_ml_per_min"]),
        (&Value::Null, &Value::Null, &Value::Null)
    );
    assert!(led["no_setting"].as_str().unwrap().contains("no fixed rate"), "{led}");

    let unknown = id(&dealer.office.create("/v1/consumables", &coagulant("Of unknown strength")).await);
    let wrong = format!("/v1/units/{unit}/feed?item_id={unknown}&dose_mg_per_l=0&flow_l_per_d=0");
    let faults = [("/dose_mg_per_l", "out_of_range"), ("/flow_l_per_d", "out_of_range"), ("/active_share", "required")];
    dealer.technician.get(&wrong).await.refused_for(422, &faults);
    let nothing = format!("/v1/units/{unit}/feed?item_id={}&dose_mg_per_l=1&flow_l_per_d=1", Uuid::nil());
    dealer.technician.get(&nothing).await.refused_for(422, &[("/item_id", "unknown_reference")]);
    app.dealer("Elsewhere").await.office.get(&path("&flow_l_per_d=9000")).await.refused(404, "not-found");
}

#[tokio::test]
async fn stages_are_loaded_by_the_measured_flow() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = standing(&dealer).await;
    let path = format!("/v1/units/{unit}/stages");
    let none = dealer.technician.get(&path).await.json();
    assert_eq!((&none["flow"], &none["stages"][0]["detention_h"]), (&Value::Null, &Value::Null));
    // At 12,000 L a day by its plate 1200 L stay for 2.4 hours.
    near(&none["stages"][0]["detention_at_rated_h"], 2.4);
    metered(&app, &dealer, unit, "wash", 2400).await;
    let washed = dealer.technician.get(&path).await.json();
    assert_eq!(washed["flow"]["by"], "wash");
    about(&washed["flow"]["l_per_d"], 2400.0);
    about(&washed["stages"][1]["detention_h"], 24.0);
    metered(&app, &dealer, unit, "recirculation", 4800).await;
    let found = dealer.technician.get(&format!("{path}?brings_mg_per_l=250")).await.json();
    let settling = &found["stages"][0];
    assert_eq!((&found["flow"]["by"], &settling["name"]), (&json!("recirculation"), &json!("Settling")));
    about(&settling["detention_h"], 6.0);
    // 4.8 m3 a day on 1.5 m2, over 0.8 m; 1.2 kg a day into 1.2 m3.
    for (field, expected) in [("overflow_m_per_d", 3.2), ("weir_m3_per_m_d", 6.0), ("load_kg_per_m3_d", 1.0)] {
        about(&settling[field], expected);
    }
    assert_eq!(found["stages"][1]["overflow_m_per_d"], Value::Null, "it has no surface");
    let given = dealer.technician.get(&format!("{path}?flow_l_per_d=14400")).await.json();
    near(&given["stages"][0]["detention_h"], 2.0);
    let page = dealer.technician.get(&format!("/units/{unit}")).await;
    for part in ["By its meter of the circulation 4", "Settling", "Water stays for\" class=\"n\">6", "3.2\u{a0}m/d"] {
        assert!(page.text().contains(part), "{part}: {page:?}");
    }
    let wrong = format!("{path}?flow_l_per_d=0&brings_mg_per_l=-1");
    let faults = [("/flow_l_per_d", "out_of_range"), ("/brings_mg_per_l", "out_of_range")];
    dealer.technician.get(&wrong).await.refused_for(422, &faults);
    app.dealer("Elsewhere").await.office.get(&path).await.refused(404, "not-found");
}
