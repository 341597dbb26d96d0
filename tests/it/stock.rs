//! Items, places, lots, prices, the ledger of movements, and kits.

use crate::conventions::{Resource, items};
use crate::list_filters::{comes_as_a_table, comes_as_a_table_of};
use crate::lists::{by_pages, nothing};
use crate::support::{Answer, Client, Dealer, TestApp, id};
use futures_util::future::join_all;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use uuid::Uuid;

/// A dealer with an item in litres, a warehouse and a van.
pub(crate) struct Store {
    pub(crate) item: Uuid,
    pub(crate) warehouse: Uuid,
    pub(crate) van: Uuid,
}

impl Store {
    pub(crate) async fn new(dealer: &Dealer) -> Self {
        Self {
            item: id(&dealer.office.create("/v1/consumables", &coagulant("Coagulant")).await),
            warehouse: place(dealer, "Warehouse", "warehouse").await,
            van: place(dealer, "Van 1", "van").await,
        }
    }

    fn movement(&self, kind: &str, at: &str, quantity: &str, more: Value) -> Value {
        movement(self.item, kind, at, quantity, more)
    }

    /// Receives stock in the warehouse.
    pub(crate) async fn receive(&self, dealer: &Dealer, at: &str, quantity: &str) {
        let received =
            self.movement("received", at, quantity, json!({ "to_place_id": self.warehouse, "supplier": "Valley" }));
        dealer.technician.create("/v1/stock-movements", &received).await;
    }

    async fn at(&self, client: &Client, query: &str) -> Vec<String> {
        let rows = items(client, &format!("/v1/stock?item_id={}{query}", self.item)).await;
        rows.iter()
            .map(|row| format!("{} {}", row["place"].as_str().unwrap(), row["quantity"].as_str().unwrap()))
            .collect()
    }
}

pub(crate) fn coagulant(name: &str) -> Value {
    let supply =
        json!({ "supplier": "Valley", "pack": "25", "least_packs": 2, "lead_time_d": 10, "lead_time_sd_d": 2.0 });
    json!({ "name": name, "unit": "l", "density_kg_per_l": 1.33, "hazard": "acid", "by_lot": false,
        "service_level": 0.95, "supply": supply })
}

async fn place(dealer: &Dealer, name: &str, kind: &str) -> Uuid {
    id(&dealer.office.create("/v1/places", &json!({ "name": name, "kind": kind })).await)
}

pub(crate) fn movement(item: Uuid, kind: &str, at: &str, quantity: &str, more: Value) -> Value {
    let mut sent = json!({ "item_id": item, "at": at, "quantity": quantity, "unit": "l", "kind": kind });
    sent.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    sent
}

async fn post(client: &Client, sent: &Value) -> Answer {
    client.post("/v1/stock-movements", sent).await
}

#[tokio::test]
async fn consumables_hold_to_the_conventions() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let resource = Resource {
        path: "/v1/consumables",
        input: coagulant("Coagulant"),
        patch: json!({ "name": "Coagulant 18 %", "supply": null, "shelf_life_d": 365 }),
        other: coagulant("Nutrient"),
        retire: json!({}),
        running: "/v1/consumables",
        all: "/v1/consumables?retired=true",
    };
    resource.holds_for_the_dealer_alone(&app, &dealer).await;
    let same = dealer.office.post("/v1/consumables", &coagulant("Nutrient")).await;
    same.refused_for(409, &[("/name", "name_exists")]);
    let wrong = json!({ "name": " ", "unit": "gal", "hazard": "mild", "service_level": 1.5,
        "supply": { "supplier": "", "pack": "0", "least_packs": 0, "lead_time_d": 9999 } });
    let faults = [
        ("/unit", "unknown_stock_unit"),
        ("/hazard", "unknown_hazard_group"),
        ("/service_level", "out_of_range"),
        ("/supply/supplier", "required"),
        ("/name", "required"),
        ("/supply/pack", "not_positive"),
        ("/supply/least_packs", "out_of_range"),
        ("/supply/lead_time_d", "out_of_range"),
    ];
    dealer.office.post("/v1/consumables", &wrong).await.refused_for(422, &faults);
    let made = dealer.office.post("/v1/consumables", &coagulant("Antifoam")).await;
    let path = format!("/v1/consumables/{}", id(&made.json()));
    dealer.office.patch(&path, made.etag(), &json!({ "unit": "kg" })).await.refused_for(422, &[("/unit", "fixed")]);
    dealer.technician.post("/v1/consumables", &coagulant("Salt")).await.refused(403, "not-allowed");
}

