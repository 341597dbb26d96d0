//! What sites used, and what the night run foresees of the stock.

use crate::conventions::items;
use crate::series::{as_media, is_row_of, lines};
use crate::stock::{Store, coagulant, movement};
use crate::support::{Dealer, TestApp, id};
use chrono::{DateTime, Datelike, Duration, Months, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

pub(crate) fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

/// A site with a unit and a place of stock, from 1 January 2026 on.
pub(crate) struct Yard {
    pub(crate) site: Uuid,
    pub(crate) unit: Uuid,
    pub(crate) place: Uuid,
}

impl Yard {
    pub(crate) async fn new(dealer: &Dealer) -> Self {
        let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
        let unit = dealer.unit("W-1").await;
        dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
        let place = json!({ "name": "North yard", "kind": "site", "site_id": site });
        Self { site, unit, place: id(&dealer.office.create("/v1/places", &place).await) }
    }

    pub(crate) async fn dip(&self, dealer: &Dealer, item: Uuid, at: &str, open: &str) -> Value {
        let dip = json!({ "item_id": item, "at": at, "open": open, "sealed": "0", "unit": "l" });
        dealer.technician.create(&format!("/v1/sites/{}/dips", self.site), &dip).await
    }

    async fn used(&self, dealer: &Dealer) -> Vec<Value> {
        let path = format!("/v1/sites/{}/consumable-use?from=2026-03-01&to=2026-04-01", self.site);
        items(&dealer.office, &path).await
    }
}

#[tokio::test]
async fn use_at_a_site_is_told_by_dips_then_ledger_then_dosing() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (store, yard) = (Store::new(&dealer).await, Yard::new(&dealer).await);
    // 20 mL/min x 0.5 x 0.5 for half the time: 3.6 L a day.
    let setting = json!({ "item_id": store.item, "at": "2026-02-01T08:00:00Z", "full_ml_per_min": 20.0,
        "stroke_share": 0.5, "speed_share": 0.5, "run_share": 0.5 });
    let settings = format!("/v1/units/{}/dosing-settings", yard.unit);
    dealer.technician.create(&settings, &setting).await;
    let used = &yard.used(&dealer).await[0];
    assert_eq!(used["method"], "dosing");
    // March has an hour less in Vienna.
    let march_d = 31.0 - 1.0 / 24.0;
    assert!((used["quantity"].as_f64().unwrap() - 3.6 * march_d).abs() < 1e-6, "{used}");

    store.receive(&dealer, "2026-02-01T08:00:00Z", "200").await;
    let issued = json!({ "from_place_id": store.warehouse, "unit_id": yard.unit, "payer": "billed" });
    let issued = movement(store.item, "issued", "2026-03-10T08:00:00Z", "100", issued);
    dealer.technician.create("/v1/stock-movements", &issued).await;
    let used = &yard.used(&dealer).await[0];
    assert_eq!((&used["method"], &used["quantity"]), (&json!("ledger"), &json!(100.0)));

    yard.dip(&dealer, store.item, "2026-03-02T08:00:00Z", "30").await;
    let wrong = yard.dip(&dealer, store.item, "2026-03-22T08:00:00Z", "10").await;
    let used = &yard.used(&dealer).await[0];
    // 30 + 100 straight to the unit - 10, in 20 days.
    assert_eq!((&used["method"], &used["quantity"]), (&json!("dips"), &json!(120.0)));
    assert_eq!((&used["by_ledger"], &used["from"]), (&json!(100.0), &json!("2026-03-02T08:00:00Z")));
    assert!((used["by_dosing"].as_f64().unwrap() - 72.0).abs() < 1e-6, "{used}");
    let finding = &used["finding"];
    assert_eq!((&finding["is"], &finding["actual"]), (&json!("above"), &json!(120.0)), "72 were dosed: {used}");
    assert_eq!(used["differences"][0], json!({ "method": "ledger", "beyond": -20.0 }));

    let withdrawing = format!("/v1/sites/{}/dips/{}/withdraw", yard.site, id(&wrong));
    assert_eq!(dealer.technician.post(&withdrawing, &json!({ "reason": "wrong drum" })).await.status(), 200);
    assert_eq!(yard.used(&dealer).await[0]["method"], "ledger", "one dip tells nothing");
}

