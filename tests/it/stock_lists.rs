//! Lists of stock movements, goods on order and prices in each order, while others write.

use crate::conventions::items;
use crate::lists::{by_pages, nothing};
use crate::stock::Store;
use crate::support::{TestApp, id};
use serde_json::json;

#[tokio::test]
async fn movements_come_in_the_order_in_which_they_were_written_down() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (store, office) = (Store::new(&dealer).await, &dealer.office);
    let [early, late, last] = ["2026-03-01T08:00:00Z", "2026-03-02T08:00:00Z", "2026-03-03T08:00:00Z"];
    store.receive(&dealer, late, "10").await;
    store.receive(&dealer, early, "5").await;
    let path = "/v1/stock-movements?";
    for sort in ["", "sort=created", "sort=changed"] {
        assert_eq!(by_pages(office, &format!("{path}{sort}"), "at", nothing).await, [late, early], "{sort}");
    }
    let write = async || store.receive(&dealer, last, "1").await;
    let by_change = by_pages(office, &format!("{path}sort=changed"), "at", write).await;
    assert_eq!(by_change, [late, early, last], "none is missed that is written meanwhile");
    let made = items(office, path).await;
    let since = format!("{path}sort=created&changed_since={}", made[1]["created_at"].as_str().unwrap());
    assert_eq!(items(office, &since).await, made[1..], "at that instant or later");
    office.get(&format!("{path}sort=at")).await.refused_for(422, &[("/sort", "unknown_sort")]);
}

#[tokio::test]
async fn goods_on_order_come_by_when_they_are_expected_and_were_written() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (store, office) = (Store::new(&dealer).await, &dealer.office);
    let order = |expected_on: &str| {
        json!({ "item_id": store.item, "place_id": store.warehouse, "quantity": "50", "ordered_on": "2026-03-01",
            "expected_on": expected_on })
    };
    let path = "/v1/stock-orders?ended=true";
    let late = id(&office.create("/v1/stock-orders", &order("2026-03-20")).await).to_string();
    let early = id(&office.create("/v1/stock-orders", &order("2026-03-10")).await).to_string();
    let [late, early] = [late.as_str(), early.as_str()];
    for (sort, wanted) in [
        ("", [early, late]),
        ("&sort=expected_on", [early, late]),
        ("&sort=created", [late, early]),
        ("&sort=changed", [late, early]),
    ] {
        assert_eq!(by_pages(office, &format!("{path}{sort}"), "id", nothing).await, wanted, "{sort}");
    }
    let write = async || {
        let part = json!({ "at": "2026-03-12T09:00:00Z", "quantity": "20" });
        let came = dealer.technician.post_at_with(&format!("/v1/stock-orders/{late}/receive"), "\"1\"", &part).await;
        assert_eq!(came.status(), 200, "{came:?}");
    };
    let by_change = by_pages(office, &format!("{path}&sort=changed"), "id", write).await;
    assert_eq!(by_change, [late, early, late], "what is written meanwhile comes again");
    let write = async || {
        let closed = dealer.technician.post_at(&format!("/v1/stock-orders/{early}/close"), "\"1\"").await;
        assert_eq!(closed.status(), 200, "{closed:?}");
    };
    assert_eq!(by_pages(office, &format!("{path}&sort=created"), "id", write).await, [late, early], "nothing moves");
    let open = by_pages(office, "/v1/stock-orders?sort=changed", "id", nothing).await;
    assert_eq!(open, [late], "of what is still to come");
    let closed = items(office, &format!("{path}&sort=changed")).await.pop().unwrap();
    let since = format!("{path}&sort=created&changed_since={}", closed["changed_at"].as_str().unwrap());
    assert_eq!(items(office, &since).await, [closed], "at that instant or later");
    office.get(&format!("{path}&sort=at")).await.refused_for(422, &[("/sort", "unknown_sort")]);
}

#[tokio::test]
async fn prices_come_by_when_they_were_written_down_ended_or_withdrawn() {
    let app = TestApp::start().await;
    let office = app.dealer("Brookside").await.office;
    let price = |what: &str, unit: &str, from: &str| json!({ "what": what, "from": from, "unit": unit, "amount": "50", "currency": "EUR" });
    let mut made = Vec::new();
    for new in
        [price("labour", "h", "2026-01-01"), price("travel", "km", "2026-01-01"), price("labour", "h", "2026-06-01")]
    {
        made.push(id(&office.create("/v1/prices", &new).await).to_string());
    }
    let [labour, travel, next] = [made[0].as_str(), made[1].as_str(), made[2].as_str()];
    let path = "/v1/prices?withdrawn=true";
    // The price of labour ended where the next began, and was written at the same instant.
    for (sort, wanted) in [
        ("", [labour, travel, next]),
        ("&sort=created", [labour, travel, next]),
        ("&sort=changed", [travel, labour, next]),
    ] {
        assert_eq!(by_pages(&office, &format!("{path}{sort}"), "id", nothing).await, wanted, "{sort}");
    }
    let wrong = json!({ "reason": "A slip" });
    let withdraw = async |price: &str| {
        let answer = office.post(&format!("/v1/prices/{price}/withdraw"), &wrong).await;
        assert_eq!(answer.status(), 200, "{answer:?}");
    };
    let by_change = by_pages(&office, &format!("{path}&sort=changed"), "id", async || withdraw(travel).await).await;
    assert_eq!(by_change, [travel, labour, next, travel], "what is written meanwhile comes again");
    let by_creation = by_pages(&office, &format!("{path}&sort=created"), "id", async || withdraw(labour).await).await;
    assert_eq!(by_creation, [labour, travel, next], "nothing moves");
    let last = items(&office, &format!("{path}&sort=changed")).await.pop().unwrap();
    assert_eq!(id(&last).to_string(), labour);
    let since = format!("{path}&sort=created&changed_since={}", last["changed_at"].as_str().unwrap());
    assert_eq!(items(&office, &since).await, [last], "at that instant or later");
    office.get("/v1/prices?sort=from").await.refused_for(422, &[("/sort", "unknown_sort")]);
}
