//! What issued reports say, as a table: of all of a customer's sites together and of each alone.

use crate::conventions::items;
use crate::list_filters::comes_as_a_table;
use crate::lists::rename;
use crate::report_life::{figure, issue, report};
use crate::series::{as_media, by_pyarrow, lines, two_customers};
use crate::support::{Client, TestApp};
use serde_json::{Value, json};

const JANUARY: &str = "/v1/issued-figures?from=2026-01&to=2026-01";

/// The rows in US units.
async fn told_in_gallons(office: &Client, rows: &[Value]) {
    let in_gallons = items(office, &format!("{JANUARY}&units=us")).await;
    let of = |rows: &[Value]| rows.iter().find(|row| row["name"] == "fresh_used").unwrap().clone();
    let (gallons, litres) = (of(&in_gallons), of(rows));
    assert_eq!((gallons["unit"].as_str(), in_gallons.len()), (Some("gal"), rows.len()));
    for column in ["value", "expanded"] {
        // NIST SP 811: 3.785 411 784 L.
        let told = gallons[column].as_f64().unwrap() * 3.785_411_784;
        assert!((told / litres[column].as_f64().unwrap() - 1.0).abs() < 1e-12, "{column} of {gallons}");
    }
    let stone = office.get(&format!("{JANUARY}&units=stone")).await;
    stone.refused_for(422, &[("/units", "unknown_unit_system")]);
}

#[tokio::test]
async fn what_was_issued_is_told_of_each_site_with_its_revision() {
    let app = TestApp::start().await;
    let (dealer, customers, sites, _) = two_customers(&app).await;
    let office = &dealer.office;
    assert_eq!(items(office, JANUARY).await, [Value::Null; 0], "a draft says nothing yet");
    let viewer = dealer.customer_viewer(customers[0]).await;
    let path = report(&viewer, "2026-01").await;
    assert_eq!(issue(office, &path).await.status(), 200);

    let issued = office.get(&path).await.json();
    let rows = items(office, JANUARY).await;
    let lines_of_report = issued["figures"]["reckoning"].as_array().unwrap();
    assert_eq!(rows.len(), 2 * lines_of_report.len(), "of all together, and of the only site");
    for site in [Value::Null, json!(sites[0])] {
        let of = |name: &str| rows.iter().find(|row| row["site_id"] == site && row["name"] == name).unwrap();
        let (fresh, line) = (of("fresh_used"), figure(&issued, "fresh_used"));
        for (column, field) in [
            ("value", "value_l"),
            ("expanded", "expanded"),
            ("coverage", "coverage"),
            ("estimated_share", "estimated_share"),
            ("grade", "grade"),
            ("units_covered", "units_covered"),
            ("units", "units"),
        ] {
            assert!(!line[field].is_null(), "{line}");
            assert_eq!(fresh[column], line[field], "{column} of {fresh}");
        }
        assert_eq!((&fresh["unit"], &fresh["amount"], &fresh["withheld"]), (&json!("L"), &Value::Null, &Value::Null));
        for row in [fresh, of("recycled")] {
            assert_eq!((&row["state"], &row["revision"]), (&json!("issued"), &issued["revision"]), "{row}");
            assert_eq!((&row["issued_at"], &row["month"]), (&issued["issued"]["at"], &json!("2026-01-01")), "{row}");
            assert_eq!((&row["customer_id"], &row["report_id"]), (&json!(customers[0]), &issued["id"]), "{row}");
        }
        let (recycled, reason) = (of("recycled"), &figure(&issued, "recycled")["reason"]);
        assert!(reason.is_string(), "nothing measures the wash water");
        assert_eq!(
            (&recycled["withheld"], &recycled["value"], &recycled["unit"]),
            (reason, &Value::Null, &Value::Null)
        );
    }
    assert_eq!(items(&viewer, JANUARY).await, rows, "the customer's people read the same");
    let stranger = dealer.customer_viewer(customers[1]).await;
    assert_eq!(items(&stranger, JANUARY).await, [Value::Null; 0]);

    assert_eq!(lines(&as_media(office, JANUARY, "application/x-ndjson").await), rows);
    let parquet = by_pyarrow(as_media(office, JANUARY, "application/vnd.apache.parquet").await.bytes(), "value");
    let sum: f64 = rows.iter().filter_map(|row| row["value"].as_f64()).sum();
    assert_eq!((&parquet["rows"], parquet["sum"].as_f64().unwrap()), (&json!(rows.len()), sum));

    told_in_gallons(office, &rows).await;
    rename(office, &format!("/v1/sites/{}", sites[0]), json!({ "own_number": "S-07", "cost_centre": "4711" })).await;
    for (query, count) in [
        ("site_number=S-07".to_owned(), lines_of_report.len()),
        ("cost_centre=4711&site_number=S-08".to_owned(), 0),
        (format!("site_id={}", sites[1]), 0),
        (format!("customer_id={}", customers[0]), rows.len()),
        (format!("customer_id={}", customers[1]), 0),
    ] {
        let found = items(office, &format!("{JANUARY}&{query}")).await;
        assert_eq!(found.len(), count, "{query}");
        assert!(!query.contains("site") || found.iter().all(|row| row["site_id"] == json!(sites[0])), "{query}");
    }
    assert_eq!(items(office, "/v1/issued-figures?from=2025-01&to=2025-12").await, [Value::Null; 0]);
    let backwards = office.get("/v1/issued-figures?from=2026-02&to=2026-01").await;
    backwards.refused_for(422, &[("/to", "before_from")]);
}

#[tokio::test]
async fn reports_are_found_by_months_and_by_whether_they_are_issued() {
    let app = TestApp::start().await;
    let (dealer, customers, ..) = two_customers(&app).await;
    let office = &dealer.office;
    let path = report(&dealer.customer_viewer(customers[1]).await, "2026-01").await;
    assert_eq!(issue(office, &path).await.status(), 200);
    let january = "/v1/savings-reports?from=2026-01&to=2026-01";
    for (query, of) in [("", vec![0, 1]), ("&issued=true", vec![1]), ("&issued=false", vec![0])] {
        let mut found: Vec<Value> = items(office, &format!("{january}{query}")).await;
        found.iter_mut().for_each(|row| *row = row["customer_id"].take());
        let mut wanted: Vec<Value> = of.into_iter().map(|n: usize| json!(customers[n])).collect();
        found.sort_by_key(Value::to_string);
        wanted.sort_by_key(Value::to_string);
        assert_eq!(found, wanted, "{query}");
    }
    let before = items(office, "/v1/savings-reports?to=2025-12").await;
    assert!(before.iter().all(|row| row["month"].as_str().unwrap() < "2026-01"), "{before:?}");
    let turned = office.get("/v1/savings-reports?from=2026-02&to=2026-01").await;
    turned.refused_for(422, &[("/to", "before_from")]);
    comes_as_a_table(office, "savings-reports").await;
}