#[tokio::test]
async fn notes_of_pumps_and_drums_name_their_faults() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (store, yard) = (Store::new(&dealer).await, Yard::new(&dealer).await);
    let (technician, nothing) = (&dealer.technician, Uuid::now_v7());
    let settings = format!("/v1/units/{}/dosing-settings", yard.unit);
    let half = json!({ "item_id": store.item, "at": "2026-02-01T08:00:00Z", "full_ml_per_min": 0.0, "stroke_share": 0.5,
        "run_share": 2.0 });
    let faults = [("/run_share", "out_of_range"), ("/speed_share", "required"), ("/full_ml_per_min", "out_of_range")];
    technician.post(&settings, &half).await.refused_for(422, &faults);
    let tests = format!("/v1/units/{}/draw-downs", yard.unit);
    let test = |item: Uuid, at: &str| json!({ "item_id": item, "at": at, "taken_ml": 42.0, "run_s": 300.0, "division_ml": 1.0 });
    let made = technician.create(&tests, &test(store.item, "2026-02-01T08:00:00Z")).await;
    assert_eq!(made["ml_per_min"], json!(8.4));
    technician
        .post(&tests, &test(nothing, "2026-02-01T08:00:00Z"))
        .await
        .refused_for(422, &[("/item_id", "unknown_reference")]);
    technician
        .post(&tests, &test(store.item, "2025-02-01T08:00:00Z"))
        .await
        .refused_for(422, &[("/at", "outside_placement")]);
    let dips = format!("/v1/sites/{}/dips", yard.site);
    let dip = |item: Uuid, unit: &str, open: &str| json!({ "item_id": item, "at": "2026-02-01T08:00:00Z", "open": open, "sealed": "25", "unit": unit });
    technician.post(&dips, &dip(store.item, "kg", "1")).await.refused_for(422, &[("/unit", "wrong_unit")]);
    technician.post(&dips, &dip(nothing, "l", "1")).await.refused_for(422, &[("/item_id", "unknown_reference")]);
    technician.post(&dips, &dip(store.item, "l", "-1")).await.refused_for(422, &[("/open", "out_of_range")]);
    let made = technician.create(&dips, &dip(store.item, "l", "1")).await;
    assert_eq!(items(&dealer.office, &dips).await, [made]);
    let other = app.dealer("Millrace").await;
    for path in [&dips, &tests, &settings] {
        other.owner.get(path).await.refused(404, "not-found");
    }
    // The lists show a customer's people their own.
    let theirs = dealer.customer_viewer(dealer.customer("Quarry Trucks").await).await;
    theirs.get(&dips).await.refused(404, "not-found");
    theirs.post(&dips, &dip(store.item, "l", "1")).await.refused(403, "not-allowed");
}

/// A warehouse that gave out as much in each of the twelve months before this one.
pub(crate) async fn steady(dealer: &Dealer, store: &Store, unit: Uuid, as_of: DateTime<Utc>) {
    let first = as_of.with_day(1).unwrap().checked_sub_months(Months::new(12)).unwrap();
    store.receive(dealer, &first.to_rfc3339(), "1000").await;
    for month in 0..12 {
        let at = (first.checked_add_months(Months::new(month)).unwrap() + Duration::days(14)).to_rfc3339();
        let issued = json!({ "from_place_id": store.warehouse, "unit_id": unit, "payer": "included" });
        dealer.technician.create("/v1/stock-movements", &movement(store.item, "issued", &at, "60", issued)).await;
    }
}

pub(crate) async fn seen(dealer: &Dealer, place: Uuid) -> Value {
    items(&dealer.office, &format!("/v1/stock/run-out?place_id={place}")).await[0].clone()
}

