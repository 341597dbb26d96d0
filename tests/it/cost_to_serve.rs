//! What serving costs the dealer, and that nothing of it reaches a customer.

use crate::conventions::items;
use crate::costs::Bay;
use crate::list_filters::comes_as_a_table;
use crate::service_events::{EVENTS, event};
use crate::stock::Store;
use crate::support::{Client, Dealer, TestApp, id};
use chrono::Utc;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use uuid::Uuid;

/// Amounts that stand nowhere else: an hour, a kilometre, a load; a float.
const PLANTED: [&str; 4] = ["777.77", "6.66", "555.55", "888.88"];

fn price(what: &str, unit: &str, amount: &str) -> Value {
    json!({ "what": what, "from": "2026-01-01", "unit": unit, "amount": amount, "currency": "EUR" })
}

/// An item counted in a unit.
async fn item(dealer: &Dealer, name: &str, unit: &str) -> Uuid {
    let item = json!({ "name": name, "unit": unit, "hazard": "harmless", "by_lot": false, "service_level": 0.95 });
    id(&dealer.office.create("/v1/consumables", &item).await)
}

async fn item_price(dealer: &Dealer, item: Uuid, kind: &str, from: &str, amount: &str) {
    let price = json!({ "kind": kind, "from": from, "per_unit": { "amount": amount, "currency": "EUR" } });
    dealer.office.create(&format!("/v1/consumables/{item}/prices"), &price).await;
}

/// Rates of work, and a float with its purchase price, which is given.
async fn planted(dealer: &Dealer) -> Uuid {
    for ((what, unit), amount) in [("labour", "h"), ("travel", "km"), ("disposal", "load")].into_iter().zip(PLANTED) {
        dealer.office.create("/v1/prices", &price(what, unit, amount)).await;
    }
    let float = item(dealer, "Float", "piece").await;
    item_price(dealer, float, "purchase", "2026-01-01", PLANTED[3]).await;
    float
}

fn line(kind: &str, quantity: &str, unit: &str, more: Value) -> Value {
    let mut line = json!({ "kind": kind, "what": "x", "quantity": quantity, "unit": unit });
    line.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    line
}

fn work(unit: Uuid, at: &str, (kind, details): (&str, Value), lines: &[Value]) -> Value {
    let mut sent = event(unit, at, kind, &details);
    sent["lines"] = json!(lines);
    sent
}

fn visit() -> (&'static str, Value) {
    ("visit", json!({}))
}

fn hour() -> Value {
    line("labour", "1", "h", json!({}))
}

async fn correct(dealer: &Dealer, event: &Value, revision: u32, new: &Value) {
    let correction = json!({ "reason": "Misread", "event": new });
    let path = format!("{EVENTS}/{}/correct", id(event));
    let done = dealer.technician.post_at_with(&path, &format!("\"{revision}\""), &correction).await;
    assert_eq!(done.status(), 200, "{done:?}");
}