#[tokio::test]
async fn places_hold_to_the_conventions() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let places = Resource {
        path: "/v1/places",
        input: json!({ "name": "Warehouse", "kind": "warehouse" }),
        patch: json!({ "name": "Main store" }),
        other: json!({ "name": "Van 1", "kind": "van" }),
        retire: json!({}),
        running: "/v1/places",
        all: "/v1/places?retired=true",
    };
    places.holds_for_the_dealer_alone(&app, &dealer).await;
    let other = app.dealer("Millrace").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
    let at_site = json!({ "name": "North yard", "kind": "site", "site_id": site });
    let made = dealer.office.create("/v1/places", &at_site).await;
    assert_eq!(made["time_zone"], "Europe/Vienna");
    dealer.office.post("/v1/places", &at_site).await.refused_for(409, &[("/site_id", "place_exists")]);
    other.office.post("/v1/places", &at_site).await.refused_for(422, &[("/site_id", "unknown_reference")]);
    let wrong = json!({ "name": "x", "kind": "van", "site_id": site });
    dealer.office.post("/v1/places", &wrong).await.refused_for(422, &[("/site_id", "not_taken")]);
    let wrong = json!({ "name": "x", "kind": "shed" });
    dealer.office.post("/v1/places", &wrong).await.refused_for(422, &[("/kind", "unknown_kind")]);
}

#[tokio::test]
async fn kits_hold_to_the_conventions() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let item = id(&dealer.office.create("/v1/consumables", &coagulant("Coagulant")).await);
    let kit = |name: &str| json!({ "name": name, "lines": [{ "item_id": item, "quantity": "2" }] });
    let kits = Resource {
        path: "/v1/kits",
        input: kit("Quarterly service"),
        patch: json!({ "lines": [{ "item_id": item, "quantity": "3.5" }] }),
        other: kit("Yearly service"),
        retire: json!({}),
        running: "/v1/kits",
        all: "/v1/kits?retired=true",
    };
    let other = app.dealer("Millrace").await;
    kits.holds_for_the_dealer_alone(&app, &dealer).await;
    // Another dealer's item is none.
    other.office.post("/v1/kits", &kit("Theirs")).await.refused_for(422, &[("/lines/0/item_id", "unknown_reference")]);
    let twice =
        json!({ "name": "x", "lines": [{ "item_id": item, "quantity": "1" }, { "item_id": item, "quantity": "0" }] });
    let faults = [("/lines/1/quantity", "not_positive"), ("/lines/1/item_id", "twice")];
    dealer.office.post("/v1/kits", &twice).await.refused_for(422, &faults);
}

