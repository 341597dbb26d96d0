//! Read periods as rows: `GET /v1/water?step=period` of one unit or site.

use crate::conventions::items;
use crate::series::as_media;
use crate::support::{TestApp, id};
use chrono::Utc;
use serde_json::{Value, json};

#[tokio::test]
async fn read_periods_of_one_unit_or_site_are_rows() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let (site, unit) = (dealer.site(customer, "Quay").await, dealer.unit("W-1").await);
    dealer.place(unit, site, "2025-12-01T00:00:00Z").await;
    let meter = id(&dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2025-12-01T00:00:00Z" })).await);
    let rounds = [("2026-01-05", 100.0), ("2026-02-05", 130.0), ("2026-03-05", 175.0)];
    let reading = |(day, register): (&str, f64)| json!({ "meter_id": meter, "read_at": format!("{day}T23:30:00Z"), "register": register, "source": "hand" });
    let readings: Vec<Value> = rounds.into_iter().map(reading).collect();
    let taken = dealer.technician.post("/v1/readings", &json!({ "readings": readings })).await;
    assert_eq!(taken.json()["accepted"], json!(3), "{taken:?}");
    app.night(dealer.id, Utc::now()).await;

    let days = "from=2026-01-01&to=2026-03-31&step=period";
    let figures = items(&dealer.office, &format!("/v1/units/{unit}/water?{days}")).await;
    let path = format!("/v1/water?{days}&unit_id={unit}");
    let rows = items(&dealer.office, &path).await;
    assert_eq!((figures.len(), rows.len()), (2, 2));
    for (row, figure) in rows.iter().zip(&figures) {
        let balance = &figure["balance"]["fresh_used_l"];
        for (name, wanted) in [
            ("from", &figure["from_at"]),
            ("to", &figure["to_at"]),
            ("makeup_l", &figure["amounts"]["makeup_l"]),
            ("makeup_expanded_l", &figure["expanded"]["makeup_l"]),
            ("fresh_used_l", &balance["value"]),
            ("fresh_used_expanded_l", &balance["expanded"]),
        ] {
            assert!(!wanted.is_null(), "{name}: {figure}");
            assert_eq!(&row[name], wanted, "{name}");
        }
        for name in [
            "subject_id",
            "unit_id",
            "state",
            "issued_revision",
            "grade",
            "coverage",
            "estimated_share",
            "open_exceptions",
        ] {
            assert_eq!(row[name], figure[name], "{name}");
        }
        assert_eq!((&row["site_id"], &row["customer_id"]), (&json!(site), &json!(customer)));
    }
    let ends: Vec<&Value> = rows.iter().map(|row| &row["date"]).collect();
    assert_eq!(ends, ["2026-02-06", "2026-03-06"], "after midnight in Vienna");
    assert_eq!(items(&dealer.office, &format!("/v1/water?{days}&site_id={site}")).await, rows);
    let csv = as_media(&dealer.office, &format!("{path}&fields=to,makeup_l"), "text/csv").await;
    assert_eq!(csv.text().lines().count(), 3, "{}", csv.text());

    assert_eq!(items(&dealer.office, &format!("{path}&asset_number=A-1")).await, [Value::Null; 0]);
    let stranger = dealer.customer_viewer(dealer.customer("Quarry Trucks").await).await;
    assert_eq!(items(&stranger, &path).await, [Value::Null; 0]);
    let long = format!("/v1/water?from=2023-01-01&to=2026-03-31&step=period&unit_id={unit}");
    dealer.office.get(&long).await.refused_for(422, &[("/to", "too_long")]);
    dealer.office.get(&format!("/v1/water?{days}")).await.refused_for(422, &[("/unit_id", "required")]);
}
