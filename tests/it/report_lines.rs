//! What a savings report says beside its reckoning: fills, drains and loads, hauling avoided, payback.

use crate::conventions::items;
use crate::costs::{Bay, MARCH, investment};
use crate::report_compared::{compared, of};
use crate::support::{Client, Dealer, TestApp, id};
use chrono::Utc;
use serde_json::{Value, json};
use uuid::Uuid;

/// By hand: 124 m3 by the baseline less 31 used, at 5, save 465; the rent of 100 and a load at 180 leave
/// 185 of 3,650 put in. 24 loads in a year are 2.037 in the 31 days, less one at 180: 186.65.
#[tokio::test]
async fn volume_events_hauling_and_payback_stand_in_the_report() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Harbour Haulage").await;
    bay.metered(&dealer, ("makeup", "l"), 31_000.0, MARCH).await;
    bay.metered(&dealer, ("wash_count", "count"), 62.0, MARCH).await;
    bay.billed(&dealer).await;
    let terms = json!({ "from": "2026-03-01", "currency": "EUR", "disposal_per_load": "180",
        "fee": { "kind": "rent", "per_month": "100" } });
    dealer.office.create(&bay.of_site("cost-terms"), &terms).await;
    let mut baseline = json!({
        "first_day": "2026-03-01", "hauled_loads_per_year": 24.0,
        "method": { "by": "per_wash", "classes": [{ "machine_class": "truck", "l_per_wash": 2000.0,
            "washes_measured": 25, "sd_l": 50.0, "u_scale_share": 0.02, "meter": null }] },
        "evidence": [{ "text": "Readings of the town meter; tickets of the hauler" }],
        "agreed": { "by": "A. Rowe", "role": "yard manager", "on": "2026-02-01" }
    });
    let agreed = dealer.office.create(&bay.of_site("baselines"), &baseline).await;
    assert_eq!(agreed["hauled_loads_per_year"], json!(24.0));
    baseline["hauled_loads_per_year"] = json!(-1.0);
    dealer
        .office
        .post(&bay.of_site("baselines"), &baseline)
        .await
        .refused_for(422, &[("/hauled_loads_per_year", "out_of_range")]);
    let events = format!("/v1/units/{}/volume-events", bay.unit);
    let load =
        json!({ "hauler": "Valley Tankers", "ticket": "M-7", "destination": "Works", "waste_class": "Oily water" });
    for event in [
        json!({ "at": "2026-03-10T08:00:00Z", "kind": "hauled", "volume_l": 4000.0, "load": load }),
        json!({ "at": "2026-03-10T09:00:00Z", "kind": "drain", "volume_l": 500.0, "u_share": 0.1 }),
        json!({ "at": "2026-03-10T12:00:00Z", "kind": "refill", "volume_l": 4200.0, "passed_a_meter": true }),
        json!({ "at": "2026-02-10T12:00:00Z", "kind": "refill", "volume_l": 9.0, "passed_a_meter": true }),
    ] {
        dealer.office.create(&events, &event).await;
    }
    dealer.office.create(&bay.of_site("investments"), &investment()).await;
    app.night(dealer.id, Utc::now()).await;
    let reports =
        items(&dealer.office, &format!("/v1/savings-reports?month=2026-03&customer_id={}", bay.customer)).await;
    let viewer = dealer.customer_viewer(bay.customer).await;
    let path = format!("/v1/savings-reports/{}", id(&reports[0]));
    in_four_forms(&viewer, &path).await;
    let figures = viewer.get(&path).await.json()["figures"].clone();
    let moved: Vec<Value> = figures["moved"].as_array().unwrap().iter().map(|one| one["kind"].clone()).collect();
    assert_eq!(moved, ["hauled", "drain", "refill"], "in order, of the month alone");
    let haulage = &figures["haulage"][0];
    assert!((haulage["loads_before"].as_f64().unwrap() - 24.0 * 31.0 / 365.25).abs() < 1e-9, "{haulage}");
    assert_eq!((&haulage["loads"], &haulage["saved"]["amount"]), (&json!(1), &json!("186.65")));
    let invested = &figures["invested"][0];
    let standing = &invested["payback"]["appraisal"]["standing"];
    assert_eq!((&standing["saved"], &invested["amount"]["amount"]), (&json!(185.0), &json!("3650")), "{invested}");
    let promised = standing["promised"]["promised_so_far"].as_f64().unwrap();
    assert!((promised - 4000.0 * 31.0 / 365.25).abs() < 1e-6, "{standing}");
    months_after_stand_on_it(&dealer, bay.customer).await;
    // Amounts and their units stay on one line.
    let words = invested["words"].as_str().unwrap().replace('\u{a0}', " ");
    for said in [
        "185.00 EUR are saved so far",
        "paid back 1.7 years after it was made",
        "times the investment",
        "54 % of what was promised",
    ] {
        assert!(words.contains(said), "{said}: {words}");
    }
    let page = viewer.get(&format!("/savings-reports/{}", id(&reports[0]))).await;
    for said in ["Filled, drained and hauled", "Hauling avoided", "Whether it pays", "186.65 EUR", "as no saving"] {
        assert!(page.plain().contains(said), "{said}");
    }
}

/// All forms tell of the same fills, drains and loads, and of the same hauling.
async fn in_four_forms(viewer: &Client, path: &str) {
    let (facts, _) = compared(viewer, path).await;
    assert_eq!((of(&facts, "moved").len(), of(&facts, "haulage").len()), (3, 3), "{facts:?}");
}

/// The months after it, made in the same night, stand on it; of them nothing is known.
async fn months_after_stand_on_it(dealer: &Dealer, customer: Uuid) {
    let later = items(&dealer.office, &format!("/v1/savings-reports?month=2026-05&customer_id={customer}")).await;
    let later = dealer.office.get(&format!("/v1/savings-reports/{}", id(&later[0]))).await.json();
    let payback = &later["figures"]["invested"][0]["payback"];
    let months = |name: &str| -> Vec<Value> {
        payback[name].as_array().unwrap().iter().map(|one| one["month"].clone()).collect()
    };
    assert_eq!(
        (months("months"), months("missing")),
        (vec![json!("2026-03")], vec![json!("2026-04"), json!("2026-05")])
    );
}
