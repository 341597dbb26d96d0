//! What the night run makes of stock that the ledger says little of: what is known by dips or by the
//! setting of a pump alone, and what the ledger issued against what was expected of it.

use crate::stock::{Store, coagulant, movement};
use crate::stock_night::{Yard, at, seen};
use crate::support::{Dealer, TestApp, id};
use serde_json::{Value, json};
use uuid::Uuid;

/// 3.6 L a day from 1 February 2026 on.
async fn dosing(dealer: &Dealer, unit: Uuid, item: Uuid) {
    let setting = json!({ "item_id": item, "at": "2026-02-01T08:00:00Z", "full_ml_per_min": 20.0,
        "stroke_share": 0.5, "speed_share": 0.5, "run_share": 0.5 });
    dealer.technician.create(&format!("/v1/units/{unit}/dosing-settings"), &setting).await;
}

async fn orders(dealer: &Dealer) -> Value {
    dealer.office.get("/v1/stock/orders").await.json()["orders"].clone()
}

/// What a customer buys elsewhere stands in no ledger.
#[tokio::test]
async fn a_dip_alone_foresees_a_run_out_and_a_pump_alone_no_day() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let yard = Yard::new(&dealer).await;
    let item = id(&dealer.office.create("/v1/consumables", &coagulant("Coagulant")).await);
    dosing(&dealer, yard.unit, item).await;
    app.night(dealer.id, at("2026-02-20T02:00:00Z")).await;
    let row = seen(&dealer, yard.place).await;
    assert!((row["per_day"].as_f64().unwrap() - 3.6).abs() < 1e-9, "{row}");
    for day in ["earliest", "likely", "latest", "order_by", "reorder_point"] {
        assert_eq!(row[day], Value::Null, "nobody said how much is there: {row}");
    }
    assert_eq!(orders(&dealer).await, json!([]));
    let page = dealer.office.get(&format!("/stock?place={}", yard.place)).await;
    assert!(page.text().contains("nobody counted or dipped what is there"), "{page:?}");

    // 37 serve ten days at 3.6; the eleventh is 11 March.
    let dip = yard.dip(&dealer, item, "2026-03-01T08:00:00Z", "37").await;
    app.night(dealer.id, at("2026-03-02T02:00:00Z")).await;
    let row = seen(&dealer, yard.place).await;
    assert_eq!((&row["on_hand"], &row["stood_on"]), (&json!("37"), &json!("2026-03-01")), "{row}");
    assert_eq!((&row["model"], &row["likely"]), (&json!("per_day"), &json!("2026-03-11")), "{row}");
    let days = |field: &str| row[field].as_str().unwrap().parse::<chrono::NaiveDate>().unwrap();
    assert_eq!(days("order_by"), days("earliest") - chrono::Duration::days(10), "its lead time");
    assert_eq!(orders(&dealer).await[0]["place_id"], json!(yard.place), "it is due");
    let page = dealer.office.get(&format!("/stock?place={}", yard.place)).await;
    assert!(page.text().contains("37\u{a0}L"), "{page:?}");

    let withdrawing = format!("/v1/sites/{}/dips/{}/withdraw", yard.site, id(&dip));
    dealer.technician.post(&withdrawing, &json!({ "reason": "wrong drum" })).await.json();
    app.night(dealer.id, at("2026-03-03T02:00:00Z")).await;
    assert_eq!(seen(&dealer, yard.place).await["likely"], Value::Null, "the dip counts no more");
}

/// Issues of 20 at the site from February to May, three a month.
async fn issue(dealer: &Dealer, item: Uuid, yard: &Yard) {
    let post = async |sent: Value| dealer.technician.create("/v1/stock-movements", &sent).await;
    post(movement(item, "received", "2026-01-02T08:00:00Z", "500", json!({ "to_place_id": yard.place }))).await;
    for month in 2..6 {
        for day in [5, 15, 25] {
            let from = json!({ "from_place_id": yard.place, "unit_id": yard.unit, "payer": "included" });
            post(movement(item, "issued", &format!("2026-{month:02}-{day:02}T08:00:00Z"), "20", from)).await;
        }
    }
}

/// A van's issue straight to the unit at the site.
async fn issue_straight(dealer: &Dealer, store: &Store, item: Uuid, unit: Uuid) {
    let post = async |sent: Value| dealer.technician.create("/v1/stock-movements", &sent).await;
    post(movement(item, "received", "2026-01-02T08:00:00Z", "500", json!({ "to_place_id": store.van }))).await;
    let straight = json!({ "from_place_id": store.van, "unit_id": unit, "payer": "included" });
    post(movement(item, "issued", "2026-05-20T08:00:00Z", "60", straight)).await;
}