#[tokio::test]
async fn balances_are_those_of_the_ledger_at_any_instant() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    let unit = dealer.unit("W-1").await;
    let technician = &dealer.technician;
    store.receive(&dealer, "2026-03-01T08:00:00Z", "100").await;
    let moved = json!({ "from_place_id": store.warehouse, "to_place_id": store.van });
    let made =
        technician.create("/v1/stock-movements", &store.movement("moved", "2026-03-02T08:00:00Z", "50", moved)).await;
    assert_eq!((&made["quantity"], &made["from_place_id"]), (&json!("50"), &json!(store.warehouse)));
    let issued = json!({ "from_place_id": store.van, "unit_id": unit, "payer": "billed" });
    technician.create("/v1/stock-movements", &store.movement("issued", "2026-03-03T08:00:00Z", "12.5", issued)).await;
    let back = json!({ "to_place_id": store.van, "unit_id": unit, "payer": "billed" });
    technician.create("/v1/stock-movements", &store.movement("returned", "2026-03-04T08:00:00Z", "2.5", back)).await;
    let count = json!({ "place_id": store.van, "why": "lost" });
    technician.create("/v1/stock-movements", &store.movement("counted", "2026-03-05T08:00:00Z", "38", count)).await;
    let off = json!({ "from_place_id": store.van, "why": "damaged" });
    technician.create("/v1/stock-movements", &store.movement("written_off", "2026-03-06T08:00:00Z", "3", off)).await;
    // A line that comes late takes its part out of the difference that the count found.
    let issued = json!({ "from_place_id": store.van, "unit_id": unit, "payer": "included" });
    technician.create("/v1/stock-movements", &store.movement("issued", "2026-03-04T12:00:00Z", "1", issued)).await;

    let office = &dealer.office;
    assert_eq!(sorted(store.at(office, "").await), ["Van 1 35", "Warehouse 50"]);
    for (at, van) in [
        ("2026-03-02T08:00:00Z", Some("Van 1 50")),
        ("2026-03-02T07:59:59Z", None),
        ("2026-03-03T08:00:00Z", Some("Van 1 37.5")),
        ("2026-03-04T08:00:00Z", Some("Van 1 40")),
        ("2026-03-04T12:00:00Z", Some("Van 1 39")),
        ("2026-03-05T08:00:00Z", Some("Van 1 38")),
        ("2026-03-07T00:00:00Z", Some("Van 1 35")),
    ] {
        let there = store.at(office, &format!("&at={at}&place_id={}", store.van)).await;
        assert_eq!(there.iter().map(String::as_str).collect::<Vec<_>>(), van.into_iter().collect::<Vec<_>>(), "{at}");
    }
    balance_is_the_sum(&app).await;
    let by = |by: &str| format!("/v1/stock/use?by={by}&from=2026-03&to=2026-03");
    let sums = items(office, &by("unit")).await;
    let paid = json!([{ "payer": "billed", "quantity": "10" }, { "payer": "included", "quantity": "1" }]);
    assert_eq!(
        (sums.len(), &sums[0]["of"], &sums[0]["quantity"], &sums[0]["payers"]),
        (1, &json!(unit), &json!(11.0), &paid)
    );
    assert_eq!(sums[0]["found_by"], json!([{ "method": "ledger", "quantity": 11.0 }]));
    assert_eq!(items(office, &by("dealer")).await[0]["of"], Value::Null);
    office.get(&by("van")).await.refused_for(422, &[("/by", "unknown_by")]);
    let listed = items(office, &format!("/v1/stock-movements?place_id={}", store.warehouse)).await;
    assert_eq!(listed.iter().map(|line| line["kind"].as_str().unwrap()).collect::<Vec<_>>(), ["received", "moved"]);
    assert_eq!(listed[0]["supplier"], "Valley");
    let page = office.get("/v1/stock?limit=1").await.json();
    let next = office.get(&format!("/v1/stock?limit=1&cursor={}", page["next_cursor"].as_str().unwrap())).await.json();
    assert_ne!(page["items"][0]["place"], next["items"][0]["place"]);
    assert_eq!(next["next_cursor"], Value::Null);
}

#[tokio::test]
async fn movements_are_found_by_kind_and_time_and_come_as_a_table() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (store, office) = (Store::new(&dealer).await, &dealer.office);
    store.receive(&dealer, "2026-03-01T08:00:00Z", "10").await;
    store.receive(&dealer, "2026-03-02T08:00:00Z", "5").await;
    let moved = json!({ "from_place_id": store.warehouse, "to_place_id": store.van });
    let moved = store.movement("moved", "2026-03-03T08:00:00Z", "2", moved);
    dealer.technician.create("/v1/stock-movements", &moved).await;
    for (query, count) in [
        ("kind=received", 2),
        ("kind=moved", 1),
        ("kind=counted", 0),
        ("from=2026-03-02T08:00:00Z", 2),
        ("to=2026-03-02T08:00:00Z", 1),
        ("kind=received&from=2026-03-02T00:00:00Z", 1),
    ] {
        assert_eq!(items(office, &format!("/v1/stock-movements?{query}")).await.len(), count, "{query}");
    }
    office.get("/v1/stock-movements?kind=lost").await.refused_for(422, &[("/kind", "unknown_kind")]);
    let backwards = office.get("/v1/stock-movements?from=2026-03-02T00:00:00Z&to=2026-03-01T00:00:00Z").await;
    backwards.refused_for(422, &[("/to", "not_after_from")]);
    comes_as_a_table(office, "stock-movements").await;
    for (since, count) in [("2026-01-01T00:00:00Z", 3), ("2100-01-01T00:00:00Z", 0)] {
        let since = format!("/v1/stock-movements?changed_since={since}");
        assert_eq!(items(office, &since).await.len(), count, "by when they were written, not by when they happened");
    }
    comes_as_a_table_of(office, "stock", "place_id").await;
    office.create("/v1/consumables", &coagulant("Nutrient")).await;
    comes_as_a_table(office, "consumables").await;
    assert_eq!(by_pages(office, "/v1/consumables?sort=changed", "name", nothing).await, ["Coagulant", "Nutrient"]);
    let since = "/v1/consumables?changed_since=2100-01-01T00:00:00Z";
    assert_eq!(items(office, since).await, [Value::Null; 0]);
}