#[tokio::test]
async fn the_night_run_foresees_when_stock_runs_out_and_what_to_order() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    let (unit, as_of) = (dealer.unit("W-1").await, Utc::now());
    steady(&dealer, &store, unit, as_of).await;
    app.night(dealer.id, as_of).await;
    let row = seen(&dealer, store.warehouse).await;
    // 280 are left of 1000, at 60 a month or about 1.97 a day.
    assert_eq!((&row["on_hand"], &row["model"], &row["stood_on"]), (&json!("280"), &json!("smoothing"), &row["night"]));
    let per_day = row["per_day"].as_f64().unwrap();
    assert!((1.8..2.15).contains(&per_day), "{row}");
    let (least, likely, most) =
        (&row["cover_d"]["at_least"], row["cover_d"]["likely"].as_i64().unwrap(), &row["cover_d"]["at_most"]);
    assert!((128..158).contains(&likely), "280 / 1.97 = 142: {row}");
    assert!(least.as_i64().unwrap() <= likely && most.as_i64().unwrap() >= likely, "{row}");
    let days = |field: &str| row[field].as_str().unwrap().parse::<chrono::NaiveDate>().unwrap();
    assert_eq!(days("order_by"), days("earliest") - Duration::days(10), "its lead time");
    let (safety, point) = (row["safety_stock"].as_f64().unwrap(), row["reorder_point"].as_f64().unwrap());
    assert!((point - safety - 10.0 * per_day).abs() < 1.0 && safety > 0.0, "{row}");
    assert_eq!(dealer.office.get("/v1/stock/orders").await.json()["orders"], json!([]), "not yet");

    // A count finds little more than nothing: what stands there now counts, not that of the night.
    let count = json!({ "place_id": store.warehouse, "why": "missing" });
    let count = movement(store.item, "counted", &Utc::now().to_rfc3339(), "5", count);
    dealer.technician.create("/v1/stock-movements", &count).await;
    let order = &dealer.office.get("/v1/stock/orders").await.json()["orders"][0];
    assert_eq!((&order["supplier"], &order["place"]), (&json!("Valley"), &json!("Warehouse")));
    let line = &order["lines"][0];
    let packs = line["packs"].as_f64().unwrap();
    assert_eq!(
        (&line["why"], line["quantity"].as_str().unwrap()),
        (&json!("at_reorder_point"), &*format!("{}", packs * 25.0))
    );
    // Up to the reorder point and thirty days' use above it, in packs of 25.
    let wanted = point + 30.0 * per_day - 5.0;
    assert!((packs - (wanted / 25.0).ceil()).abs() <= 1.0 && packs >= 2.0, "{wanted}: {line}");
    // What is kept for a visit can't be counted on.
    let kept = json!({ "place_id": store.warehouse, "planned_on": "2026-12-20", "lines": [{ "item_id": store.item, "quantity": "100" }] });
    dealer.office.create("/v1/stock-reservations", &kept).await;
    let more = dealer.office.get("/v1/stock/orders").await.json()["orders"][0]["lines"][0]["packs"].as_f64().unwrap();
    assert_eq!(more, packs + 4.0);
}

#[tokio::test]
async fn a_planned_lay_up_stretches_the_stock_of_a_site() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (store, yard) = (Store::new(&dealer).await, Yard::new(&dealer).await);
    let setting = json!({ "item_id": store.item, "at": "2026-02-01T08:00:00Z", "full_ml_per_min": 20.0,
        "stroke_share": 0.5, "speed_share": 0.5, "run_share": 0.5 });
    dealer.technician.create(&format!("/v1/units/{}/dosing-settings", yard.unit), &setting).await;
    let delivered =
        movement(store.item, "received", "2026-03-01T08:00:00Z", "40", json!({ "to_place_id": yard.place }));
    dealer.technician.create("/v1/stock-movements", &delivered).await;
    let as_of = at("2026-03-15T02:00:00Z");
    app.night(dealer.id, as_of).await;
    let row = seen(&dealer, yard.place).await;
    // 40 at 3.6 a day serve eleven days; the twelfth is 26 March.
    assert_eq!((&row["model"], &row["likely"]), (&json!("per_day"), &json!("2026-03-26")), "{row}");
    let spell = json!({ "state": "laid_up", "from": "2026-03-17T23:00:00Z", "to": "2026-04-16T22:00:00Z" });
    dealer.office.create(&format!("/v1/units/{}/spells", yard.unit), &spell).await;
    app.night(dealer.id, as_of).await;
    let row = seen(&dealer, yard.place).await;
    // The thirty days from 18 March to 16 April need nothing.
    assert_eq!(row["likely"], json!("2026-04-25"), "{row}");
}