#[tokio::test]
async fn what_the_ledger_issued_is_held_against_what_is_declared() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (store, yard) = (Store::new(&dealer).await, Yard::new(&dealer).await);
    let mut declared = coagulant("Nutrient");
    declared["per_day"] = json!({ "at_20_c": 2.0, "theta": 1.0, "water_c": vec![20.0; 12], "sd_share": 0.0 });
    let item = id(&dealer.office.create("/v1/consumables", &declared).await);
    issue(&dealer, item, &yard).await;
    let as_of = at("2026-06-10T02:00:00Z");
    app.night(dealer.id, as_of).await;
    let row = seen(&dealer, yard.place).await;
    assert_eq!(row["finding"], Value::Null, "60 a month of 60 to 62: {row}");
    issue_straight(&dealer, &store, item, yard.unit).await;
    app.night(dealer.id, as_of).await;
    // 13 issues of 23 on average: two months, of which April and May expect 61 days of 2.
    let finding = seen(&dealer, yard.place).await["finding"].clone();
    assert_eq!((&finding["is"], &finding["actual"]), (&json!("above"), &json!(180.0)), "{finding}");
    assert!((finding["expected"].as_f64().unwrap() - 122.0).abs() < 1e-6, "{finding}");
    assert_eq!(finding["since"], "2026-03-31T22:00:00Z", "the first of April by the dealer's clock");
}

/// A shelf that stood full for months before anything was taken from it: those months say nothing of what is used.
/// Without them May alone is left, and three issues of 20 are too few to judge one month by.
#[tokio::test]
async fn months_before_the_first_issue_are_not_held_against_what_is_declared() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let yard = Yard::new(&dealer).await;
    let mut declared = coagulant("Nutrient");
    declared["per_day"] = json!({ "at_20_c": 2.0, "theta": 1.0, "water_c": vec![20.0; 12], "sd_share": 0.0 });
    let item = id(&dealer.office.create("/v1/consumables", &declared).await);
    let post = async |sent: Value| dealer.technician.create("/v1/stock-movements", &sent).await;
    post(movement(item, "received", "2026-01-02T08:00:00Z", "500", json!({ "to_place_id": yard.place }))).await;
    for day in [1, 15, 25] {
        let from = json!({ "from_place_id": yard.place, "unit_id": yard.unit, "payer": "included" });
        post(movement(item, "issued", &format!("2026-05-{day:02}T08:00:00Z"), "20", from)).await;
    }
    app.night(dealer.id, at("2026-06-10T02:00:00Z")).await;
    let row = seen(&dealer, yard.place).await;
    assert_eq!(row["finding"], Value::Null, "{row}");
}

/// A pump's setting comes before what is declared, month by month.
#[tokio::test]
async fn what_the_ledger_issued_is_held_against_what_was_dosed() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (store, yard) = (Store::new(&dealer).await, Yard::new(&dealer).await);
    issue(&dealer, store.item, &yard).await;
    dosing(&dealer, yard.unit, store.item).await;
    app.night(dealer.id, at("2026-06-10T02:00:00Z")).await;
    let finding = seen(&dealer, yard.place).await["finding"].clone();
    // 60 a month of 108 to 112 from March on; in February the pump was not set on the first day.
    assert_eq!((&finding["is"], &finding["actual"]), (&json!("below"), &json!(180.0)), "{finding}");
    assert_eq!(finding["since"], "2026-02-28T23:00:00Z");
}

/// A unit of a model that doses `dose` for each of `per`, at the yard since January 2026.
async fn of_model(dealer: &Dealer, yard: &Yard, item: Uuid, (dose, per): (f64, &str)) -> Uuid {
    let model = json!({ "name": "Loop 2000", "rated_flow_l_per_h": 2000.0, "working_volume_l": 4000.0, "float_band_l": 300.0,
        "consumables": [{ "name": "Coagulant", "unit": "l", "dose": dose, "dose_per": per, "item_id": item }] });
    let model = id(&dealer.office.create("/v1/unit-models", &model).await);
    let unit = json!({ "serial_number": "M-1", "label": "M-1", "model_id": model });
    let unit = id(&dealer.office.create("/v1/units", &unit).await);
    dealer.place(unit, yard.site, "2026-01-01T00:00:00Z").await;
    unit
}

#[tokio::test]
async fn the_dose_of_a_model_foresees_a_run_out() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (store, yard) = (Store::new(&dealer).await, Yard::new(&dealer).await);
    of_model(&dealer, &yard, store.item, (1.5, "day")).await;
    let delivered =
        movement(store.item, "received", "2026-03-01T08:00:00Z", "31", json!({ "to_place_id": yard.place }));
    dealer.technician.create("/v1/stock-movements", &delivered).await;
    app.night(dealer.id, at("2026-03-15T02:00:00Z")).await;
    let row = seen(&dealer, yard.place).await;
    // 31 serve twenty days at 1.5 from 15 March on; the other unit there is of no model.
    assert_eq!((&row["model"], &row["per_day"]), (&json!("per_day"), &json!(1.5)), "{row}");
    assert_eq!(row["likely"], json!("2026-04-04"), "{row}");
}