fn sorted(mut rows: Vec<String>) -> Vec<String> {
    rows.sort();
    rows
}

/// Holds the stored balance of every shelf against the sum of its changes, reckoned from the
/// movements alone, counts included.
async fn balance_is_the_sum(app: &TestApp) {
    let superuser = app.superuser().await;
    let sql = "
      with line as (
        select m.consumable_id, coalesce(m.lot_id, '00000000-0000-0000-0000-000000000000') as lot, m.at, m.id, m.kind,
               side.place, side.sign * m.quantity as quantity
          from stock_movement m cross join lateral (values (m.from_place_id, -1), (m.to_place_id, 1)) side (place, sign)
         where side.place is not null),
      since as (
        select place, consumable_id, lot, quantity,
               kind = 'counted' as is_count,
               row_number() over (partition by place, consumable_id, lot order by at, kind = 'counted', id) as n
          from line),
      last_count as (select place, consumable_id, lot, max(n) as n from since where is_count group by 1, 2, 3),
      sums as (
        select s.place, s.consumable_id, s.lot, sum(s.quantity) as quantity from since s
          left join last_count c using (place, consumable_id, lot)
         where s.n >= coalesce(c.n, 0) group by 1, 2, 3)
      select b.quantity::text, s.quantity::text from stock_balance b
        full join sums s on s.place = b.place_id and s.consumable_id = b.consumable_id and s.lot = b.lot_id";
    let rows = superuser.query(sql, &[]).await.unwrap();
    assert!(!rows.is_empty());
    for row in rows {
        let (balance, sum): (Option<&str>, Option<&str>) = (row.get(0), row.get(1));
        let number = |text: Option<&str>| text.map(|text| text.parse::<f64>().unwrap());
        assert_eq!(number(balance), number(sum));
    }
}

