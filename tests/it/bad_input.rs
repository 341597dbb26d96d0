//! What can't be: overlaps, gaps, blocks out of order, negative prices, unknown zones, nothing washed, no
//! baseline. Each is refused or said, with the field and what to do about it, and costs nothing else.

use crate::conventions::items;
use crate::support::{Answer, Client, Dealer, Scratch, TestApp, id, weirbook};
use chrono::Utc;
use serde_json::{Value, json};
use std::fs;
use uuid::Uuid;

/// Refused with just this fault, whose detail says what to do.
#[track_caller]
fn refused(answer: &Answer, status: u16, pointer: &str, code: &str) {
    answer.refused_for(status, &[(pointer, code)]);
    let detail = answer.problem()["errors"][0]["detail"].as_str().unwrap_or_default().to_owned();
    assert!(detail.len() > 15 && detail.contains(' '), "{pointer} {code}: {detail:?} says no fix");
}

async fn ground(dealer: &Dealer) -> (Uuid, Uuid, Uuid) {
    let customer = dealer.customer("Harbour Haulage").await;
    let (site, unit) = (dealer.site(customer, "Quay").await, dealer.unit("W-1").await);
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    (customer, site, unit)
}

fn tariff(blocks: &Value) -> Value {
    json!({ "name": "Town", "currency": "EUR", "terms": { "from": "2026-01-01", "unit": "m3", "per": "month",
        "water": { "blocks": blocks } } })
}

#[tokio::test]
async fn overlaps_of_time_are_refused() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (customer, site, unit) = ground(&dealer).await;
    let other = dealer.site(customer, "Pier").await;
    let office = &dealer.office;
    let placement = json!({ "site_id": other, "from": "2026-02-01T00:00:00Z", "terms": "rented" });
    let again = office.post(&format!("/v1/units/{unit}/placements"), &placement).await;
    refused(&again, 409, "/from", "placement_overlaps");

    let spells = format!("/v1/units/{unit}/spells");
    let spell = |from: &str, to: Value| json!({ "state": "bypassed", "from": from, "to": to });
    office.create(&spells, &spell("2026-03-01T00:00:00Z", json!("2026-03-10T00:00:00Z"))).await;
    let within = office.post(&spells, &spell("2026-03-05T00:00:00Z", json!("2026-03-06T00:00:00Z"))).await;
    refused(&within, 409, "/from", "spell_overlaps");

    let meter = id(&dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" })).await);
    let exchange = json!({ "at": "2026-03-02T11:15:00Z", "old_final": 10.0, "new_start": 0.0 });
    let exchanges = format!("/v1/meters/{meter}/exchanges");
    office.create(&exchanges, &exchange).await;
    refused(&office.post(&exchanges, &exchange).await, 409, "/at", "exchange_exists");
    let check =
        json!({ "at": "2026-03-02T11:15:00Z", "indicated_l": 101.0, "reference_l": 100.0, "u_reference_share": 0.0 });
    let checks = format!("/v1/meters/{meter}/checks");
    office.create(&checks, &check).await;
    refused(&office.post(&checks, &check).await, 409, "/at", "check_exists");
    let far =
        json!({ "at": "2026-03-03T11:15:00Z", "indicated_l": 1.0, "reference_l": 100.0, "u_reference_share": 0.0 });
    refused(&office.post(&checks, &far).await, 422, "/indicated_l", "too_far_off");
    let hours = json!({ "meter": { "label": "Hours", "stream": "run_hours", "unit": "h", "read_by": "technician" },
        "attachment": { "unit_id": unit, "from": "2026-01-01T00:00:00Z" } });
    let hours = id(&office.create("/v1/meters", &hours).await);
    refused(&office.post(&format!("/v1/meters/{hours}/checks"), &check).await, 422, "/indicated_l", "no_water");

    let account = json!({ "site_id": site, "name": "Yard", "supplier": "Town", "cycle_anchor": "2026-01-01", "charged_from": "2026-01-01" });
    let account = id(&office.create("/v1/water-accounts", &account).await);
    let tariffs = format!("/v1/water-accounts/{account}/tariffs");
    let open = json!([{ "price": "1" }]);
    office.create(&tariffs, &tariff(&open)).await;
    let mut later = tariff(&open);
    later["terms"]["from"] = json!("2026-04-01");
    refused(&office.post(&tariffs, &later).await, 422, "/terms/from", "overlaps");
}

