//! The pages of stock: what to order, what runs out, and counting a place.

use crate::call_outs::Customer;
use crate::conventions::items;
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
    assert_eq!(dealer.technician.page(&format!("{list}&day=0001-01-01")).await.status(), 422, "no such day");
    let viewer = dealer.customer_viewer(dealer.customer("Harbour Haulage").await).await;
    assert_eq!(viewer.page(&list).await.status(), 403);
    assert_eq!(app.dealer("Millrace").await.owner.page(&list).await.status(), 404);
}

/// What comes and goes without an order or a visit is written down at its place, by the ledger's own rules.
#[tokio::test]
async fn what_comes_and_goes_is_written_down_at_its_place() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (bay, store) = (Customer::new(&dealer, "W-1").await, Store::new(&dealer).await);
    let mut culture = coagulant("Culture");
    (culture["by_lot"], culture["hazard"]) = (json!(true), json!("microbes"));
    let culture = id(&dealer.office.create("/v1/consumables", &culture).await).to_string();
    let (item, van, unit) = (store.item.to_string(), store.van.to_string(), bay.unit.to_string());
    let at = |place: Uuid| format!("/places/{place}/movement");
    let (warehouse, technician) = (at(store.warehouse), &dealer.technician);
    let page = technician.page(&format!("/stock?place={}", store.warehouse)).await;
    assert!(page.text().contains(&warehouse), "{page:?}");
    let form = technician.page(&warehouse).await;
    for words in ["Coagulant, in l", "Van 1", "W-1", "name=\"overdraw_reason\""] {
        assert!(form.text().contains(words), "{words}: {form:?}");
    }
    let line = |kind: &'static str, quantity: &'static str| {
        vec![("kind", kind), ("item_id", item.as_str()), ("quantity", quantity), ("at", "2026-03-02T08:00")]
    };
    let and = |mut line: Vec<(&'static str, &str)>, more: &[(&'static str, &str)]| -> Vec<(String, String)> {
        line.retain(|(name, _)| more.iter().all(|(other, _)| other != name));
        line.iter().chain(more).map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect()
    };
    let send = async |path: &str, fields: Vec<(String, String)>| {
        let fields: Vec<(&str, &str)> = fields.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
        technician.send_form(path, &fields).await
    };
    let to_van = [("moved_to", van.as_str()), ("at", "2026-03-03T08:00")];
    let used = [("unit_id", unit.as_str()), ("payer", "included"), ("at", "2026-03-04T08:00")];
    for (fields, anchor) in [
        (and(line("issued", "1"), &used), "#f-quantity"),
        (and(line("moved", "1"), &[]), "#f-moved_to"),
        (and(line("received", "1"), &to_van), "#f-moved_to"),
        (and(line("received", "a lot"), &[]), "#f-quantity"),
        (and(line("received", "1"), &[("why", "lost")]), "#f-why"),
        (and(line("received", "1"), &[("item_id", culture.as_str())]), "#f-lot"),
        (and(line("received", "1"), &[("expires_on", "2027-03-10")]), "#f-lot"),
        (and(line("moved", "1"), &[("item_id", culture.as_str()), ("lot", "X"), to_van[0]]), "#f-lot"),
    ] {
        let wrong = send(&warehouse, fields).await;
        assert!(wrong.status() == 422 && wrong.text().contains(anchor), "{anchor}: {wrong:?}");
    }
    let there = async || {
        let rows = items(&dealer.office, &format!("/v1/stock?item_id={}", store.item)).await;
        rows.iter().map(|row| row["quantity"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(there().await, Vec::<String>::new(), "nothing half-done");
    for _ in 0..2 {
        let sent = send(&warehouse, and(line("received", "12,5"), &[("supplier", "Valley"), ("key", "k-1")])).await;
        assert_eq!(sent.header("location"), format!("/stock?place={}", store.warehouse), "{sent:?}");
    }
    assert_eq!(there().await, ["12.5"], "sent twice, kept once");
    assert_eq!(send(&warehouse, and(line("moved", "5"), &to_van)).await.status(), 303);
    assert_eq!(send(&at(store.van), and(line("issued", "2"), &used)).await.status(), 303);
    let lot = [("item_id", culture.as_str()), ("lot", "B-1"), ("expires_on", "2027-03-10")];
    assert_eq!(send(&warehouse, and(line("received", "3"), &lot)).await.status(), 303);
    let other_day = [lot[0], lot[1], ("expires_on", "2027-03-11")];
    let wrong = send(&warehouse, and(line("received", "1"), &other_day)).await;
    assert!(wrong.status() == 422 && wrong.text().contains("#f-expires_on"), "{wrong:?}");
    let kept = dealer.office.get(&format!("/v1/stock?place_id={}", store.van)).await.json();
    assert_eq!(kept["items"][0]["quantity"], "3", "{kept}");
    let lots = dealer.office.get(&format!("/v1/consumables/{culture}/lots")).await.json();
    assert_eq!((&lots["items"][0]["number"], &lots["items"][0]["expires_on"]), (&json!("B-1"), &json!("2027-03-10")));
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!(viewer.page(&warehouse).await.status(), 403);
    assert_eq!(app.dealer("Millrace").await.owner.page(&warehouse).await.status(), 404);
}