/// 2 h at 777.77 are 1,555.54, a part 888.88, 10 km at 6.66 are 66.60, an hour under warranty
/// 777.77, a load 555.55: 3,844.34. The kilogram has no price.
#[tokio::test]
async fn serving_is_priced_where_the_unit_stood() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (bay, other) = (Bay::new(&dealer, "Harbour Haulage").await, Bay::new(&dealer, "Quarry Trucks").await);
    let float = planted(&dealer).await;
    comes_as_a_table(&dealer.office, "prices").await;
    let lines = [
        line("labour", "2", "h", json!({})),
        line("part", "1", "piece", json!({ "item_id": float })),
        line("travel", "10", "km", json!({})),
        line("consumable", "3", "kg", json!({})),
    ];
    // The first revision has another line, which does not count.
    let at = "2026-03-10T09:00:00Z";
    let first = work(bay.unit, at, visit(), &[line("labour", "99", "h", json!({}))]);
    let first = dealer.technician.create(EVENTS, &first).await;
    correct(&dealer, &first, 1, &work(bay.unit, at, visit(), &lines)).await;
    let warranty = [line("labour", "1", "h", json!({ "payer": "warranty" }))];
    dealer.technician.create(EVENTS, &work(bay.unit, "2026-03-31T21:30:00Z", visit(), &warranty)).await;
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
    dealer.technician.create(EVENTS, &work(bay.unit, "2026-04-12T09:00:00Z", visit(), &[hour()])).await;
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
    let faults = [("/unit", "required"), ("/amount", "out_of_range")];
    dealer.office.post("/v1/prices", &price("travel", " ", "-1")).await.refused_for(422, &faults);
    let goods = price("item", "piece", "1");
    dealer.office.post("/v1/prices", &goods).await.refused_for(422, &[("/what", "unknown_priced")]);
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
    let float = planted(&dealer).await;
    let lines = [hour(), line("part", "1", "piece", json!({ "item_id": float }))];
    let event = work(bay.unit, "2026-03-10T09:00:00Z", visit(), &lines);
    let event = id(&dealer.technician.create(EVENTS, &event).await);
    let terms = json!({ "from": "2026-01-01", "currency": "EUR", "fee": { "kind": "rent", "per_month": "450" } });
    dealer.office.create(&bay.of_site("cost-terms"), &terms).await;
    app.night(dealer.id, Utc::now()).await;
    let viewer = dealer.customer_viewer(bay.customer).await;
    let reader = dealer.customer_reader(bay.customer).await;
    let prices = items(&dealer.office, "/v1/prices").await;
    assert_eq!(prices.len(), PLANTED.len() - 1);
    let reports = items(&viewer, "/v1/savings-reports").await;
    let served = dealer.office.get(&bay.of_site("cost-to-serve?from=2026-03-01&to=2026-03-31")).await;
    assert!([PLANTED[0], PLANTED[3]].iter().all(|amount| served.text().contains(amount)), "the office: {served:?}");
    let mut ids = vec![bay.site, bay.unit, bay.customer, float, id(&prices[0]), event];
    ids.extend(reports.iter().map(id));
    let mut pages: Vec<String> = reports.iter().map(|report| format!("/savings-reports/{}", id(report))).collect();
    assert!(!pages.is_empty());
    pages.extend(["/", "/call-outs", "/readings-due", &format!("/units/{}", bay.unit)].map(str::to_owned));
    let mut paths = reads(&app, &ids).await;
    paths.extend(pages.iter().cloned());
    let mut answered = BTreeSet::new();
    for path in &paths {
        if is_answered(&[&viewer, &reader], path).await {
            answered.insert(path.clone());
        }
    }
    pages.push(format!("{EVENTS}/{event}"));
    pages.push(format!("{EVENTS}/{event}/revisions"));
    pages.push(bay.of_site("cost"));
    let refused: Vec<_> = pages.iter().filter(|path| !answered.contains(*path)).collect();
    assert!(refused.is_empty(), "{refused:?} are not among {answered:?}");
}

/// The paths of all routes that read, with each of the ids.
async fn reads(app: &TestApp, ids: &[Uuid]) -> BTreeSet<String> {
    let document = app.anyone().get("/openapi.json").await.json();
    let reads = document["paths"].as_object().unwrap().iter().filter(|(_, path)| path.get("get").is_some());
    let paths =
        reads.flat_map(|(path, _)| ids.iter().map(move |id| path.replace("{id}", &id.to_string()).replace("{n}", "1")));
    paths.collect()
}

/// Whether somebody is answered, to a path alone or with one of the queries that the routes know.
async fn is_answered(clients: &[&Client], path: &str) -> bool {
    let march = "?from=2026-03-01&to=2026-03-31";
    let mut answered = false;
    for query in
        ["", "?month=2026-03", march, &format!("{march}&step=month"), &format!("{march}&step=month&basis=accrued")]
    {
        for client in clients {
            let answer = client.get(&format!("{path}{query}")).await;
            let text = answer.text();
            let found = PLANTED.iter().find(|amount| text.contains(*amount));
            assert!(found.is_none(), "{found:?} in {answer:?}");
            answered |= answer.status() == 200;
        }
    }
    answered
}