/// A dose for a cubic metre goes by what the unit's meter passed in months.
#[tokio::test]
async fn a_dose_for_a_cubic_metre_goes_by_what_was_washed() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (store, yard) = (Store::new(&dealer).await, Yard::new(&dealer).await);
    let unit = of_model(&dealer, &yard, store.item, (0.1, "m3")).await;
    let meter = json!({ "label": "Wash", "stream": "wash", "unit": "l", "digits": 8, "read_by": "technician" });
    let attachment = json!({ "unit_id": unit, "from": "2026-01-31T23:00:00Z" });
    let meter = id(&dealer.office.create("/v1/meters", &json!({ "meter": meter, "attachment": attachment })).await);
    // 280 m3 in February and 310 in March: 10 a day.
    let readings: Vec<Value> =
        [("2026-01-31T23:00:00Z", 0.0), ("2026-02-28T23:00:00Z", 280_000.0), ("2026-03-31T22:00:00Z", 590_000.0)]
            .iter()
            .map(|(at, register)| json!({ "meter_id": meter, "read_at": at, "register": register }))
            .collect();
    let answer = dealer.technician.post("/v1/readings", &json!({ "readings": readings })).await;
    assert_eq!(answer.json()["rejected"], json!([]));
    yard.dip(&dealer, store.item, "2026-03-31T08:00:00Z", "50").await;
    app.night(dealer.id, at("2026-04-02T02:00:00Z")).await;
    let row = seen(&dealer, yard.place).await;
    assert_eq!((&row["model"], &row["on_hand"]), (&json!("per_day"), &json!("50")), "{row}");
    // 0.1 for each of 590 m3 in 59 days, of which March has an hour less.
    let per_day = 59.0 / (59.0 - 1.0 / 24.0);
    assert!((row["per_day"].as_f64().unwrap() - per_day).abs() < 1e-6, "{row}");
}

/// An order is as large as costs least, where it is known what ordering and keeping cost.
#[tokio::test]
async fn costs_of_ordering_and_keeping_make_the_order_quantity() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let yard = Yard::new(&dealer).await;
    let mut item = coagulant("Nutrient");
    item["per_day"] = json!({ "at_20_c": 2.0, "theta": 1.0, "water_c": vec![20.0; 12], "sd_share": 0.0 });
    let half = json!({ "supply": { "order_cost": "50" } });
    let made = dealer.office.create("/v1/consumables", &item).await;
    let path = format!("/v1/consumables/{}", id(&made));
    let refused = dealer.office.patch(&path, "\"1\"", &half).await;
    refused.refused_for(422, &[("/supply/holding_cost_per_year", "required")]);
    let nothing = json!({ "supply": { "order_cost": "0", "holding_cost_per_year": "-1" } });
    let faults = [("/supply/order_cost", "out_of_range"), ("/supply/holding_cost_per_year", "out_of_range")];
    dealer.office.patch(&path, "\"1\"", &nothing).await.refused_for(422, &faults);
    // Of 730 a year, at 50 an order and 0.73 to keep one: the root of 2 x 730 x 50 / 0.73, about 316.
    let costs = json!({ "supply": { "order_cost": "50", "holding_cost_per_year": "0.73" } });
    let changed = dealer.office.patch(&path, "\"1\"", &costs).await.json();
    assert_eq!((&changed["supply"]["order_cost"], &changed["supply"]["lead_time_d"]), (&json!("50"), &json!(10)));
    let delivered = movement(id(&made), "received", "2026-03-01T08:00:00Z", "1", json!({ "to_place_id": yard.place }));
    dealer.technician.create("/v1/stock-movements", &delivered).await;
    app.night(dealer.id, at("2026-03-15T02:00:00Z")).await;
    let point = seen(&dealer, yard.place).await["reorder_point"].as_f64().unwrap();
    let line = &orders(&dealer).await[0]["lines"][0];
    let wanted = ((point + (2.0 * 730.0 * 50.0 / 0.73_f64).sqrt() - 1.0) / 25.0).ceil();
    assert_eq!(line["packs"].as_f64().unwrap(), wanted, "{point}: {line}");
    let cleared = json!({ "supply": { "order_cost": null, "holding_cost_per_year": null } });
    let cleared = dealer.office.patch(&path, "\"2\"", &cleared).await.json();
    assert_eq!(cleared["supply"].get("order_cost"), None, "{cleared}");
}
