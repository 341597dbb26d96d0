//! Billing cycles of several months: what the reports of their months print comes to the difference
//! of the two bills of the whole cycle.

use crate::accounts::{baseline, charged, tariff, terms};
use crate::conventions::items;
use crate::readings::Plant;
use crate::report_life::{figure, issue, night, report, send};
use crate::support::{Client, Dealer, TestApp, id};
use serde_json::{Value, json};
use uuid::Uuid;

/// A plant on an account of two months from 1 January 2026 on, with 400 m3 of other use in both
/// together, and a baseline of 2 m3 for each wash: the plant and its counter of washes.
async fn on_two_months(dealer: &Dealer) -> (Plant, String) {
    let plant = Plant::new(dealer, "UTC", json!({})).await;
    let office = &dealer.office;
    let unit = items(office, "/v1/units").await[0]["id"].clone();
    let site: Uuid = id(&items(office, "/v1/sites").await[0]);
    let counter =
        json!({ "label": "Washes", "stream": "wash_count", "unit": "count", "digits": 6, "read_by": "technician" });
    let attached = json!({ "unit_id": unit, "from": "2020-01-01T00:00:00Z" });
    let counter = office.create("/v1/meters", &json!({ "meter": counter, "attachment": attached })).await;
    let mut account = charged(site, "2026-01-01", None);
    account["cycle_anchor"] = json!("2026-01-01");
    account["cycle_months"] = json!(2);
    account["other_use"] = json!({ "least_l_per_month": 200_000.0, "most_l_per_month": 200_000.0 });
    let account: Uuid = id(&office.create("/v1/water-accounts", &account).await);
    office.create(&format!("/v1/water-accounts/{account}/tariffs"), &tariff(terms("2025-01-01", None))).await;
    let mut agreed = baseline("2026-01-01", 2000.0);
    agreed["agreed"]["on"] = json!("2026-01-01");
    office.create(&format!("/v1/sites/{site}/baselines"), &agreed).await;
    (plant, counter["id"].as_str().unwrap().to_owned())
}

fn cents(amount: &Value) -> i64 {
    amount["amount"].as_str().unwrap().replace('.', "").parse().unwrap()
}

async fn saved(client: &Client, month: &str) -> (Value, i64) {
    let read = client.get(&report(client, month).await).await.json();
    let cents = cents(&figure(&read, "money_saved")["value_money"]);
    (read, cents)
}

/// A bill by hand of so many cubic metres in two months, in cents: twice the base charge of 20 and
/// blocks twice as wide as a month's, 200 m3 at 1, up to 800 at 2, up to 1600 at 3.
fn bill(m3: i64) -> i64 {
    2 * 2000 + 100 * (m3.min(200) + 2 * (m3 - 200).clamp(0, 600) + 3 * (m3 - 800).clamp(0, 800))
}