/// Coagulant cost 2.00 until the end of February and 2.50 from March on, and sells at 4.00.
///
/// An event takes 10 l in February, which is corrected to 6 l: 12.00. In March 8 l are issued by
/// hand, of which 3 l come back: 20.00 less 7.50. The site gets 4 l delivered: 10.00. Goods that
/// were paid for already, or that the customer bought elsewhere, cost nothing. Billed in March are 8 less 3 and 4 l: 20.00 and 16.00.
#[tokio::test]
async fn goods_from_stock_are_priced_when_they_are_used() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Harbour Haulage").await;
    let store = Store::new(&dealer).await;
    for (kind, from, amount) in
        [("purchase", "2026-01-01", "2.00"), ("purchase", "2026-03-01", "2.50"), ("selling", "2026-01-01", "4.00")]
    {
        item_price(&dealer, store.item, kind, from, amount).await;
    }
    store.receive(&dealer, "2026-01-05T08:00:00Z", "100").await;
    let taken = |quantity: &str| {
        let stock = json!({ "item_id": store.item, "from_place_id": store.warehouse, "payer": "billed" });
        work(bay.unit, "2026-02-10T09:00:00Z", visit(), &[line("consumable", quantity, "l", stock)])
    };
    let first = dealer.technician.create(EVENTS, &taken("10")).await;
    correct(&dealer, &first, 1, &taken("6")).await;
    let mut noted = taken("6");
    noted["customer_note"] = json!("Drum changed");
    correct(&dealer, &first, 2, &noted).await;
    let moves = items(&dealer.office, "/v1/stock-movements").await;
    let moves: Vec<_> = moves.iter().map(|one| (one["kind"].clone(), one["quantity"].clone())).collect();
    let moved = |kind: &str, quantity: &str| (json!(kind), json!(quantity));
    let expected = [moved("received", "100"), moved("issued", "10"), moved("returned", "10"), moved("issued", "6")];
    assert_eq!(moves, expected, "a note alone leaves stock as it is");

    let place = json!({ "name": "North yard", "kind": "site", "site_id": bay.site });
    let yard = id(&dealer.office.create("/v1/places", &place).await);
    let by_hand = [
        ("issued", "8", json!({ "from_place_id": store.warehouse, "unit_id": bay.unit, "payer": "billed" })),
        ("returned", "3", json!({ "to_place_id": store.warehouse, "unit_id": bay.unit, "payer": "billed" })),
        ("moved", "4", json!({ "from_place_id": store.warehouse, "to_place_id": yard, "payer": "billed" })),
        ("issued", "1", json!({ "from_place_id": yard, "unit_id": bay.unit, "payer": "already_paid" })),
        ("received", "9", json!({ "to_place_id": yard, "buyer": "customer" })),
        ("issued", "9", json!({ "from_place_id": yard, "unit_id": bay.unit, "payer": "already_paid" })),
    ];
    for (n, (kind, quantity, more)) in by_hand.into_iter().enumerate() {
        let at = format!("2026-03-1{n}T09:00:00Z");
        let sent = crate::stock::movement(store.item, kind, &at, quantity, more);
        dealer.technician.create("/v1/stock-movements", &sent).await;
    }
    let costs = async |days: &str| {
        let found = dealer.office.get(&bay.of_site(&format!("cost-to-serve?{days}"))).await.json();
        assert_eq!(found["not_priced"], json!([]));
        found["total"]["amount"].clone()
    };
    assert_eq!(costs("from=2026-02-01&to=2026-02-28").await, "12.00");
    assert_eq!(costs("from=2026-03-01&to=2026-03-31").await, "22.50");

    // The customer is shown what it is billed, and never what was paid.
    let viewer = dealer.customer_viewer(bay.customer).await;
    let billed = items(&viewer, &bay.of_site("billed-items")).await;
    let billed: Vec<_> = billed.iter().map(|one| (one["day"].clone(), one["quantity"].clone())).collect();
    let of = |day: &str, quantity: &str| (json!(day), json!(quantity));
    let expected = [of("2026-02-10", "6"), of("2026-03-10", "8"), of("2026-03-11", "-3"), of("2026-03-12", "4")];
    assert_eq!(billed, expected);
    let cost = bay.of_site("cost?from=2026-03-01&to=2026-03-31&step=month&basis=paid");
    let cost = viewer.get(&cost).await.json();
    let lines = cost["items"][0]["cost"]["lines"].as_array().unwrap().iter();
    let goods: Vec<_> =
        lines.filter(|line| line["kind"] == "billed_consumable").map(|line| &line["amount"]["amount"]).collect();
    let sum: f64 = goods.iter().map(|amount| amount.as_str().unwrap().parse::<f64>().unwrap()).sum();
    assert!((sum - 36.0).abs() < 1e-9, "{goods:?}");
}

