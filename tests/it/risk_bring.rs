//! What a part's own failure costs, and what to bring for it: the kit, its prices, and what is at hand.

use crate::conventions::items;
use crate::list_filters::comes_as_a_table;
use crate::risk::{Planted, number, planted};
use crate::stock::{Store, movement};
use crate::support::{Dealer, TestApp, id};
use serde_json::{Value, json};
use uuid::Uuid;

async fn risk(dealer: &Dealer, unit: Uuid) -> Value {
    dealer.office.get(&format!("/v1/units/{unit}/risk")).await.json()
}

/// Of two tubes in a bay without a fallback the older one stops nothing: it brings no loss, and is left in until it fails.
#[tokio::test]
async fn a_part_brings_the_loss_of_its_own_failure() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let Planted { units, running, now, .. } = planted(&dealer).await;
    let said = |part: Uuid, call_out: bool, days: f64| {
        format!(
            "insert into component_failure (dealer_id, component_id, parts_cost_class, call_out, down_town_water_d,
               down_second_unit_d, down_none_d) values ({}, '{part}', 'low', {call_out}, 0, 0, {days})",
            dealer.id
        )
    };
    let superuser = app.superuser().await;
    superuser.batch_execute(&said(running[2], false, 0.0)).await.unwrap();
    superuser.batch_execute(&said(running[3], true, 2.5)).await.unwrap();
    app.night(dealer.id, now).await;
    let found = risk(&dealer, units[1]).await;
    let of = |part: Uuid| {
        let parts = found["components"].as_array().unwrap();
        parts.iter().find(|one| one["component_id"] == json!(part)).unwrap().clone()
    };
    let (minor, stops) = (of(running[2]), of(running[3]));
    assert_eq!((&minor["loss"]["amount"], &stops["loss"]["amount"]), (&json!("0.00"), &json!("1750.00")));
    let expected = number(&stops["within_30_days"]["failure_probability"]) * 1750.0;
    let loss: f64 = found["risk"]["expected_loss_30_days"]["amount"].as_str().unwrap().parse().unwrap();
    assert!((loss - expected).abs() < 0.01, "{found}");
    assert_eq!(minor["advice"], "leave it in until it fails: replacing it early costs as much as its failure");
    assert!(number(&stops["replace_at"]) > 0.0, "{stops}");
    // The same parts elsewhere cost what is usual there.
    assert_eq!(risk(&dealer, units[0]).await["components"][0]["loss"]["amount"], "370.00");
    assert_eq!(risk(&dealer, units[2]).await["components"][0]["loss"], Value::Null, "it stands nowhere");
}

#[tokio::test]
async fn the_kit_of_a_part_is_named_with_prices_and_stock() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let Planted { units, now, .. } = planted(&dealer).await;
    let store = Store::new(&dealer).await;
    store.receive(&dealer, "2026-03-01T08:00:00Z", "12").await;
    let moved = json!({ "from_place_id": store.warehouse, "to_place_id": store.van });
    let moved = movement(store.item, "moved", "2026-03-02T08:00:00Z", "5", moved);
    dealer.technician.create("/v1/stock-movements", &moved).await;
    for (kind, amount) in [("purchase", "3.205"), ("selling", "7.5")] {
        let price = json!({ "kind": kind, "from": "2026-01-01", "per_unit": { "amount": amount, "currency": "EUR" } });
        dealer.office.create(&format!("/v1/consumables/{}/prices", store.item), &price).await;
    }
    let line = |quantity: &str| json!([{ "item_id": store.item, "quantity": quantity }]);
    let kit = |name: &str, model: Value, quantity: &str| json!({ "name": name, "lines": line(quantity), "for_kind": "pump_tube", "for_model": model });
    let any = dealer.office.create("/v1/kits", &kit("Any tube", Value::Null, "1")).await;
    app.night(dealer.id, now).await;
    let of = async || risk(&dealer, units[0]).await["components"][0]["kit"].clone();
    assert_eq!(of().await["kit_id"], json!(id(&any)), "no kit is of the model alone");
    let own = dealer.office.create("/v1/kits", &kit("Tube T 6", json!("T 6"), "2")).await;
    let found = of().await;
    assert_eq!((&found["kit_id"], &found["kit"]), (&json!(id(&own)), &json!("Tube T 6")));
    let item = &found["items"][0];
    assert_eq!(
        (&item["quantity"], &item["in_vans"], &item["in_warehouses"]),
        (&json!("2"), &json!("5"), &json!("7")),
        "{item}"
    );
    assert_eq!(
        (&item["purchase_price"]["amount"], &item["selling_price"]["amount"], &item["selling_price"]["currency"]),
        (&json!("3.205"), &json!("7.5"), &json!("EUR"))
    );
    let listed = items(&dealer.office, "/v1/risk").await;
    assert_eq!(listed[0]["kits"][0], found);
    let page = dealer.office.get("/risk").await;
    let words = "kit \u{201c}Tube T 6\u{201d}: 2 l Coagulant (5 in vans, 7 in warehouses, sells at 7.5 EUR each)";
    assert!(page.text().contains(words), "{}", page.text());
    // Technicians see what to bring and where it is, and no prices.
    let path = format!("/v1/units/{}/risk", units[0]);
    let seen = dealer.technician.get(&path).await.json()["components"][0]["kit"]["items"][0].clone();
    assert_eq!(
        (&seen["in_vans"], &seen["purchase_price"], &seen["selling_price"]),
        (&json!("5"), &Value::Null, &Value::Null)
    );
    assert!(!dealer.technician.get("/risk").await.shown().contains("sells at"));

    comes_as_a_table(&dealer.office, "kits").await;
    let again = dealer.office.post("/v1/kits", &kit("Another", json!("T 6"), "2")).await;
    again.refused_for(409, &[("/for_kind", "kit_exists")]);
    let no_kind = json!({ "name": "Nothing", "lines": line("1"), "for_model": "T 6" });
    dealer.office.post("/v1/kits", &no_kind).await.refused_for(422, &[("/for_kind", "required")]);
    let retired = dealer.office.post_at(&format!("/v1/kits/{}/retire", id(&own)), "\"1\"").await;
    assert_eq!(retired.status(), 200, "{retired:?}");
    assert_eq!(of().await["kit_id"], json!(id(&any)));
}