#[tokio::test]
async fn writers_at_once_neither_lose_nor_double_a_movement() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    let unit = dealer.unit("W-1").await;
    store.receive(&dealer, "2026-03-01T08:00:00Z", "25").await;
    let to_van = json!({ "from_place_id": store.warehouse, "to_place_id": store.van });
    let back = json!({ "from_place_id": store.van, "to_place_id": store.warehouse });
    let out = json!({ "from_place_id": store.warehouse, "unit_id": unit, "payer": "billed" });
    // Each is sent twice under its key; the two directions lock the same shelves.
    let send = |n: usize| {
        let sent = match n % 3 {
            0 => store.movement("moved", "2026-03-02T08:00:00Z", "1", to_van.clone()),
            1 => store.movement("moved", "2026-03-03T08:00:00Z", "1", back.clone()),
            _ => store.movement("issued", "2026-03-04T08:00:00Z", "3", out.clone()),
        };
        let technician = &dealer.technician;
        async move {
            let key = format!("writer-{n}");
            let (one, other) = tokio::join!(
                technician.post_once("/v1/stock-movements", &key, &sent),
                technician.post_once("/v1/stock-movements", &key, &sent)
            );
            // What was refused is not remembered: its twin may fit a moment later.
            match (one.status(), other.status()) {
                (201, 201) => assert_eq!(one.json(), other.json(), "doubled"),
                (201, _) => other.refused_for(422, &[("/quantity", "overdrawn")]),
                (_, 201) => one.refused_for(422, &[("/quantity", "overdrawn")]),
                _ => [&one, &other].iter().for_each(|answer| answer.refused_for(422, &[("/quantity", "overdrawn")])),
            }
            (n % 3, one.status() == 201 || other.status() == 201)
        }
    };
    let outcomes = join_all((0..36).map(send)).await;
    let mut good: BTreeMap<usize, i32> = BTreeMap::new();
    for (kind, _) in outcomes.iter().filter(|(_, done)| *done) {
        *good.entry(*kind).or_default() += 1;
    }
    let of = |kind| good.get(&kind).copied().unwrap_or_default();
    assert!(of(2) >= 1 && of(2) <= 8, "25 hold at most eight times three: {good:?}");
    let lines = items(&dealer.office, &format!("/v1/stock-movements?item_id={}&limit=500", store.item)).await;
    assert_eq!(lines.len(), 1 + outcomes.iter().filter(|(_, done)| *done).count());
    let (warehouse, van) = (25 - of(0) + of(1) - 3 * of(2), of(0) - of(1));
    let mut expected = vec![format!("Warehouse {warehouse}")];
    if of(0) + of(1) > 0 {
        expected.push(format!("Van 1 {van}"));
    }
    let there: Vec<String> = store.at(&dealer.office, "").await;
    assert!(expected.iter().all(|row| there.contains(row)), "{expected:?} {there:?}");
    assert!(warehouse >= 0 && van >= 0, "{good:?}");
    balance_is_the_sum(&app).await;
}

#[tokio::test]
async fn what_does_not_fit_is_named_and_changes_nothing() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    let unit = dealer.unit("W-1").await;
    store.receive(&dealer, "2026-03-05T08:00:00Z", "10").await;
    let refused = async |sent: Value, faults: &[(&str, &str)]| {
        post(&dealer.technician, &sent).await.refused_for(422, faults);
    };
    let issue = |at: &str, quantity: &str| {
        store.movement(
            "issued",
            at,
            quantity,
            json!({ "from_place_id": store.warehouse, "unit_id": unit, "payer": "billed" }),
        )
    };
    refused(issue("2026-03-06T08:00:00Z", "10.5"), &[("/quantity", "overdrawn")]).await;
    refused(issue("2026-03-04T08:00:00Z", "1"), &[("/quantity", "overdrawn")]).await;
    refused(issue("2090-01-01T00:00:00Z", "0"), &[("/at", "future"), ("/quantity", "not_positive")]).await;
    let mut wrong = issue("2026-03-06T08:00:00Z", "1");
    wrong["unit"] = json!("kg");
    refused(wrong, &[("/unit", "wrong_unit")]).await;
    let same = json!({ "from_place_id": store.warehouse, "to_place_id": store.warehouse });
    refused(store.movement("moved", "2026-03-06T08:00:00Z", "1", same), &[("/to_place_id", "same_place")]).await;
    let count = |at: &str, quantity: &str, why: Option<&str>| {
        store.movement("counted", at, quantity, json!({ "place_id": store.warehouse, "why": why }))
    };
    let old = count("2026-03-05T07:00:00Z", "0", None);
    refused(old, &[("/at", "before_movement")]).await;
    refused(count("2026-03-06T08:00:00Z", "9", None), &[("/why", "unexplained")]).await;
    refused(count("2026-03-06T08:00:00Z", "9", Some("magic")), &[("/why", "unknown_difference_why")]).await;
    let bare = json!({ "supplier": "Valley" });
    let faults =
        [("/supplier", "not_taken"), ("/from_place_id", "required"), ("/unit_id", "required"), ("/payer", "required")];
    refused(store.movement("issued", "2026-03-06T08:00:00Z", "1", bare), &faults).await;
    refused(
        store.movement("stolen", "2026-03-06T08:00:00Z", "-1", json!({})),
        &[("/quantity", "out_of_range"), ("/kind", "unknown_kind")],
    )
    .await;
    let nowhere = Uuid::now_v7();
    let unknown = store.movement("received", "2026-03-06T08:00:00Z", "1", json!({ "to_place_id": nowhere }));
    refused(unknown, &[("/to_place_id", "unknown_reference")]).await;
    let mut unknown = issue("2026-03-06T08:00:00Z", "1");
    unknown["unit_id"] = json!(nowhere);
    refused(unknown, &[("/unit_id", "unknown_reference")]).await;
    let unknown = movement(nowhere, "received", "2026-03-06T08:00:00Z", "1", json!({ "to_place_id": store.van }));
    refused(unknown, &[("/item_id", "unknown_reference")]).await;
    assert_eq!(store.at(&dealer.office, "").await, ["Warehouse 10"], "nothing half-done");
    assert_eq!(items(&dealer.office, "/v1/stock-movements").await.len(), 1);

    let mut urgent = issue("2026-03-06T08:00:00Z", "12");
    urgent["overdraw_reason"] = json!("Two drums arrived without papers");
    assert_eq!(post(&dealer.technician, &urgent).await.status(), 201);
    assert_eq!(store.at(&dealer.office, "").await, ["Warehouse -2"]);
    let path = format!("/v1/places/{}", store.warehouse);
    let retire = dealer.office.post_at(&format!("{path}/retire"), "\"1\"").await;
    retire.refused_for(409, &[("", "stock_there")]);
    assert_eq!(dealer.office.post_at(&format!("/v1/places/{}/retire", store.van), "\"1\"").await.status(), 200);
    let gone = store.movement("received", "2026-03-06T08:00:00Z", "1", json!({ "to_place_id": store.van }));
    refused(gone, &[("/to_place_id", "retired")]).await;
}

