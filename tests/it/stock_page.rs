//! The pages of stock: what to order, what runs out, and counting a place.

use crate::stock::{Store, coagulant, movement};
use crate::support::{Answer, Client, TestApp, id};
use serde_json::json;
use uuid::Uuid;

async fn send_count(client: &Client, place: Uuid, body: String) -> Answer {
    client.form(&format!("/stock/count?place={place}"), None, &body).await
}

#[tokio::test]
async fn a_place_is_counted_with_plain_forms() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    store.receive(&dealer, "2026-03-01T08:00:00Z", "40").await;
    let technician = &dealer.technician;
    let form = technician.page(&format!("/stock/count?place={}", store.warehouse)).await;
    let key = format!("{}-{}", store.item.simple(), Uuid::nil().simple());
    for part in [&format!("name=\"found-{key}\""), "inputmode=\"decimal\"", "Coagulant", "spilt, broken or leaked"] {
        assert!(form.text().contains(part), "{part}: {form:?}");
    }
    let typed = |found: &str, why: &str| format!("found-{key}={found}&why-{key}={why}");
    for (found, why, fault) in [
        ("38%2C5", "", "the count is -1.5 off the ledger: say why"),
        ("many", "", "type a number, such as 12.5"),
        ("-3", "lost", "give an amount from 0"),
    ] {
        let again = send_count(technician, store.warehouse, typed(found, why)).await;
        assert_eq!(again.status(), 422, "{again:?}");
        assert!(again.text().contains(fault) && again.text().contains("Nothing was saved yet"), "{again:?}");
    }
    let back = send_count(technician, store.warehouse, typed("38%2C5", "lost")).await;
    assert_eq!(back.status(), 303, "{back:?}");
    let back = technician.page(back.header("location")).await;
    assert!(back.text().contains("38.5\u{a0}L") && back.text().contains("<h1>Warehouse</h1>"), "{back:?}");
    let nothing = send_count(technician, store.warehouse, typed("", "")).await;
    assert_eq!(nothing.status(), 303);
    let lines = technician.get("/v1/stock-movements").await.json();
    assert_eq!(lines["items"].as_array().unwrap().len(), 2, "what was left empty is not counted: {lines}");

    let viewer = dealer.customer_viewer(dealer.customer("Harbour Haulage").await).await;
    assert_eq!(viewer.page("/stock").await.status(), 403);
    let foreign = app.dealer("Millrace").await.owner;
    assert_eq!(foreign.page(&format!("/stock?place={}", store.warehouse)).await.status(), 404);
    assert_eq!(send_count(&foreign, store.warehouse, typed("1", "lost")).await.status(), 404);
    let overview = dealer.office.page("/stock").await;
    assert!(
        overview.text().contains("Nothing has to be ordered today.") && overview.text().contains("Van 1"),
        "{overview:?}"
    );
    assert!(dealer.office.page("/").await.text().contains("href=\"/stock\""));
    assert!(!viewer.page("/").await.shown().contains("href=\"/stock\""));
}

#[tokio::test]
async fn what_a_van_takes_along_is_listed_with_what_must_not_ride_together() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    store.receive(&dealer, "2026-03-01T08:00:00Z", "40").await;
    let mut bleach = coagulant("Bleach");
    bleach["hazard"] = json!("hypochlorite");
    let bleach = id(&dealer.office.create("/v1/consumables", &bleach).await);
    let aboard = movement(bleach, "received", "2026-03-01T08:00:00Z", "5", json!({ "to_place_id": store.van }));
    dealer.technician.create("/v1/stock-movements", &aboard).await;
    let kept = json!({ "place_id": store.warehouse, "van_id": store.van, "planned_on": "2026-03-09",
        "lines": [{ "item_id": store.item, "quantity": "10" }, { "item_id": bleach, "quantity": "8" }] });
    dealer.technician.create("/v1/stock-reservations", &kept).await;
    let of_van = dealer.technician.page(&format!("/stock?place={}", store.van)).await;
    let list = format!("/stock/load?place={}", store.van);
    assert!(of_van.text().contains(&list), "{of_van:?}");
    let warehouse = dealer.technician.page(&format!("/stock?place={}", store.warehouse)).await;
    assert!(!warehouse.shown().contains("/stock/load"), "{warehouse:?}");

    let page = dealer.technician.page(&format!("{list}&day=2026-03-09")).await.plain();
    for words in ["10 L", "3 L", "never together", "Acid goes into water", "safety data sheets", "day=2026-03-10"] {
        assert!(page.contains(words), "{words}: {page}");
    }
    assert!(dealer.technician.page(&list).await.text().contains("Nothing is kept for visits"), "today");
    let no_van = dealer.technician.page(&format!("/stock/load?place={}", store.warehouse)).await;
    assert_eq!(no_van.status(), 422, "{no_van:?}");
    let viewer = dealer.customer_viewer(dealer.customer("Harbour Haulage").await).await;
    assert_eq!(viewer.page(&list).await.status(), 403);
    assert_eq!(app.dealer("Millrace").await.owner.page(&list).await.status(), 404);
}
