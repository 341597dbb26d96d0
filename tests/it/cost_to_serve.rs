//! What serving costs the dealer, and that nothing of it reaches a customer.

use crate::conventions::items;
use crate::costs::{Bay, night};
use crate::support::{Client, Dealer, TestApp, id};
use serde_json::{Value, json};
use uuid::Uuid;

/// Amounts that stand nowhere else.
const PLANTED: [&str; 4] = ["777.77", "888.88", "6.66", "555.55"];
const ITEM: Uuid = Uuid::from_u128(0x0198_0000_0000_7000_8000_0000_0000_0001);

fn price(what: &str, unit: &str, amount: &str) -> Value {
    let item_id = (what == "item").then_some(ITEM);
    json!({ "what": what, "item_id": item_id, "kind": "purchase", "from": "2026-01-01", "unit": unit, "amount": amount,
        "currency": "EUR" })
}

async fn planted(dealer: &Dealer) {
    let prices = [("labour", "h"), ("item", "piece"), ("travel", "km"), ("disposal", "load")];
    for ((what, unit), amount) in prices.into_iter().zip(PLANTED) {
        dealer.office.create("/v1/prices", &price(what, unit, amount)).await;
    }
}

/// A service event with its lines, as the service's own routes leave them.
async fn event(app: &TestApp, dealer: &Dealer, unit: Uuid, at: &str, details: Value, lines: &[(&str, &str, &str)]) {
    let client = app.superuser().await;
    let event = Uuid::now_v7();
    let at: chrono::DateTime<chrono::Utc> = at.parse().unwrap();
    let sql = "insert into service_event (dealer_id, id, revision, unit_id, at, kind, details, created_at)
               values ($1, $2, $3, $4, $5, 'visit', $6::text::jsonb, now())";
    let details = details.to_string();
    // The first revision has other lines, which do not count.
    for revision in [1, 2] {
        client.execute(sql, &[&dealer.id.0, &event, &revision, &unit, &at, &details]).await.unwrap();
    }
    let sql = "insert into event_line (dealer_id, event_id, revision, n, kind, item_id, quantity, unit)
               values ($1, $2, $3, $4, $5, $6, $7::text::numeric, $8)";
    let item = |kind: &str| ["part", "consumable"].contains(&kind).then_some(ITEM);
    client.execute(sql, &[&dealer.id.0, &event, &1, &1_i16, &"labour", &None::<Uuid>, &"99", &"h"]).await.unwrap();
    for (n, (kind, quantity, unit)) in (1_i16..).zip(lines) {
        client.execute(sql, &[&dealer.id.0, &event, &2, &n, kind, &item(kind), quantity, unit]).await.unwrap();
    }
}

/// 2 h at 777.77 are 1,555.54, a part 888.88, 10 km at 6.66 are 66.60, an hour under warranty
/// 777.77, a load 555.55: 3,844.34. The kilogram has no price.
#[tokio::test]
async fn serving_is_priced_where_the_unit_stood() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (bay, other) = (Bay::new(&dealer, "Harbour Haulage").await, Bay::new(&dealer, "Quarry Trucks").await);
    planted(&dealer).await;
    let lines = [("labour", "2", "h"), ("part", "1", "piece"), ("travel", "10", "km"), ("consumable", "3", "kg")];
    event(&app, &dealer, bay.unit, "2026-03-10T09:00:00Z", json!({}), &lines).await;
    let warranty = json!({ "payer": "warranty" });
    event(&app, &dealer, bay.unit, "2026-03-31T21:30:00Z", warranty, &[("labour", "1", "h")]).await;
    let load = json!({ "hauler": "Valley Tankers", "ticket": "M-1", "destination": "Works", "waste_class": "Oily" });
    let hauled = json!({ "at": "2026-03-12T09:00:00Z", "kind": "hauled", "volume_l": 900.0, "u_share": 0.05,
        "passed_a_meter": false, "load": load });
    dealer.office.create(&format!("/v1/units/{}/volume-events", bay.unit), &hauled).await;

    let path = bay.of_site("cost-to-serve?from=2026-03-01&to=2026-03-31");
    let found = dealer.office.get(&path).await.json();
    let amount = |kind: &str| found["by_kind"][kind]["amount"].clone();
    assert_eq!(amount("labour"), "1555.54");
    assert_eq!((amount("part_purchase"), amount("travel")), (json!("888.88"), json!("66.60")));
    assert_eq!((amount("warranty_work"), amount("disposal_purchase")), (json!("777.77"), json!("555.55")));
    assert_eq!(found["total"], json!({ "amount": "3844.34", "currency": "EUR" }));
    assert_eq!(found["not_priced"][0]["kind"], "consumable_purchase");
    let of_customer = format!("/v1/customers/{}/cost-to-serve?from=2026-03-01&to=2026-03-31", bay.customer);
    assert_eq!(dealer.owner.get(&of_customer).await.json(), found);

    // The unit moves: what is done after that is of the other site.
    let placements = items(&dealer.office, &format!("/v1/units/{}/placements", bay.unit)).await;
    dealer.end_placement(&placements[0], "2026-04-10T09:00:00Z").await;
    dealer.place(bay.unit, other.site, "2026-04-10T09:00:00Z").await;
    event(&app, &dealer, bay.unit, "2026-04-12T09:00:00Z", json!({}), &[("labour", "1", "h")]).await;
    let april = "cost-to-serve?from=2026-04-01&to=2026-04-30";
    assert_eq!(dealer.office.get(&bay.of_site(april)).await.json()["total"], Value::Null);
    assert_eq!(dealer.office.get(&other.of_site(april)).await.json()["total"]["amount"], "777.77");

    let foreign = app.dealer("Elsewhere").await;
    let viewer = dealer.customer_viewer(bay.customer).await;
    for path in [&path, &of_customer] {
        foreign.office.get(path).await.refused(404, "not-found");
        for client in [&dealer.technician, &viewer] {
            client.get(path).await.refused(403, "not-allowed");
        }
    }
    assert_eq!(items(&foreign.office, "/v1/prices").await, [Value::Null; 0]);
}

