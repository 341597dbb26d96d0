//! `/v1/customers/{id}/water-years`: withdrawal, discharge and consumption by year.

use crate::conventions::items;
use crate::report_life::{issue, night, report, send};
use crate::series::{as_media, by_pyarrow};
use crate::support::{Dealer, TestApp, id};
use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

/// A unit at a site of the customer, with a dial in each of these streams.
async fn bay(dealer: &Dealer, site: Uuid, serial: &str, streams: &[&str]) -> Vec<String> {
    let unit = dealer.unit(serial).await;
    dealer.place(unit, site, "2025-12-01T00:00:00Z").await;
    let mut meters = Vec::new();
    for stream in streams {
        let meter = json!({ "label": stream, "stream": stream, "unit": "l", "digits": 7, "read_by": "technician" });
        let new = json!({ "meter": meter, "attachment": { "unit_id": unit, "from": "2025-12-01T00:00:00Z" } });
        meters.push(id(&dealer.office.create("/v1/meters", &new).await).to_string());
    }
    meters
}

/// In UTC, so that months begin at midnight.
async fn site(dealer: &Dealer, customer: Uuid, name: &str) -> Uuid {
    let new = json!({ "customer_id": customer, "name": name, "time_zone": "UTC", "country": "AT",
        "own_number": format!("S-{name}"), "cost_centre": "4711" });
    id(&dealer.office.create("/v1/sites", &new).await)
}

fn figures(row: &Value) -> [Option<f64>; 3] {
    ["withdrawal_l", "discharge_l", "consumption_l"].map(|name| row[name].as_f64().map(f64::round))
}

#[tokio::test]
async fn a_year_is_what_was_withdrawn_discharged_and_consumed() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = json!({ "name": "Harbour", "fiscal_year_start": 2 });
    let customer = id(&dealer.office.create("/v1/customers", &customer).await);
    let north = site(&dealer, customer, "North").await;
    let meters = bay(&dealer, north, "W-1", &["makeup", "to_sewer"]).await;
    for (meter, daily) in meters.iter().zip([1000.0, 100.0]) {
        let month = |at: &'static str, days: f64| (at, daily * days);
        let read = [
            month("2026-01-01T00:00:00Z", 0.0),
            month("2026-02-01T00:00:00Z", 31.0),
            month("2026-03-01T00:00:00Z", 59.0),
        ];
        send(&dealer, meter, &read).await;
    }
    night(&app, &dealer, "2026-03-02T03:00:00Z").await;
    let path = format!("/v1/customers/{customer}/water-years");
    let years = items(&dealer.office, &format!("{path}?from=2025&to=2026")).await;
    // Nothing was read in 2025, the year the unit came.
    assert_eq!(
        (years.len(), &years[0]["year"], &years[0]["withdrawal_withheld"]),
        (4, &json!(2025), &json!("not_read"))
    );
    let [of_site, total] = [&years[2], &years[3]];
    assert_eq!(figures(of_site), [Some(59_000.0), Some(5900.0), Some(53_100.0)]);
    assert_eq!(figures(total), figures(of_site));
    assert_eq!(
        (&of_site["site_id"], &of_site["site"], &total["site_id"]),
        (&json!(north), &json!("North"), &Value::Null)
    );
    assert_eq!((&of_site["own_number"], &of_site["cost_centre"]), (&json!("S-North"), &json!("4711")));
    assert_eq!((&of_site["from"], &of_site["to"]), (&json!("2026-01-01"), &json!("2026-12-31")));
    let begins: DateTime<Utc> = "2026-01-01T00:00:00Z".parse().unwrap();
    let passed = (Utc::now() - begins).as_seconds_f64().min(365.0 * 86_400.0) / 86_400.0;
    assert!((of_site["coverage"].as_f64().unwrap() - 59.0 / passed).abs() < 1e-3, "{of_site}");
    // A class of 10 % over the root of three in service, of two meters that have nothing in common.
    let u = |name: &str| of_site[format!("{name}_expanded_l")].as_f64().unwrap();
    assert!(u("withdrawal") > 2.0 * 0.1 / 3_f64.sqrt() * 59_000.0 * 0.99, "{of_site}");
    assert!((u("consumption") - u("withdrawal").hypot(u("discharge"))).abs() < 1e-6);

    let fiscal = items(&dealer.office, &format!("{path}?from=2025&to=2026&by=fiscal")).await;
    assert_eq!((&fiscal[0]["from"], &fiscal[0]["to"]), (&json!("2025-02-01"), &json!("2026-01-31")));
    assert_eq!(
        fiscal.iter().map(|row| figures(row)[0]).collect::<Vec<_>>(),
        [31_000.0, 31_000.0, 28_000.0, 28_000.0].map(Some)
    );
    let us = items(&dealer.office, &format!("{path}?from=2026&to=2026&units=us")).await;
    // NIST SP 811: one US gallon is 3.785 411 784 litres.
    let ratio = of_site["discharge_l"].as_f64().unwrap() / us[0]["discharge_gal"].as_f64().unwrap();
    assert!((ratio - 3.785_411_784).abs() < 1e-9, "{us:?}");

    let asked = format!("{path}?from=2026&to=2026");
    let csv = as_media(&dealer.office, &asked, "text/csv").await.text().to_owned();
    assert!(
        csv.starts_with("year,from,to,site_id,site,own_number,cost_centre,state,issued_months,withdrawal_l,"),
        "{csv}"
    );
    assert_eq!(csv.lines().count(), 3);
    let parquet =
        by_pyarrow(as_media(&dealer.office, &asked, "application/vnd.apache.parquet").await.bytes(), "consumption_l");
    assert_eq!((&parquet["rows"], parquet["sum"].as_f64().unwrap().round()), (&json!(2), 106_200.0));
    assert_eq!(issue(&dealer.office, &report(&dealer.office, "2026-01").await).await.status(), 200);
    assert_eq!(items(&dealer.office, &asked).await[0]["issued_months"], 1);
}