#[tokio::test]
async fn lots_expire_and_are_kept_apart() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    let mut culture = coagulant("Culture");
    culture["by_lot"] = json!(true);
    culture["shelf_life_d"] = json!(30);
    culture["hazard"] = json!("microbes");
    let item = id(&dealer.office.create("/v1/consumables", &culture).await);
    let lots = format!("/v1/consumables/{item}/lots");
    let old = id(&dealer.technician.create(&lots, &json!({ "number": "B-1", "expires_on": "2026-03-10" })).await);
    let fresh = dealer.technician.create(&lots, &json!({ "number": "B-2" })).await;
    assert_ne!(fresh["expires_on"], Value::Null, "its shelf life says when");
    let same = dealer.technician.post(&lots, &json!({ "number": "B-1" })).await;
    same.refused_for(409, &[("/number", "lot_exists")]);
    let of_other =
        dealer.technician.post(&format!("/v1/consumables/{}/lots", store.item), &json!({ "number": "x" })).await;
    of_other.refused_for(422, &[("", "not_by_lot")]);
    let listed = items(&dealer.office, &lots).await;
    assert_eq!(listed.iter().map(|lot| lot["number"].as_str().unwrap()).collect::<Vec<_>>(), ["B-1", "B-2"]);

    let line = |kind: &str, at: &str, more: Value, lot: Option<Uuid>| {
        let mut sent = movement(item, kind, at, "5", more);
        sent["lot_id"] = json!(lot);
        sent
    };
    let to = json!({ "to_place_id": store.warehouse });
    let received = line("received", "2026-03-01T08:00:00Z", to.clone(), Some(old));
    assert_eq!(post(&dealer.technician, &received).await.status(), 201);
    post(&dealer.technician, &line("received", "2026-03-01T08:00:00Z", to, None))
        .await
        .refused_for(422, &[("/lot_id", "required")]);
    let moved = json!({ "from_place_id": store.warehouse, "to_place_id": store.van });
    // The place's day: 11 March begins in Vienna at 23:00 UTC.
    let late = line("moved", "2026-03-10T23:30:00Z", moved.clone(), Some(old));
    post(&dealer.technician, &late).await.refused_for(422, &[("/lot_id", "expired")]);
    let other_lot = line("moved", "2026-03-10T22:30:00Z", moved.clone(), Some(id(&fresh)));
    post(&dealer.technician, &other_lot).await.refused_for(422, &[("/quantity", "overdrawn")]);
    let good = line("moved", "2026-03-10T22:30:00Z", moved, Some(old));
    assert_eq!(post(&dealer.technician, &good).await.status(), 201);
    let off =
        line("written_off", "2026-03-12T08:00:00Z", json!({ "from_place_id": store.van, "why": "expired" }), Some(old));
    assert_eq!(post(&dealer.technician, &off).await.status(), 201, "it may always be written off");
    balance_is_the_sum(&app).await;
}