/// January: 105 washes, 210 m3 by the baseline, 110 used. February: 120 washes, 240 m3, 107 used.
/// bill(400 + 450) = 40 + 200 + 1200 + 150 = 1590 and bill(400 + 217) = 40 + 200 + 834 = 1074: 516 in
/// all, of 233 m3 avoided 100 in January: 221.459 rounded, and the rest in February.
#[tokio::test]
async fn two_reports_print_what_one_cycle_saved() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (plant, counter) = on_two_months(&dealer).await;
    let ends = ["2026-01-01T00:00:00Z", "2026-02-01T00:00:00Z", "2026-03-01T00:00:00Z"];
    send(&dealer, &plant.meter, &[(ends[0], 0.0), (ends[1], 110_000.0)]).await;
    send(&dealer, &counter, &[(ends[0], 0.0), (ends[1], 105.0)]).await;
    night(&app, &dealer, "2026-02-02T03:00:00Z").await;
    // January alone, taken on to 59 days: 400 + 399.7 and 400 + 209.4 m3 lie in the second block.
    let (draft, early) = saved(&dealer.office, "2026-01").await;
    assert_eq!((&draft["figures"]["savings"][0]["saved"]["estimated"], early), (&json!(true), 20_000));

    send(&dealer, &plant.meter, &[(ends[2], 217_000.0)]).await;
    send(&dealer, &counter, &[(ends[2], 225.0)]).await;
    night(&app, &dealer, "2026-03-02T03:00:00Z").await;
    let whole = bill(400 + 450) - bill(400 + 217);
    assert_eq!(whole, 51_600);
    let ((january, first), (february, second)) =
        (saved(&dealer.office, "2026-01").await, saved(&dealer.office, "2026-02").await);
    assert_eq!((first, second), (22_146, 29_454), "by the water avoided");
    assert_eq!(first + second, whole);
    for read in [&january, &february] {
        let cycle = &read["figures"]["savings"][0]["saved"]["cycles"][0];
        assert_eq!(cents(&cycle["whole"]["least"]), whole, "{cycle}");
        assert_eq!(read["figures"]["savings"][0]["saved"]["estimated"], false);
    }
    // What the unit's own water cost, by the same bills: bill(617) - bill(400) = 434.
    let cost = |read: &Value| cents(&read["figures"]["costs"][0]["total"]);
    assert_eq!(cost(&january) + cost(&february), bill(617) - bill(400));

    let path = report(&dealer.office, "2026-02").await;
    let found = dealer.office.get(&format!("{path}/trace")).await.json();
    assert_eq!(found["agrees"], true, "{found}");
    let cycle = &found["trace"]["sites"][0]["cycles"][0];
    let days: Vec<&Value> = cycle["parts"].as_array().unwrap().iter().map(|part| &part["days"]["from"]).collect();
    assert_eq!((days, &cycle["open"]), (vec![&json!("2026-01-01"), &json!("2026-02-01")], &Value::Null));
    assert_eq!(cents(&cycle["least"]["with_baseline"]["total"]), bill(850));
    assert_eq!(cents(&cycle["least"]["with_actual"]["total"]), bill(617));
}

/// January is issued while February is not known: 200. Once it is, January owes the difference, and
/// February carries it.
#[tokio::test]
async fn an_issued_month_of_a_cycle_is_settled_in_the_next() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let mut rule = crate::report_life::rule(0.5);
    rule["tolerance"]["money"][0]["amount"] = json!("100.00");
    dealer.owner.put("/v1/report-rule", "\"0\"", &rule).await.json();
    let (plant, counter) = on_two_months(&dealer).await;
    let ends = ["2026-01-01T00:00:00Z", "2026-02-01T00:00:00Z", "2026-03-01T00:00:00Z"];
    send(&dealer, &plant.meter, &[(ends[0], 0.0), (ends[1], 110_000.0)]).await;
    send(&dealer, &counter, &[(ends[0], 0.0), (ends[1], 105.0)]).await;
    night(&app, &dealer, "2026-02-02T03:00:00Z").await;
    let january = report(&dealer.office, "2026-01").await;
    assert_eq!(issue(&dealer.office, &january).await.status(), 200);
    // Read at the end of February alone, so that nothing in January changes but its cycle.
    send(&dealer, &plant.meter, &[(ends[2], 217_000.0)]).await;
    send(&dealer, &counter, &[(ends[2], 225.0)]).await;
    night(&app, &dealer, "2026-03-02T03:00:00Z").await;
    let (february, second) = saved(&dealer.office, "2026-02").await;
    let carried = february["figures"]["adjustments"].as_array().unwrap();
    let money: Vec<_> = carried.iter().filter(|line| line["name"] == "money_saved").collect();
    assert_eq!(money.len(), 1, "{carried:?}");
    assert_eq!(money[0]["cause"], "cycle_went_on", "{}", money[0]);
    assert_eq!((&money[0]["month"], cents(&money[0]["value_money"])), (&json!("2026-01"), 2_146));
    assert_eq!(20_000 + 2_146 + second, 51_600, "all that the cycle saved");
}