#[tokio::test]
async fn wrong_prices_shares_and_zones_are_refused() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (customer, site, unit) = ground(&dealer).await;
    let office = &dealer.office;
    let account = json!({ "site_id": site, "name": "Yard", "supplier": "Town", "cycle_anchor": "2026-01-01", "charged_from": "2026-01-01" });
    let account = id(&office.create("/v1/water-accounts", &account).await);
    let tariffs = format!("/v1/water-accounts/{account}/tariffs");
    let post = async |blocks: Value| office.post(&tariffs, &tariff(&blocks)).await;
    let falling = json!([{ "up_to": "100", "price": "1" }, { "up_to": "40", "price": "2" }, { "price": "3" }]);
    refused(&post(falling).await, 422, "/terms/water/blocks/1/up_to", "blocks_out_of_order");
    refused(&post(json!([{ "price": "-1" }])).await, 422, "/terms/water/blocks/0/price", "negative_price");
    let zone = json!({ "customer_id": customer, "name": "Pier", "time_zone": "Europe/Atlantis", "country": "AT" });
    refused(&office.post("/v1/sites", &zone).await, 422, "/time_zone", "unknown_time_zone");
    let meter = json!({ "label": "Dial", "stream": "makeup", "unit": "l", "read_by": "technician" });
    let attached = |share: f64, share_u: f64| json!({ "meter": meter, "attachment": { "unit_id": unit, "from": "2026-01-01T00:00:00Z", "share": share, "share_u": share_u } });
    refused(&office.post("/v1/meters", &attached(0.4, 0.5)).await, 422, "/attachment/share_u", "out_of_range");
    refused(&office.post("/v1/meters", &attached(1.2, 0.0)).await, 422, "/attachment/share", "out_of_range");
    let mut both = attached(1.0, 0.0);
    both["meter"]["accuracy_class"] = json!(2);
    both["meter"]["displacement"] = json!("new");
    refused(&office.post("/v1/meters", &both).await, 422, "/meter/displacement", "class_too");
    both["meter"]["displacement"] = json!("worn");
    refused(&office.post("/v1/meters", &both).await, 422, "/meter/displacement", "unknown_wear");
}

/// A dealer that asks how well bills fit refuses a baseline whose bills scatter.
#[tokio::test]
async fn bills_have_to_fit_as_the_dealer_asks() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, site, _) = ground(&dealer).await;
    let office = &dealer.office;
    let bill = |month: u32, volume_l: f64, washes: f64| {
        json!({ "first_day": format!("2025-{month:02}-01"), "last_day": format!("2025-{month:02}-28"), "volume_l": volume_l,
            "other_use_l": 0.0, "working_days": 20.0, "washes": washes })
    };
    let baseline = |bills: Value| {
        json!({ "first_day": "2026-03-01", "method": { "by": "bills", "bills": bills, "per": "wash", "u_scale_share": 0.02 },
            "evidence": [{ "text": "Bills of the town" }], "agreed": { "by": "A. Rowe", "role": "manager", "on": "2026-03-01" } })
    };
    let poor = baseline(json!([bill(1, 10e3, 100.0), bill(2, 50e3, 160.0), bill(3, 60e3, 140.0)]));
    let limits = office.get("/v1/fit-limits").await.json();
    assert_eq!((&limits["most_cv_rmse"], &limits["revision"]), (&json!(null), &json!(0)), "none is asked by itself");
    let asked = json!({ "most_cv_rmse": 0.25, "least_r2": null });
    let set = async |client: &Client, at: &str, limits: &Value| client.put("/v1/fit-limits", at, limits).await;
    let wrong = json!({ "most_cv_rmse": 0.0, "least_r2": 2.0 });
    set(office, "\"0\"", &wrong)
        .await
        .refused_for(422, &[("/most_cv_rmse", "out_of_range"), ("/least_r2", "out_of_range")]);
    set(&dealer.technician, "\"0\"", &asked).await.refused(403, "not-allowed");
    assert_eq!(set(office, "\"0\"", &asked).await.json()["most_cv_rmse"], json!(0.25));
    set(office, "\"0\"", &asked).await.refused(412, "stale");
    let path = format!("/v1/sites/{site}/baselines");
    refused(&office.post(&path, &poor).await, 422, "/method/bills", "poor_fit");
    let good = baseline(json!([bill(1, 30e3, 100.0), bill(2, 50e3, 160.0), bill(3, 40e3, 140.0)]));
    office.create(&path, &good).await;
    assert_eq!(set(office, "\"1\"", &json!({})).await.json()["most_cv_rmse"], json!(null));
    let mut revised = poor;
    revised["first_day"] = json!("2026-04-01");
    office.create(&path, &revised).await;
}