#[tokio::test]
async fn prices_are_dated_and_the_dealers_own() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    let path = format!("/v1/consumables/{}/prices", store.item);
    let price = |from: &str, amount: &str| json!({ "kind": "purchase", "from": from, "per_unit": { "amount": amount, "currency": "EUR" } });
    let first = dealer.office.create(&path, &price("2026-01-01", "1.8500")).await;
    assert_eq!(first["per_unit"], json!({ "amount": "1.85", "currency": "EUR" }));
    dealer.office.create(&path, &price("2026-03-01", "1.95")).await;
    let listed = items(&dealer.owner, &path).await;
    let days: Vec<_> = listed.iter().map(|price| (price["from"].as_str(), price["to"].as_str())).collect();
    assert_eq!(days, [(Some("2026-01-01"), Some("2026-03-01")), (Some("2026-03-01"), None)]);
    dealer.office.post(&path, &price("2026-02-01", "2")).await.refused_for(409, &[("/from", "price_overlaps")]);
    let mut foreign = price("2027-01-01", "-2");
    foreign["per_unit"]["currency"] = json!("USD");
    dealer.office.post(&path, &foreign).await.refused_for(422, &[("/per_unit/currency", "wrong_currency")]);
    dealer.office.post(&path, &price("2027-01-01", "-2")).await.refused_for(422, &[("/per_unit", "negative")]);
    let viewer = dealer.customer_viewer(dealer.customer("Harbour Haulage").await).await;
    for person in [&dealer.technician, &viewer] {
        person.get(&path).await.refused(403, "not-allowed");
    }
    app.dealer("Millrace").await.owner.get(&path).await.refused(404, "not-found");
}

#[tokio::test]
async fn stock_is_out_of_others_reach() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    store.receive(&dealer, "2026-03-05T08:00:00Z", "10").await;
    let other = app.dealer("Millrace").await;
    let viewer = dealer.customer_viewer(dealer.customer("Harbour Haulage").await).await;
    let site = dealer.site(dealer.customer("Quarry Trucks").await, "Pit head").await;
    for path in ["/v1/stock", "/v1/stock-movements", "/v1/stock-reservations", "/v1/stock/run-out"] {
        assert_eq!(items(&other.owner, path).await, [Value::Null; 0], "{path}");
        viewer.get(path).await.refused(403, "not-allowed");
        app.anyone().get(path).await.refused(401, "not-signed-in");
    }
    let received = store.movement("received", "2026-03-05T08:00:00Z", "1", json!({ "to_place_id": store.warehouse }));
    post(&other.owner, &received).await.refused_for(422, &[("/item_id", "unknown_reference")]);
    post(&viewer, &received).await.refused(403, "not-allowed");
    let use_of = format!("/v1/sites/{site}/consumable-use?from=2026-01-01&to=2026-02-01");
    assert_eq!(items(&dealer.office, &use_of).await, [Value::Null; 0]);
    other.owner.get(&use_of).await.refused(404, "not-found");
    let load = format!("/v1/places/{}/load?date=2026-03-09", store.van);
    other.owner.get(&load).await.refused(404, "not-found");
    assert_eq!(other.owner.get("/v1/stock/orders").await.json(), json!({ "orders": [], "without_supplier": [] }));
}