#[tokio::test]
async fn a_use_out_of_line_is_a_finding_and_a_dip_counts_for_what_is_left() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (store, yard) = (Store::new(&dealer).await, Yard::new(&dealer).await);
    let delivered =
        movement(store.item, "received", "2026-01-01T08:00:00Z", "500", json!({ "to_place_id": yard.place }));
    dealer.technician.create("/v1/stock-movements", &delivered).await;
    for (day, left) in [("01-02", "500"), ("02-01", "440"), ("03-01", "384"), ("04-01", "322"), ("05-01", "262")] {
        yard.dip(&dealer, store.item, &format!("2026-{day}T08:00:00Z"), left).await;
    }
    let as_of = at("2026-05-10T02:00:00Z");
    app.night(dealer.id, as_of).await;
    let row = seen(&dealer, yard.place).await;
    assert_eq!((&row["on_hand"], &row["stood_on"]), (&json!("262"), &json!("2026-05-01")), "{row}");
    assert_eq!(row["finding"], Value::Null, "two a day throughout: {row}");
    assert!((row["per_day"].as_f64().unwrap() - 2.0).abs() < 0.1, "{row}");
    yard.dip(&dealer, store.item, "2026-06-01T08:00:00Z", "100").await;
    app.night(dealer.id, at("2026-06-10T02:00:00Z")).await;
    let finding = seen(&dealer, yard.place).await["finding"].clone();
    assert_eq!((&finding["is"], &finding["actual"]), (&json!("above"), &json!(162.0)), "{finding}");
    assert_eq!(finding["since"], json!("2026-05-01T08:00:00Z"));
}

#[tokio::test]
async fn too_little_of_a_past_foresees_nothing() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    dealer.office.create("/v1/consumables", &coagulant("Never moved")).await;
    store.receive(&dealer, "2026-03-01T08:00:00Z", "36").await;
    app.night(dealer.id, at("2026-03-15T02:00:00Z")).await;
    let rows = items(&dealer.office, "/v1/stock/run-out").await;
    assert_eq!(rows.len(), 1, "{rows:?}");
    assert_eq!((&rows[0]["model"], &rows[0]["earliest"], &rows[0]["months"]), (&Value::Null, &Value::Null, &json!(0)));
    let table = lines(&as_media(&dealer.office, "/v1/stock/run-out", "application/x-ndjson").await);
    assert_eq!(table.len(), 1, "{table:?}");
    is_row_of(&table[0], &rows[0]);
}

/// What is declared of an item foresees its use at a site until a past tells how much it is.
#[tokio::test]
async fn a_declared_use_foresees_a_run_out() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let yard = Yard::new(&dealer).await;
    let second = dealer.unit("W-2").await;
    dealer.place(second, yard.site, "2026-01-01T00:00:00Z").await;
    // 1.5 L at 20 degrees; ten less halve it, and half is what a unit uses in spring.
    let mut water_c = [10.0; 12];
    water_c[6] = 20.0;
    let mut nutrient = coagulant("Nutrient");
    nutrient["per_day"] = json!({ "at_20_c": 1.5, "theta": 2_f64.powf(0.1), "water_c": water_c, "sd_share": 0.0 });
    let item = id(&dealer.office.create("/v1/consumables", &nutrient).await);
    assert_eq!(dealer.office.get(&format!("/v1/consumables/{item}")).await.json()["per_day"], nutrient["per_day"]);
    let wrong = json!({ "per_day": { "at_20_c": -1.0, "theta": 2.0 } });
    let wrong = dealer.office.patch(&format!("/v1/consumables/{item}"), "\"1\"", &wrong).await;
    wrong.refused_for(422, &[("/per_day/at_20_c", "out_of_range"), ("/per_day/theta", "out_of_range")]);
    let delivered = json!({ "to_place_id": yard.place });
    let delivered = movement(item, "received", "2026-03-01T08:00:00Z", "31", delivered);
    dealer.technician.create("/v1/stock-movements", &delivered).await;
    app.night(dealer.id, at("2026-03-15T02:00:00Z")).await;
    let row = seen(&dealer, yard.place).await;
    // Two units, 0.75 each: 31 serve twenty days from 15 March on.
    let per_day = async |place| seen(&dealer, place).await["per_day"].as_f64().unwrap();
    assert_eq!((&row["model"], &row["months"]), (&json!("per_day"), &json!(0)), "{row}");
    assert!((per_day(yard.place).await - 1.5).abs() < 1e-9, "{row}");
    assert_eq!((&row["earliest"], &row["likely"]), (&json!("2026-04-04"), &json!("2026-04-04")), "{row}");
    // Dips of four months say half a litre a day; in July it will be twice that.
    for (day, left) in [("03-01", "100"), ("04-01", "84.5"), ("05-01", "69.5"), ("06-01", "54"), ("07-01", "39")] {
        yard.dip(&dealer, item, &format!("2026-{day}T08:00:00Z"), left).await;
    }
    app.night(dealer.id, at("2026-07-01T10:00:00Z")).await;
    let row = seen(&dealer, yard.place).await;
    assert_eq!(row["model"], "per_day", "{row}");
    assert!((per_day(yard.place).await - 1.0).abs() < 0.02, "{row}");
    // Of 39 July takes 31, and what is left serves 16 days more at half a litre.
    let likely = row["likely"].as_str().unwrap();
    assert!(("2026-08-15".."2026-08-19").contains(&likely), "{row}");
}