/// A month with a hole in its readings, no wash counted, no tariff and no baseline: the report is made, and
/// says of each figure what it lacks and of which days nothing is known.
#[tokio::test]
async fn a_report_says_what_it_lacks() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (customer, _, unit) = ground(&dealer).await;
    let office = &dealer.office;
    let add = async |meter: Value| {
        let attachment = json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" });
        id(&office.create("/v1/meters", &json!({ "meter": meter, "attachment": attachment })).await)
    };
    let dial =
        add(json!({ "label": "Make-up", "stream": "makeup", "unit": "l", "read_by": "telemetry", "read_every_h": 24 }))
            .await;
    let washes = add(json!({ "label": "Washes", "stream": "wash_count", "unit": "count", "read_by": "telemetry", "read_every_h": 24 })).await;
    let days = (1..=31).filter(|day| !(12..=14).contains(day));
    let at = |day: i32| format!("2026-03-{day:02}T23:00:00Z");
    let mut readings = vec![json!({ "meter_id": dial, "read_at": "2026-02-28T23:00:00Z", "register": 100.0 })];
    readings.push(json!({ "meter_id": washes, "read_at": "2026-02-28T23:00:00Z", "register": 7.0 }));
    for day in days {
        // A slip in the middle: the register goes back and on again.
        let slip = if day == 15 { -90.0 } else { 0.0 };
        readings.push(
            json!({ "meter_id": dial, "read_at": at(day), "register": 100.0 + 200.0 * f64::from(day) + slip * 30.0 }),
        );
        readings.push(json!({ "meter_id": washes, "read_at": at(day), "register": 7.0 }));
    }
    office.post("/v1/readings", &json!({ "readings": readings })).await.json();
    app.night(dealer.id, Utc::now()).await;
    let reports = items(office, &format!("/v1/savings-reports?month=2026-03&customer_id={customer}")).await;
    let report = office.get(&format!("/v1/savings-reports/{}", id(&reports[0]))).await.json();
    let figures = &report["figures"];
    let reason = |name: &str| {
        let line = figures["reckoning"].as_array().unwrap().iter().find(|line| line["name"] == name).unwrap();
        assert_eq!(line["state"], "withheld", "{line}");
        assert!(line["words"].as_str().unwrap().len() > 20, "{line}");
        line["reason"].as_str().unwrap().to_owned()
    };
    assert_eq!(reason("fresh_avoided"), "no_baseline");
    assert_eq!(reason("money_saved"), "no_account");
    assert!(["nothing_washed", "gap"].contains(&reason("fresh_per_wash").as_str()));
    assert_eq!(reason("recycled"), "meters_do_not_support");
    let missing = figures["missing"].as_array().unwrap();
    let exceptions = figures["exceptions"].as_array().unwrap();
    assert!(!exceptions.is_empty() && !missing.is_empty(), "{missing:?} {exceptions:?}");
    assert!(missing.iter().all(|gap| gap["from"].as_str().unwrap().starts_with("2026-03")), "{missing:?}");
}

/// The command line names the field too.
#[test]
fn files_are_refused_by_field() {
    let scratch = Scratch::new();
    let put = |name: &str, text: String| {
        let path = format!("{}/{name}", scratch.path());
        fs::write(&path, text).unwrap();
        path
    };
    let readings = put("readings.csv", "read_at,register\n2026-01-01 08:00,1\n2026-02-01 08:00,9\n".to_owned());
    let said = |arguments: &[&str]| {
        let output = weirbook(&["calc"]).args(arguments).output().unwrap();
        assert!(!output.status.success(), "{arguments:?}");
        String::from_utf8(output.stderr).unwrap()
    };
    let exchange = json!({ "at": "2026-01-10T00:00:00Z", "old_final": 5, "new_start": 0 });
    let twice = put("twice.json", json!({ "meters": { "meter": { "exchanges": [exchange, exchange] } } }).to_string());
    assert!(said(&["water", &readings, "--facts", &twice]).contains("meter/exchanges/1/at: "));
    assert!(said(&["water", &readings, "--zone", "Europe/Atlantis"]).contains("IANA zone"));
    let made = |blocks: Value| {
        json!({ "name": "Town", "currency": "EUR", "rounding": "half_up", "versions": [{ "from": "2026-01-01", "unit": "m3",
            "per": "month", "water": { "blocks": blocks } }] })
        .to_string()
    };
    let falling = json!([{ "up_to": "100", "price": "1" }, { "up_to": "40", "price": "2" }, { "price": "3" }]);
    for (blocks, field) in [
        (falling, "/versions/0/water/blocks/1/up_to"),
        (json!([{ "price": "-1" }]), "/versions/0/water/blocks/0/price"),
    ] {
        let tariff = put("tariff.json", made(blocks));
        assert!(said(&["bill", &tariff, "--from", "2026-03-01", "--use", "9"]).contains(field), "{field}");
    }
    let gap = put("gap.json", made(json!([{ "price": "1" }])));
    assert!(
        said(&["bill", &gap, "--from", "2025-12-01", "--use", "9"])
            .contains("no prices from 2025-12-01 until 2026-01-01")
    );
}
