//! Goods on order: placed, received in parts, and counted on.

use crate::conventions::items;
use crate::list_filters::comes_as_a_table;
use crate::stock::{Store, coagulant, movement};
use crate::support::{Dealer, TestApp, id, today_in_vienna};
use chrono::{Days, Months, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

const ORDERS: &str = "/v1/stock-orders";

fn order(store: &Store, quantity: &str, more: Value) -> Value {
    let mut sent = json!({ "item_id": store.item, "place_id": store.warehouse, "quantity": quantity });
    sent.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    sent
}

fn came(quantity: &str) -> Value {
    json!({ "at": Utc::now().format("%Y-%m-%dT%H:%M:%SZ").to_string(), "quantity": quantity })
}

async fn there(dealer: &Dealer, store: &Store) -> Value {
    let rows = items(&dealer.office, &format!("/v1/stock?place_id={}", store.warehouse)).await;
    rows.first().map_or(Value::Null, |row| row["quantity"].clone())
}

#[tokio::test]
async fn an_order_comes_in_parts_until_nothing_is_to_come() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    let sent = order(&store, "50", json!({}));
    let made = dealer.office.post_once(ORDERS, "key-1", &sent).await;
    assert_eq!((made.status(), made.etag()), (201, "\"1\""), "{made:?}");
    let made = made.json();
    assert_eq!(dealer.office.post_once(ORDERS, "key-1", &sent).await.json(), made);
    let expected = today_in_vienna() + Days::new(10);
    assert_eq!((&made["supplier"], &made["expected_on"]), (&json!("Valley"), &json!(expected)), "after its lead time");
    let path = format!("{ORDERS}/{}", id(&made));
    let receive = async |etag: &str, quantity: &str| {
        dealer.technician.post_at_with(&format!("{path}/receive"), etag, &came(quantity)).await
    };
    receive("\"1\"", "0").await.refused_for(422, &[("/quantity", "not_positive")]);
    let part = receive("\"1\"", "20").await.json();
    assert_eq!(
        (&part["received"], &part["outstanding"], &part["ended_at"]),
        (&json!("20"), &json!("30"), &Value::Null)
    );
    assert_eq!(there(&dealer, &store).await, "20");
    receive("\"1\"", "20").await.refused(412, "stale");
    let line = &items(&dealer.office, "/v1/stock-movements").await[0];
    assert_eq!((&line["id"], &line["supplier"]), (&part["receipts"][0]["movement_id"], &json!("Valley")));
    let rest = receive("\"2\"", "31").await.json();
    assert!(rest["outstanding"] == "0" && !rest["ended_at"].is_null(), "{rest}");
    receive("\"3\"", "1").await.refused_for(409, &[("", "nothing_to_come")]);
    assert_eq!(there(&dealer, &store).await, "51");
    assert_eq!(items(&dealer.office, ORDERS).await, [Value::Null; 0]);
    assert_eq!(items(&dealer.office, &format!("{ORDERS}?ended=true")).await.len(), 1);

    let other = dealer.office.create(ORDERS, &order(&store, "5", json!({ "expected_on": expected }))).await;
    for path in [format!("/v1/places/{}", store.warehouse), format!("/v1/consumables/{}", store.item)] {
        let refused = dealer.office.post_at(&format!("{path}/retire"), "\"1\"").await;
        assert_eq!(refused.status(), 409, "goods stand there, or are on their way: {refused:?}");
    }
    let close = format!("{ORDERS}/{}/close", id(&other));
    let closed = dealer.technician.post_at(&close, "\"1\"").await.json();
    assert!(closed["outstanding"] == "0" && closed["received"] == "0" && !closed["ended_at"].is_null(), "{closed}");
    dealer.technician.post_at(&close, "\"2\"").await.refused_for(409, &[("", "nothing_to_come")]);
    assert_eq!(there(&dealer, &store).await, "51");
}

#[tokio::test]
async fn orders_are_the_dealers_alone_and_name_their_faults() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    let mut own = coagulant("Sand");
    own["supply"] = Value::Null;
    let own = id(&dealer.office.create("/v1/consumables", &own).await);
    let nobody = Uuid::from_u128(7);
    for (more, fault) in [
        (json!({ "quantity": "0" }), ("/quantity", "not_positive")),
        (json!({ "item_id": nobody }), ("/item_id", "unknown_reference")),
        (json!({ "place_id": nobody }), ("/place_id", "unknown_reference")),
        (json!({ "ordered_on": "2026-03-02", "expected_on": "2026-03-01" }), ("/expected_on", "before_ordered")),
        (json!({ "ordered_on": today_in_vienna() + Days::new(1) }), ("/ordered_on", "future")),
        (json!({ "item_id": own }), ("/supplier", "required")),
        (json!({ "item_id": own, "supplier": "Quarry" }), ("/expected_on", "required")),
    ] {
        dealer.office.post(ORDERS, &order(&store, "5", more)).await.refused_for(422, &[fault]);
    }
    dealer.technician.post(ORDERS, &order(&store, "5", json!({}))).await.refused(403, "not-allowed");
    let made = dealer.office.create(ORDERS, &order(&store, "5", json!({}))).await;
    let path = format!("{ORDERS}/{}", id(&made));
    assert_eq!(dealer.technician.get(&path).await.json(), made);
    dealer.office.create(ORDERS, &order(&store, "7", json!({}))).await;
    comes_as_a_table(&dealer.office, "stock-orders").await;
    for (since, count) in [("2026-01-01T00:00:00Z", 2), ("2100-01-01T00:00:00Z", 0)] {
        assert_eq!(items(&dealer.office, &format!("{ORDERS}?changed_since={since}")).await.len(), count, "{since}");
    }
    let viewer = dealer.customer_viewer(dealer.customer("Harbour Haulage").await).await;
    viewer.get(&path).await.refused(403, "not-allowed");
    let foreign = app.dealer("Elsewhere").await.owner;
    foreign.get(&path).await.refused(404, "not-found");
    foreign.post_at_with(&format!("{path}/receive"), "\"1\"", &came("1")).await.refused(404, "not-found");
    foreign.post_at(&format!("{path}/close"), "\"1\"").await.refused(404, "not-found");
    assert_eq!(items(&foreign, ORDERS).await, [Value::Null; 0]);
}