#[tokio::test]
async fn prices_follow_one_another_and_are_withdrawn() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let first = dealer.office.create("/v1/prices", &price("labour", "h", "50")).await;
    let mut next = price("labour", "h", "55");
    next["from"] = json!("2026-06-01");
    let once = dealer.office.post_once("/v1/prices", "key-1", &next).await;
    assert_eq!(dealer.office.post_once("/v1/prices", "key-1", &next).await.json(), once.json());
    let listed = items(&dealer.office, "/v1/prices").await;
    assert_eq!((&listed[0]["to"], listed.len()), (&json!("2026-06-01"), 2));
    dealer.office.post("/v1/prices", &price("labour", "h", "1")).await.refused_for(409, &[("/from", "price_overlaps")]);
    let mut wrong = price("item", " ", "-1");
    wrong["item_id"] = Value::Null;
    let faults = [("/unit", "required"), ("/item_id", "required"), ("/amount", "out_of_range")];
    dealer.office.post("/v1/prices", &wrong).await.refused_for(422, &faults);
    let withdraw = format!("/v1/prices/{}/withdraw", id(&first));
    assert_eq!(dealer.office.post(&withdraw, &json!({ "reason": "a slip" })).await.json()["withdrawn"], "a slip");
    dealer.office.post(&withdraw, &json!({ "reason": "x" })).await.refused_for(409, &[("", "withdrawn_already")]);
    assert_eq!(items(&dealer.office, "/v1/prices").await.len(), 1);
    assert_eq!(items(&dealer.office, "/v1/prices?withdrawn=true").await.len(), 2);
    dealer.technician.get("/v1/prices").await.refused(403, "not-allowed");
}

/// Everything that a customer's people can read, asked with every id they could know: no planted
/// price stands in any of it.
#[tokio::test]
async fn no_purchase_price_reaches_a_customer() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Harbour Haulage").await;
    planted(&dealer).await;
    event(&app, &dealer, bay.unit, "2026-03-10T09:00:00Z", json!({}), &[("labour", "1", "h"), ("part", "1", "piece")])
        .await;
    let terms = json!({ "from": "2026-01-01", "currency": "EUR", "fee": { "kind": "rent", "per_month": "450" } });
    dealer.office.create(&bay.of_site("cost-terms"), &terms).await;
    night(&app, &dealer).await;
    let viewer = dealer.customer_viewer(bay.customer).await;
    let reader = dealer.customer_reader(bay.customer).await;
    let prices = items(&dealer.office, "/v1/prices").await;
    assert_eq!(prices.len(), PLANTED.len());
    let reports = items(&viewer, "/v1/savings-reports").await;
    let mut ids = vec![bay.site, bay.unit, bay.customer, id(&prices[0])];
    ids.extend(reports.iter().map(id));
    let document = app.anyone().get("/openapi.json").await.json();
    let reads = document["paths"].as_object().unwrap().iter().filter(|(_, path)| path.get("get").is_some());
    let mut answered = 0;
    for (path, _) in reads {
        for id in &ids {
            answered += asked(&[&viewer, &reader], &path.replace("{id}", &id.to_string())).await;
        }
    }
    for report in &reports {
        answered += asked(&[&viewer], &format!("/savings-reports/{}", id(report))).await;
    }
    assert!(answered > 40, "{answered} good answers");
}

/// Asks for a page, and with all queries that the routes know; gives how many answered.
async fn asked(clients: &[&Client], path: &str) -> usize {
    let mut answered = 0;
    for query in
        ["", "?from=2026-03-01&to=2026-03-31&step=month&basis=accrued", "?from=2026-03-01&to=2026-03-31&step=month"]
    {
        for client in clients {
            let answer = client.get(&format!("{path}{query}")).await;
            let text = answer.text();
            let found = PLANTED.iter().find(|amount| text.contains(*amount));
            assert!(found.is_none(), "{found:?} in {answer:?}");
            answered += usize::from(answer.status() == 200);
        }
    }
    answered
}