#[tokio::test]
async fn what_nothing_measures_is_null_with_its_reason() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour").await;
    let [north, south] = [site(&dealer, customer, "North").await, site(&dealer, customer, "South").await];
    let meters = bay(&dealer, north, "W-1", &["makeup"]).await;
    send(&dealer, &meters[0], &[("2026-01-01T00:00:00Z", 0.0), ("2026-02-01T00:00:00Z", 31_000.0)]).await;
    night(&app, &dealer, "2026-02-02T03:00:00Z").await;
    let asked = format!("/v1/customers/{customer}/water-years?from=2026&to=2026");
    let rows = items(&dealer.office, &asked).await;
    assert_eq!((rows.len(), figures(&rows[0])), (2, [Some(31_000.0), None, None]), "nothing stood at the other site");
    assert_eq!(rows[0]["discharge_withheld"], json!("part_not_measured"));
    assert_eq!(rows[0]["consumption_withheld"], rows[0]["discharge_withheld"]);
    assert!(rows[0]["words"].as_str().unwrap().contains("to sewer is not known: meter it"), "{}", rows[0]);
    bay(&dealer, south, "W-2", &[]).await;
    let rows = items(&dealer.office, &asked).await;
    assert_eq!((rows.len(), &rows[1]["withdrawal_withheld"]), (3, &json!("meters_do_not_support")));
    assert_eq!(figures(&rows[2]), [None; 3], "a total of what is not known is not known");

    let viewer = dealer.customer_viewer(customer).await;
    // Shares of a running year are others a moment later.
    let without_shares = |mut row: Value| {
        let gone = ["coverage", "estimated_share"].map(|name| row.as_object_mut().unwrap().remove(name).is_some());
        assert_eq!(gone, [true; 2], "{row}");
        row
    };
    let seen: Vec<_> = items(&viewer, &asked).await.into_iter().map(without_shares).collect();
    assert_eq!(seen, rows.into_iter().map(without_shares).collect::<Vec<_>>());
    let stranger = dealer.customer_viewer(dealer.customer("Elsewhere").await).await;
    stranger.get(&asked).await.refused(404, "not-found");
    app.dealer("South").await.owner.get(&asked).await.refused(404, "not-found");
    let path = format!("/v1/customers/{customer}/water-years");
    for (query, pointer, code) in [
        ("from=2026&to=2025", "/to", "before_from"),
        ("from=2010&to=2026", "/to", "too_long"),
        ("from=2026&to=9999", "/from", "out_of_range"),
        ("from=2026&to=2026&by=lunar", "/by", "unknown_by"),
        ("from=2026&to=2026&units=imperial", "/units", "unknown_unit_system"),
    ] {
        dealer.office.get(&format!("{path}?{query}")).await.refused_for(422, &[(pointer, code)]);
    }
}

/// A dial at the site, and behind it a unit with a meter of rinse alone: its make-up is in the site's, and what
/// was noted at it, which both statements have, counts once.
#[tokio::test]
async fn what_a_site_and_its_unit_both_know_of_counts_once() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour").await;
    let north = site(&dealer, customer, "North").await;
    let rinse = bay(&dealer, north, "W-1", &["rinse"]).await.remove(0);
    let dial = json!({ "label": "Dial", "stream": "makeup", "unit": "l", "digits": 7, "read_by": "technician" });
    let at_site = json!({ "site_id": north, "from": "2025-12-01T00:00:00Z" });
    let new = json!({ "meter": dial, "attachment": at_site });
    let dial = id(&dealer.office.create("/v1/meters", &new).await).to_string();
    for (meter, litres) in [(&dial, 31_000.0), (&rinse, 620.0)] {
        send(&dealer, meter, &[("2026-01-01T00:00:00Z", 0.0), ("2026-02-01T00:00:00Z", litres)]).await;
    }
    let unit = id(&items(&dealer.office, "/v1/units").await[0]);
    let load =
        json!({ "hauler": "Valley Tankers", "ticket": "M-7", "destination": "Works", "waste_class": "Oily water" });
    for event in [
        json!({ "at": "2026-01-10T08:00:00Z", "kind": "hauled", "volume_l": 4000.0, "load": load }),
        json!({ "at": "2026-01-10T09:00:00Z", "kind": "hand_fill", "volume_l": 2000.0 }),
    ] {
        dealer.office.create(&format!("/v1/units/{unit}/volume-events"), &event).await;
    }
    night(&app, &dealer, "2026-02-02T03:00:00Z").await;
    let asked = format!("/v1/customers/{customer}/water-years?from=2026&to=2026");
    let rows = items(&dealer.office, &asked).await;
    assert_eq!(figures(&rows[0]), [Some(33_620.0), Some(4000.0), Some(29_620.0)], "{rows:?}");
}