/// A store whose stock has run low after two years of the same use in the middle of each month.
async fn low(dealer: &Dealer) -> Store {
    let store = Store::new(dealer).await;
    let unit = dealer.unit("W-1").await;
    let this_month = today_in_vienna().format("%Y-%m-15").to_string().parse::<chrono::NaiveDate>().unwrap();
    let month = |n: u32| this_month.checked_sub_months(Months::new(n)).unwrap();
    store.receive(dealer, &format!("{}T08:00:00Z", month(25)), "730").await;
    for n in 1..=24 {
        let more = json!({ "from_place_id": store.warehouse, "unit_id": unit, "payer": "included" });
        let issued = movement(store.item, "issued", &format!("{}T08:00:00Z", month(n)), "30", more);
        dealer.technician.create("/v1/stock-movements", &issued).await;
    }
    store
}

/// Ten litres of one a day are left: an order is due, until one is on its way; the run-out counts on
/// it once the night has looked.
#[tokio::test]
async fn what_is_on_its_way_is_counted_on() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = low(&dealer).await;
    app.night(dealer.id, Utc::now()).await;
    let due = async || dealer.office.get("/v1/stock/orders").await.json()["orders"].clone();
    let run_out = async || items(&dealer.office, "/v1/stock/run-out").await.remove(0);
    let suggested = due().await;
    let line = &suggested[0]["lines"][0];
    assert_eq!((&suggested[0]["supplier"], &line["item_id"]), (&json!("Valley"), &json!(store.item)), "{suggested}");
    let day = |view: &Value| view["likely"].as_str().unwrap().parse::<chrono::NaiveDate>().unwrap();
    let (before, today) = (run_out().await, today_in_vienna());
    assert!((6..=16).contains(&(day(&before) - today).num_days()), "{before}");
    assert_eq!(before["on_order"], "0");

    // As the page does it: the suggestion is ordered with its own button.
    let quantity = line["quantity"].as_str().unwrap().to_owned();
    let page = dealer.office.page("/stock").await;
    let field = format!("item-{}", store.item);
    assert!(page.text().contains(&format!("name=\"{field}\" value=\"{quantity}\"")), "{page:?}");
    assert!(!dealer.technician.page("/stock").await.shown().contains("It was ordered"), "the office orders");
    let warehouse = store.warehouse.to_string();
    let expected = (today + Days::new(3)).to_string();
    let fields = [
        ("key", "k-1"),
        ("place", warehouse.as_str()),
        ("supplier", "Valley"),
        (field.as_str(), quantity.as_str()),
        ("expected", expected.as_str()),
    ];
    for _ in 0..2 {
        let sent = dealer.office.send_form("/stock/orders", &fields).await;
        assert_eq!((sent.status(), sent.header("location")), (303, "/stock"), "{sent:?}");
    }
    let placed = items(&dealer.office, ORDERS).await;
    assert_eq!((placed.len(), &placed[0]["outstanding"]), (1, &json!(quantity)), "sent twice, ordered once");
    assert_eq!(due().await, json!([]), "what is on its way is enough");
    app.night(dealer.id, Utc::now()).await;
    let after = run_out().await;
    assert_eq!(after["on_order"], json!(quantity));
    assert!((day(&after) - day(&before)).num_days() >= 20, "{before} then {after}");
    assert_eq!(due().await, json!([]));

    let page = dealer.technician.page(&format!("/stock?place={warehouse}")).await;
    assert!(page.text().contains("On its way") && page.text().contains("from Valley, to Warehouse"), "{page:?}");
    let path = format!("/stock/orders/{}", id(&placed[0]));
    let send = async |what: &str, fields: &[(&str, &str)]| {
        dealer.technician.send_form(&format!("{path}/{what}"), fields).await
    };
    let wrong = send("receive", &[("revision", "1"), ("quantity", "many"), ("shown", &warehouse)]).await;
    assert!(wrong.status() == 422 && wrong.text().contains("is no number: type a number"), "{wrong:?}");
    let received = send("receive", &[("revision", "1"), ("quantity", "12,5"), ("shown", &warehouse)]).await;
    assert_eq!(received.header("location"), format!("/stock?place={warehouse}"), "{received:?}");
    assert_eq!(items(&dealer.office, ORDERS).await[0]["received"], "12.5");
    assert_eq!(send("close", &[("revision", "2")]).await.header("location"), "/stock");
    assert_eq!(items(&dealer.office, ORDERS).await, [Value::Null; 0]);
}