/// The dealer covers the work until May, a supplier the parts. In March a float fails: an hour
/// at 50.00 and the float at 30.00 are warranty work, 10 km at 1.00 are not, and the supplier
/// credits 25.00: 55.00. What is done in good order, or billed because somebody says so, is labour:
/// 100.00. In May the hour is labour too, and at the unit of another customer.
#[tokio::test]
async fn warranty_follows_the_covers_of_a_failure() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (bay, other) = (Bay::new(&dealer, "Harbour Haulage").await, Bay::new(&dealer, "Quarry Trucks").await);
    for (what, unit, amount) in [("labour", "h", "50"), ("travel", "km", "1")] {
        dealer.office.create("/v1/prices", &price(what, unit, amount)).await;
    }
    let float = item(&dealer, "Float", "piece").await;
    item_price(&dealer, float, "purchase", "2026-01-01", "30").await;
    let days = json!({ "from": "2026-01-01", "to": "2026-05-01" });
    let ours = json!({ "unit_id": bay.unit, "given_by": "dealer", "labour": days });
    dealer.office.create("/v1/covers", &ours).await;
    let credit = json!({ "amount": "25.00", "currency": "EUR" });
    let claim = json!({ "part": "Float", "returned_on": "2026-03-12", "credited_on": "2026-03-20", "credit": credit });
    let theirs = json!({ "unit_id": bay.unit, "given_by": "supplier", "parts": days, "claims": [claim] });
    dealer.office.create("/v1/covers", &theirs).await;
    let replaced = |why: &str| ("replacement", json!({ "part": "Float", "why": why }));
    let lines =
        [hour(), line("part", "1", "piece", json!({ "item_id": float })), line("travel", "10", "km", json!({}))];
    let billed = [line("labour", "1", "h", json!({ "payer": "billed" }))];
    for sent in [
        work(bay.unit, "2026-03-10T09:00:00Z", replaced("failed"), &lines),
        work(bay.unit, "2026-03-11T09:00:00Z", replaced("preventive"), &[hour()]),
        work(bay.unit, "2026-03-12T09:00:00Z", replaced("failed"), &billed),
        work(bay.unit, "2026-05-01T09:00:00Z", replaced("failed"), &[hour()]),
        work(other.unit, "2026-03-10T09:00:00Z", replaced("failed"), &[hour()]),
    ] {
        dealer.technician.create(EVENTS, &sent).await;
    }
    let costs = async |bay: &Bay, days: &str| {
        dealer.office.get(&bay.of_site(&format!("cost-to-serve?{days}"))).await.json()["by_kind"].clone()
    };
    let amount = |amount: &str| json!({ "amount": amount, "currency": "EUR" });
    let march = "from=2026-03-01&to=2026-03-31";
    let expected = json!({ "warranty_work": amount("55.00"), "labour": amount("100.00"), "travel": amount("10.00") });
    assert_eq!(costs(&bay, march).await, expected);
    assert_eq!(costs(&other, march).await, json!({ "labour": amount("50.00") }));
    assert_eq!(costs(&bay, "from=2026-05-01&to=2026-05-31").await, json!({ "labour": amount("50.00") }));
}

/// A part at 60.00 that serves from 10 March until it is replaced on 8 May, 60 days, costs 1.00 a day: 22.00
/// in March, 30.00 in April, 8.00 in May. The hour beside it, 50.00, is March's. As paid all of it is.
#[tokio::test]
async fn a_fitted_part_costs_over_the_life_it_reaches() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Harbour Haulage").await;
    dealer.office.create("/v1/prices", &price("labour", "h", "50")).await;
    let float = item(&dealer, "Float", "piece").await;
    item_price(&dealer, float, "purchase", "2026-01-01", "60").await;
    let part = json!({ "unit_id": bay.unit, "kind": "blower", "duty": "continuous", "run_basis": "days",
        "age_at_fitting": 0.0, "fitted_at": "2026-02-01T00:00:00Z" });
    let part = id(&dealer.office.create("/v1/components", &part).await);
    let replaced = async |out: Uuid, at: &str, lines: &[Value]| {
        let details = json!({ "part": "Blower", "why": "worn_out_found", "out_component_id": out });
        let done = dealer.technician.create(EVENTS, &work(bay.unit, at, ("replacement", details), lines)).await;
        done["details"]["in_component_id"].as_str().unwrap().parse::<Uuid>().unwrap()
    };
    let lines = [hour(), line("part", "1", "piece", json!({ "item_id": float }))];
    let fitted = replaced(part, "2026-03-10T09:00:00Z", &lines).await;
    replaced(fitted, "2026-05-08T09:00:00Z", &[]).await;
    let cost = async |days: &str, basis: &str| {
        dealer.office.get(&bay.of_site(&format!("cost-to-serve?{days}{basis}"))).await.json()
    };
    let of = |found: &Value, kind: &str| found["by_kind"][kind]["amount"].clone();
    let [march, april, may, june] = [("03", "31"), ("04", "30"), ("05", "31"), ("06", "30")]
        .map(|(m, d)| format!("from=2026-{m}-01&to=2026-{m}-{d}"));
    let accrued = cost(&march, "&basis=accrued").await;
    assert_eq!((of(&accrued, "part_purchase"), of(&accrued, "labour")), (json!("22.00"), json!("50.00")));
    assert_eq!(
        (&accrued["basis"], &accrued["estimated"], &accrued["left_out"]),
        (&json!("accrued"), &json!(false), &json!([]))
    );
    assert_eq!(of(&cost(&april, "&basis=accrued").await, "part_purchase"), "30.00");
    assert_eq!(cost(&may, "&basis=accrued").await["total"]["amount"], "8.00");
    assert_eq!(cost(&june, "&basis=accrued").await["total"], Value::Null);
    let paid = cost(&march, "").await;
    assert_eq!((&paid["basis"], &paid["total"]["amount"]), (&json!("paid"), &json!("110.00")));
    assert_eq!(cost(&april, "").await["total"], Value::Null);
    let unknown = bay.of_site(&format!("cost-to-serve?{march}&basis=guess"));
    dealer.office.get(&unknown).await.refused_for(422, &[("/basis", "unknown_basis")]);
}