#[tokio::test]
async fn kits_are_kept_loaded_and_used() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    let unit = dealer.unit("W-1").await;
    store.receive(&dealer, "2026-03-01T08:00:00Z", "40").await;
    let mut bleach = coagulant("Bleach");
    bleach["hazard"] = json!("hypochlorite");
    let bleach = id(&dealer.office.create("/v1/consumables", &bleach).await);
    let to_van = movement(bleach, "received", "2026-03-01T08:00:00Z", "5", json!({ "to_place_id": store.van }));
    dealer.technician.create("/v1/stock-movements", &to_van).await;
    let kit = json!({ "name": "Quarterly service", "lines": [{ "item_id": store.item, "quantity": "10" }] });
    let kit = id(&dealer.office.create("/v1/kits", &kit).await);
    let path = "/v1/stock-reservations";
    let wanted = json!({ "kit_id": kit, "unit_id": unit, "place_id": store.warehouse, "van_id": store.van, "planned_on": "2026-03-09" });
    let kept = dealer.technician.post_once(path, "kept", &wanted).await;
    assert_eq!(kept.json()["lines"], json!([{ "item_id": store.item, "quantity": "10" }]));
    assert_eq!(dealer.technician.post_once(path, "kept", &wanted).await.json(), kept.json());

    let load = dealer.technician.get(&format!("/v1/places/{}/load?date=2026-03-09", store.van)).await.json();
    assert_eq!((&load["lines"][0]["needed"], &load["lines"][0]["to_load"]), (&json!("10"), &json!("10")));
    assert_eq!(load["warnings"][0]["clash"], "poison_gas", "acid beside bleach: {load}");
    let words = load["cautions"].to_string();
    assert!(words.contains("Acid goes into water") && words.contains("safety data sheets"), "{words}");
    let empty = dealer.technician.get(&format!("/v1/places/{}/load?date=2026-03-10", store.van)).await.json();
    assert_eq!((&empty["lines"], &empty["warnings"]), (&json!([]), &json!([])));
    let no_van = dealer.technician.get(&format!("/v1/places/{}/load?date=2026-03-09", store.warehouse)).await;
    no_van.refused_for(422, &[("/id", "no_van")]);

    let of = format!("{path}/{}", id(&kept.json()));
    let issue = |quantity: &str| {
        let more = json!({ "from_place_id": store.warehouse, "unit_id": unit, "payer": "included" });
        json!({ "used": [store.movement("issued", "2026-03-09T08:00:00Z", quantity, more)] })
    };
    let closing = format!("{of}/close");
    let too_much = dealer.technician.post_at_with(&closing, kept.etag(), &issue("41")).await;
    too_much.refused_for(422, &[("/used/0/quantity", "overdrawn")]);
    dealer.technician.post_at_with(&closing, "\"9\"", &issue("7")).await.refused(412, "stale");
    assert_eq!(store.at(&dealer.office, "").await, ["Warehouse 40"], "nothing half-done");
    let closed = dealer.technician.post_at_with(&closing, kept.etag(), &issue("7")).await;
    assert_eq!(closed.json()["unused"], json!([{ "item_id": store.item, "quantity": "3" }]));
    assert_eq!(store.at(&dealer.office, "").await, ["Warehouse 33"]);
    let again = dealer.technician.post_at_with(&closing, closed.etag(), &issue("7")).await;
    again.refused_for(409, &[("", "closed_already")]);
    assert_eq!(items(&dealer.office, path).await, [Value::Null; 0]);
    let nothing = json!({ "place_id": store.warehouse, "planned_on": "2026-03-09" });
    dealer.technician.post(path, &nothing).await.refused_for(422, &[("/lines", "required")]);
}

/// Whoever brings goods to a place and whoever retires it meet in either order, and nothing is left on
/// a shelf of a place that is no more.
#[tokio::test]
async fn no_goods_stand_at_a_place_that_was_retired_meanwhile() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = Store::new(&dealer).await;
    store.receive(&dealer, "2026-03-01T08:00:00Z", "100").await;
    for n in 0..12 {
        let van = place(&dealer, &format!("Van {n} of twelve"), "van").await;
        let moved = json!({ "from_place_id": store.warehouse, "to_place_id": van });
        let moved = store.movement("moved", "2026-03-02T08:00:00Z", "1", moved);
        let retire = format!("/v1/places/{van}/retire");
        let (moved, retired) = tokio::join!(post(&dealer.technician, &moved), dealer.office.post_at(&retire, "\"1\""));
        let there = store.at(&dealer.office, &format!("&place_id={van}")).await.len();
        match (moved.status(), retired.status()) {
            (201, 409) => assert_eq!(there, 1, "{retired:?}"),
            (422, 200) => assert_eq!(there, 0, "{moved:?}"),
            other => panic!("{other:?}: {moved:?} {retired:?}"),
        }
    }
}