/// Sums of a month take dips where they span it, else the ledger, else dosing.
#[tokio::test]
async fn sums_of_months_take_dips_where_they_span_the_month() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (store, yard) = (Store::new(&dealer).await, Yard::new(&dealer).await);
    store.receive(&dealer, "2026-01-05T08:00:00Z", "500").await;
    let moved = json!({ "from_place_id": store.warehouse, "to_place_id": yard.place });
    let line = |kind: &str, at: &str, quantity: &str, more: Value| movement(store.item, kind, at, quantity, more);
    let post = async |sent: Value| dealer.technician.create("/v1/stock-movements", &sent).await;
    post(line("moved", "2026-02-05T08:00:00Z", "100", moved)).await;
    let issued = |at: &str, quantity: &str| {
        let more = json!({ "from_place_id": yard.place, "unit_id": yard.unit, "payer": "included" });
        line("issued", at, quantity, more)
    };
    post(issued("2026-02-10T08:00:00Z", "7")).await;
    post(issued("2026-03-10T08:00:00Z", "9")).await;
    // 60 + 100 - 120 in the 40 days from 21 January to 2 March: one a day.
    yard.dip(&dealer, store.item, "2026-01-21T08:00:00Z", "60").await;
    yard.dip(&dealer, store.item, "2026-03-02T08:00:00Z", "120").await;
    // A unit at a site that nobody dips at has its use by the ledger alone.
    let other = dealer.unit("W-2").await;
    dealer
        .place(other, dealer.site(dealer.customer("Quarry Trucks").await, "South").await, "2026-01-01T00:00:00Z")
        .await;
    let straight = json!({ "from_place_id": store.warehouse, "unit_id": other, "payer": "billed" });
    post(line("issued", "2026-02-11T08:00:00Z", "5", straight)).await;

    let sums = async |by: &str| items(&dealer.office, &format!("/v1/stock/use?by={by}&from=2026-02&to=2026-03")).await;
    let near = |value: &Value, expected: f64| (value.as_f64().unwrap() - expected).abs() < 1e-6;
    let of_site: Vec<Value> = sums("site").await.into_iter().filter(|sum| sum["of"] == json!(yard.site)).collect();
    let months: Vec<_> = of_site.iter().map(|sum| sum["month"].as_str().unwrap()).collect();
    assert_eq!(months, ["2026-02", "2026-03"]);
    assert!(near(&of_site[0]["quantity"], 28.0), "{of_site:?}");
    assert_eq!(of_site[0]["found_by"][0]["method"], "dips");
    let differences = &of_site[0]["differences"][0];
    assert!(differences["method"] == "ledger" && near(&differences["beyond"], -21.0), "{differences}");
    assert_eq!(of_site[0]["payers"], json!([{ "payer": "included", "quantity": "7" }]));
    assert_eq!((&of_site[1]["quantity"], &of_site[1]["found_by"][0]["method"]), (&json!(9.0), &json!("ledger")));
    let all = sums("dealer").await;
    assert!(near(&all[0]["quantity"], 33.0), "28 by dips and 5 by the ledger: {all:?}");
    let ways: Vec<_> = all[0]["found_by"].as_array().unwrap().iter().map(|way| way["method"].clone()).collect();
    assert_eq!(ways, ["dips", "ledger"]);
    let of_unit: Vec<Value> = sums("unit").await.into_iter().filter(|sum| sum["of"] == json!(yard.unit)).collect();
    assert_eq!(of_unit[0]["quantity"], 7.0, "a unit's are the ledger's");
}
