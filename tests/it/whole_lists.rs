//! Lists that come whole, because they stand under a record or are short by nature: each as a table, with the fields
//! that are chosen, and in the order that is asked for.

use crate::accounts::{baseline, charged, tariff, terms};
use crate::ages::day_ago;
use crate::conventions::items;
use crate::files::sent;
use crate::readings::Plant;
use crate::report_life::{issue, night, report, send};
use crate::risk::{Planted, planted, written_in_time};
use crate::series::{as_media, by_pyarrow, is_line_of, is_row_of, lines};
use crate::service_events::event;
use crate::stock::{Store, coagulant, movement};
use crate::support::{Client, Dealer, Receiver, TestApp, id};
use chrono::{DateTime, Duration, Utc};
use reqwest::Method;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde_json::{Value, json};
use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// The lists by their addresses in the document, each with the word under which the id that belongs there is kept
/// ([`Made`]) and with what else it is asked: the next one is a line here.
const LISTS: [(&str, &str, &str); 31] = [
    ("/v1/units/{id}/spells", "unit", ""),
    ("/v1/units/{id}/placements", "unit", ""),
    ("/v1/sites/{id}/placements", "site", ""),
    ("/v1/sites/{id}/baselines", "site", ""),
    ("/v1/sites/{id}/cost-terms", "site", ""),
    ("/v1/sites/{id}/consumable-use", "site", "?from=2026-03-01&to=2026-04-01"),
    ("/v1/sites/{id}/discharge-links", "site", ""),
    ("/v1/meters/{id}/attachments", "meter", ""),
    ("/v1/meters/{id}/exchanges", "meter", ""),
    ("/v1/meters/{id}/checks", "meter", ""),
    ("/v1/meters/{id}/corrections", "meter", ""),
    ("/v1/water-accounts/{id}/bills", "account", ""),
    ("/v1/water-accounts/{id}/tariffs", "account", ""),
    ("/v1/consumables/{id}/lots", "culture", ""),
    ("/v1/consumables/{id}/prices", "culture", ""),
    ("/v1/routines/{id}/done", "routine", ""),
    ("/v1/savings-reports/{id}/revisions", "report", ""),
    ("/v1/savings-reports/{id}/mails", "report", ""),
    ("/v1/savings-reports/{id}/questions", "report", ""),
    ("/v1/customers/{id}/report-recipients", "customer", ""),
    ("/v1/service-events/{id}/revisions", "event", ""),
    ("/v1/webhook-deliveries/{id}/attempts", "delivery", ""),
    ("/v1/files", "event", "?record=service_event&record_id={id}"),
    ("/v1/rounds", "yards", "?site_id={id}"),
    ("/v1/part-kinds", "", ""),
    ("/v1/night-runs", "", ""),
    ("/v1/unit-lists", "", ""),
    ("/v1/starter-routines", "", ""),
    ("/v1/calendar-feeds", "", ""),
    ("/v1/stock/use", "", "?by=unit&from=2026-03&to=2026-03"),
    ("/v1/call-outs/summary", "", "?by=unit&from=2026-01-01T00:00:00Z&to=2027-01-01T00:00:00Z"),
];

/// What is made for the lists: of most at least two records.
struct Made<'a> {
    dealer: &'a Dealer,
    ids: BTreeMap<&'static str, String>,
}

impl<'a> Made<'a> {
    async fn new(app: &TestApp, dealer: &'a Dealer) -> Self {
        let (plant, report) = reported(app, dealer).await;
        let unit = id(&items(&dealer.office, "/v1/units").await[0]).to_string();
        let site = id(&items(&dealer.office, "/v1/sites").await[0]).to_string();
        let ids = [
            ("unit", unit),
            ("site", site),
            ("meter", plant.meter),
            ("customer", plant.customer),
            ("report", report.rsplit('/').next().unwrap().to_owned()),
        ];
        let mut made = Self { dealer, ids: ids.into() };
        made.meter().await;
        made.site().await;
        made.account().await;
        made.stock().await;
        made.work().await;
        made.delivery(app).await;
        made.yards().await;
        made.own().await;
        made
    }

    fn id(&self, of: &str) -> &str {
        &self.ids[of]
    }

    /// Records of what is listed under a record, by the office.
    async fn add(&self, path: &str, records: &[Value]) -> Vec<String> {
        let mut ids = Vec::new();
        for record in records {
            let made = self.dealer.office.create(path, record).await;
            ids.push(made["id"].as_str().unwrap_or_default().to_owned());
        }
        ids
    }

    /// A deed on a record.
    async fn done(&self, path: &str, body: Value) -> Value {
        let answer = self.dealer.office.post(path, &body).await;
        assert_eq!(answer.status(), 200, "{answer:?}");
        answer.json()
    }

    async fn meter(&self) {
        let meter = format!("/v1/meters/{}", self.id("meter"));
        let part = json!({ "unit_id": self.id("unit"), "from": "2026-05-01T00:00:00Z", "share": 0.5, "share_u": 0.01 });
        self.add(&format!("{meter}/attachments"), &[part]).await;
        let exchange = |at: &str, old_final: f64| json!({ "at": at, "old_final": old_final, "new_start": 0.0 });
        let exchanges = [exchange("2026-05-02T08:00:00Z", 40_000.0), exchange("2026-06-02T08:00:00Z", 900.0)];
        let exchanged = self.add(&format!("{meter}/exchanges"), &exchanges).await;
        let wrong = json!({ "reason": "Of another meter" });
        self.done(&format!("{meter}/exchanges/{}/withdraw", exchanged[0]), wrong).await;
        let check = |at: &str, indicated_l: f64| {
            json!({ "at": at, "indicated_l": indicated_l, "reference_l": 200.0,
                "u_reference_share": 0.005 })
        };
        let checks = [check("2026-05-03T08:00:00Z", 206.0), check("2026-06-03T08:00:00Z", 199.0)];
        self.add(&format!("{meter}/checks"), &checks).await;
        let right = |at: &str, register: Value| json!({ "read_at": at, "register": register, "why": "Misread" });
        let corrections = [
            right("2026-02-01T00:00:00Z", json!(33_100.0)),
            right("2026-02-01T00:00:00Z", Value::Null),
            right("2026-01-30T00:00:00Z", json!(29_100.0)),
        ];
        self.add(&format!("{meter}/corrections"), &corrections).await;
    }

    async fn site(&self) {
        let (unit, site) = (format!("/v1/units/{}", self.id("unit")), format!("/v1/sites/{}", self.id("site")));
        let spell = |state: &str, reason: Value, from: &str| json!({ "state": state, "reason": reason, "from": from });
        let spells = [
            spell("running", Value::Null, "2026-01-01T00:00:00Z"),
            spell("bypassed", json!("Membrane on order"), "2026-03-01T00:00:00Z"),
        ];
        self.add(&format!("{unit}/spells"), &spells).await;
        let baselines = [baseline("2026-02-01", 300.0), baseline("2026-06-01", 280.0)];
        self.add(&format!("{site}/baselines"), &baselines).await;
        let paid = |from: &str, load: &str| json!({ "from": from, "currency": "EUR", "disposal_per_load": load });
        self.add(&format!("{site}/cost-terms"), &[paid("2026-02-01", "95.00"), paid("2026-06-01", "180.00")]).await;
        let link = |person: &str| json!({ "person": person, "first_day": "2026-03-01", "last_day": "2026-04-01" });
        let links = format!("{site}/discharge-links");
        let made = self.add(&links, &[link("Water authority"), link("Works")]).await;
        self.done(&format!("{links}/{}/revoke", made[0]), json!({})).await;
    }

    async fn account(&mut self) {
        let site: Uuid = self.id("site").parse().unwrap();
        let account = self.add("/v1/water-accounts", &[charged(site, "2026-01-01", None)]).await.remove(0);
        let path = format!("/v1/water-accounts/{account}");
        let mut later = tariff(terms("2026-04-01", None));
        later["end_previous"] = json!(true);
        self.add(&format!("{path}/tariffs"), &[tariff(terms("2025-01-01", None)), later]).await;
        let bill = |from: &str, to: &str, amount: &str| {
            json!({ "from": from, "to": to, "metered_l": 960_000.0, "total": { "amount": amount, "currency": "EUR" },
                "lines": [{ "code": null, "words": "All of it", "amount": amount }] })
        };
        let bills = [
            bill("2026-01-15", "2026-02-15", "320.50"),
            bill("2026-02-15", "2026-03-15", "2720.00"),
            bill("2026-03-15", "2026-04-15", "-9.5"),
        ];
        let billed = self.add(&format!("{path}/bills"), &bills).await;
        self.done(&format!("{path}/bills/{}/withdraw", billed[2]), json!({ "reason": "A credit" })).await;
        self.ids.insert("account", account);
    }

    async fn stock(&mut self) {
        let mut culture = coagulant("Culture");
        culture["by_lot"] = json!(true);
        let culture = self.add("/v1/consumables", &[culture]).await.remove(0);
        let lots = [json!({ "number": "B-2", "expires_on": "2027-03-31" }), json!({ "number": "B-10" })];
        self.add(&format!("/v1/consumables/{culture}/lots"), &lots).await;
        let price = |from: &str, amount: &str| {
            json!({ "kind": "purchase", "from": from,
                "per_unit": { "amount": amount, "currency": "EUR" } })
        };
        let prices = [price("2026-01-01", "9.5"), price("2026-03-01", "10.25")];
        self.add(&format!("/v1/consumables/{culture}/prices"), &prices).await;
        self.ids.insert("culture", culture);

        let place = json!({ "name": "North bay", "kind": "site", "site_id": self.id("site") });
        self.add("/v1/places", &[place]).await;
        let store = Store::new(self.dealer).await;
        let flocculant = id(&self.dealer.office.create("/v1/consumables", &coagulant("Flocculant")).await);
        for (item, used) in [(store.item, "20"), (flocculant, "7.5")] {
            let to = json!({ "to_place_id": store.warehouse, "supplier": "Valley" });
            let out = json!({ "from_place_id": store.warehouse, "unit_id": self.id("unit"), "payer": "billed" });
            let moved = [
                movement(item, "received", "2026-02-01T08:00:00Z", "200", to),
                movement(item, "issued", "2026-03-10T08:00:00Z", used, out),
            ];
            self.add("/v1/stock-movements", &moved).await;
        }
    }

    async fn work(&mut self) {
        let (unit, dealer) = (self.id("unit").to_owned(), self.dealer);
        let plan = json!({ "unit_id": unit, "name": "Renew the tube", "every": { "days": 30 },
            "counts_from": day_ago(100) });
        let routine = self.add("/v1/routines", &[plan]).await.remove(0);
        for (n, note, days) in [(1, json!("Worn"), 60), (2, Value::Null, 30)] {
            let sent = json!({ "n": n, "done_on": day_ago(days), "note": note });
            self.done(&format!("/v1/routines/{routine}/done"), sent).await;
        }
        self.ids.insert("routine", routine);

        let visit = event(unit.parse().unwrap(), "2026-03-02T08:00:00Z", "visit", &json!({ "purpose": ["Quarterly"] }));
        let made = self.add("/v1/service-events", std::slice::from_ref(&visit)).await.remove(0);
        let mut right = visit;
        right["customer_note"] = json!("Clear again");
        let path = format!("/v1/service-events/{made}");
        let correction = json!({ "reason": "Misread", "event": right });
        dealer.office.post_at_with(&format!("{path}/correct"), "\"1\"", &correction).await.json();
        for bytes in [&b"%PDF-1.7\n1 0 obj\n"[..], b"\xff\xd8\xff\xe0 a photo"] {
            let shown = json!({ "sha256": sent(&dealer.office, bytes).await, "shown_to_customer": true });
            assert_eq!(dealer.office.post(&format!("{path}/files"), &shown).await.status(), 204);
        }
        self.ids.insert("event", made);
    }

    /// A webhook that was sent twice.
    async fn delivery(&mut self, app: &TestApp) {
        let (office, receiver) = (&self.dealer.office, Receiver::start().await);
        let endpoint = json!({ "url": receiver.url(), "events": ["call_out.opened"] });
        let endpoint = self.add("/v1/webhook-endpoints", &[endpoint]).await.remove(0);
        let path = format!("/v1/webhook-endpoints/{endpoint}");
        assert_eq!(office.post(&format!("{path}/test"), &json!({})).await.status(), 202);
        app.send_webhooks(self.dealer, Utc::now()).await;
        let delivery = id(&items(office, &format!("{path}/deliveries")).await[0]).to_string();
        let again = format!("/v1/webhook-deliveries/{delivery}/send-again");
        assert_eq!(office.post(&again, &json!({})).await.status(), 202);
        app.send_webhooks(self.dealer, Utc::now()).await;
        self.ids.insert("delivery", delivery);
    }

    /// Two yards with a dial that nobody has read, and calls about both units; a second stay of the first unit, and one
    /// at the first site.
    async fn yards(&mut self) {
        let (dealer, customer): (_, Uuid) = (self.dealer, self.id("customer").parse().unwrap());
        let mut yards = Vec::new();
        for (name, serial_number) in [("West", "W-2"), ("East", "W-3")] {
            let (site, unit) = (dealer.site(customer, name).await, dealer.unit(serial_number).await);
            dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
            dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" })).await;
            let call =
                json!({ "unit_id": unit, "called_at": "2026-03-02T08:00:00Z", "symptom": "Foam", "bay": "washing" });
            self.add("/v1/call-outs", &[call]).await;
            yards.push(site.to_string());
        }
        self.ids.insert("yards", yards.join(","));
        let [unit, site]: [Uuid; 2] = ["unit", "site"].map(|of| self.id(of).parse().unwrap());
        let stays = items(&dealer.office, &format!("/v1/units/{unit}/placements")).await;
        dealer.end_placement(&stays[0], "2026-06-15T00:00:00Z").await;
        dealer.place(unit, dealer.site(customer, "Depot").await, "2026-07-01T00:00:00Z").await;
        dealer.place(dealer.unit("W-4").await, site, "2026-07-01T00:00:00Z").await;
    }

    /// What the owner keeps.
    async fn own(&self) {
        let owner = &self.dealer.owner;
        for (name, state) in [("On town water", json!("bypassed")), ("All", Value::Null)] {
            owner.create("/v1/unit-lists", &json!({ "name": name, "state": state })).await;
        }
        let first = owner.create("/v1/calendar-feeds", &json!({})).await;
        owner.create("/v1/calendar-feeds", &json!({})).await;
        let revoked = owner.post(&format!("/v1/calendar-feeds/{}/revoke", id(&first)), &json!({})).await;
        assert_eq!(revoked.status(), 200, "{revoked:?}");
    }
}

/// A report that was issued and revised, with questions, and with three who get it, one of them no more.
async fn reported(app: &TestApp, dealer: &Dealer) -> (Plant, String) {
    let office = &dealer.office;
    let plant = Plant::new(dealer, "UTC", json!({})).await;
    send(dealer, &plant.meter, &[("2026-01-01T00:00:00Z", 0.0), ("2026-01-30T00:00:00Z", 29_000.0)]).await;
    let readers = format!("/v1/customers/{}/report-recipients", plant.customer);
    for email in ["bo@example.com", "ann@example.com"] {
        office.create(&readers, &json!({ "email": email })).await;
    }
    let third = office.create(&readers, &json!({ "email": "cy@example.com" })).await;
    assert_eq!(office.post(&format!("{readers}/{}/end", id(&third)), &json!({})).await.status(), 200);
    night(app, dealer, "2026-02-02T03:00:00Z").await;
    let path = report(office, "2026-01").await;
    assert_eq!(issue(office, &path).await.status(), 200);
    send(dealer, &plant.meter, &[("2026-02-01T00:00:00Z", 33_000.0)]).await;
    night(app, dealer, "2026-02-04T03:00:00Z").await;
    let why = json!({ "reason": "A reading came late" });
    assert_eq!(office.post(&format!("{path}/proposal"), &why).await.status(), 200);
    let proposal = office.get(&format!("{path}/proposal")).await;
    assert_eq!(office.post_at_with(&format!("{path}/revise"), proposal.etag(), &why).await.status(), 200);
    let questions = format!("{path}/questions");
    let asked = office.create(&questions, &json!({ "figure": "fresh_used", "words": "Why so much?" })).await;
    office.create(&questions, &json!({ "figure": "fresh_used", "words": "And in February?" })).await;
    let answer = json!({ "words": "The pit was filled twice." });
    assert_eq!(office.post(&format!("{questions}/{}/answer", id(&asked)), &answer).await.status(), 200);
    (plant, path)
}

/// A list, as it came in each form.
struct Listed<'a> {
    client: &'a Client,
    path: String,
    records: Vec<Value>,
    /// The lines of its table.
    rows: Vec<Value>,
    /// The columns in their order.
    columns: Vec<String>,
}

/// The header and the lines of a CSV.
fn table(csv: &str) -> (Vec<String>, Vec<BTreeMap<String, String>>) {
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let header = reader.headers().unwrap().iter().map(str::to_owned).collect();
    (header, reader.deserialize().collect::<Result<_, _>>().unwrap())
}

impl<'a> Listed<'a> {
    /// Whose table has what its JSON shows, and no column twice.
    async fn read(client: &'a Client, path: String) -> Self {
        let records = items(client, &path).await;
        assert!(records.len() > 1, "{path}: {records:?}");
        let rows = lines(&as_media(client, &path, "application/x-ndjson").await);
        assert_eq!(rows.len(), records.len(), "{path}");
        rows.iter().zip(&records).for_each(|(row, record)| is_row_of(row, record));
        let csv = as_media(client, &path, "text/csv").await;
        let (columns, told) = table(csv.text());
        assert_eq!(told.len(), rows.len(), "{csv:?}");
        told.iter().zip(&rows).for_each(|(line, row)| is_line_of(line, row));
        assert_eq!(columns.iter().collect::<BTreeSet<_>>().len(), columns.len(), "{path}: {columns:?}");
        Self { client, path, records, rows, columns }
    }

    fn asked(&self, query: &str) -> String {
        let joint = if self.path.contains('?') { '&' } else { '?' };
        format!("{}{joint}{query}", self.path)
    }

    /// The records as they have to come by a column.
    fn by(&self, column: &str, downwards: bool) -> Vec<Value> {
        let mut placed: Vec<_> = self.rows.iter().map(|row| &row[column]).zip(&self.records).collect();
        placed.sort_by(|(one, _), (other, _)| compared(one, other, downwards));
        placed.into_iter().map(|(_, record)| record.clone()).collect()
    }

    async fn goes_by_every_column(&self) {
        for column in &self.columns {
            for (sort, downwards) in [(column.clone(), false), (format!("-{column}"), true)] {
                let asked = self.asked(&format!("sort={sort}"));
                assert_eq!(items(self.client, &asked).await, self.by(column, downwards), "{asked}");
            }
        }
    }

    /// In a table, with a field alone, and by a column that is not given.
    async fn has_what_is_chosen_in_the_order_asked_for(&self) {
        let is_shown = |name: &&String| self.records.iter().all(|one| one.get(*name).is_some_and(|v| !v.is_object()));
        let field = self.columns.iter().find(is_shown).unwrap();
        let only = |record: &Value| json!({ field.as_str(): record[field] });
        let whole: Vec<Value> = self.records.iter().map(only).collect();
        assert_eq!(items(self.client, &self.asked(&format!("fields={field}"))).await, whole);
        let last = self.columns.last().unwrap();
        let asked = self.asked(&format!("fields={field},none&sort=-{last}"));
        let sorted: Vec<Value> = self.by(last, true).iter().map(only).collect();
        assert_eq!(items(self.client, &asked).await, sorted, "{asked}");
        assert_eq!(lines(&as_media(self.client, &asked, "application/x-ndjson").await), sorted, "{asked}");
        let csv = as_media(self.client, &asked, "text/csv").await;
        let (columns, told) = table(csv.text());
        assert_eq!((columns.as_slice(), told.len()), (std::slice::from_ref(field), sorted.len()), "{csv:?}");
        told.iter().zip(&sorted).for_each(|(line, row)| is_line_of(line, row));
    }

    async fn names_its_columns(&self) {
        for media in ["application/json", "text/csv"] {
            let request = self.client.request(Method::GET, &self.asked("sort=colour")).header("accept", media);
            let refused = self.client.send(request).await;
            refused.refused_for(422, &[("/sort", "unknown_sort")]);
            let known = format!("Give one of {}, with - before it to go downwards.", self.columns.join(", "));
            assert_eq!(refused.problem()["detail"], json!(known), "{}", self.path);
        }
    }

    /// What its parameters show by example is taken.
    async fn takes_its_examples(&self, document: &Value, path: &str) {
        for parameter in ["sort", "fields"] {
            let example = queried(&document["paths"][path]["get"]).find(|one| one["name"] == parameter);
            let example = example.unwrap()["example"].as_str().unwrap();
            let found = items(self.client, &self.asked(&format!("{parameter}={example}"))).await;
            assert!(found.iter().any(|one| *one != json!({})), "{path}: {parameter}={example}");
        }
    }
}

/// Which of two values of a column comes first; nothing comes last either way.
fn compared(one: &Value, other: &Value, downwards: bool) -> Ordering {
    match (one.is_null(), other.is_null()) {
        (false, false) => {
            let upwards = place(one).partial_cmp(&place(other)).unwrap();
            if downwards { upwards.reverse() } else { upwards }
        }
        (one, other) => one.cmp(&other),
    }
}

/// Numbers and decimals come before instants, and these before texts.
fn place(value: &Value) -> (u8, f64, String) {
    let text = value.as_str().unwrap_or_default();
    let number = value.as_f64().or_else(|| text.parse::<Decimal>().ok()?.to_f64());
    let at = text.parse::<DateTime<Utc>>().map(|at| at.timestamp_micros() as f64);
    match (number, at) {
        (Some(number), _) => (0, number, String::new()),
        (None, Ok(at)) => (1, at, String::new()),
        (None, Err(_)) => (2, 0.0, value.as_str().map_or_else(|| value.to_string(), str::to_owned)),
    }
}

/// The parameters of an operation's query.
fn queried(operation: &Value) -> impl Iterator<Item = &Value> {
    operation["parameters"].as_array().into_iter().flatten().filter(|one| one["in"] == "query")
}

fn document() -> Value {
    serde_json::to_value(weirbook::server::openapi()).unwrap()
}

#[test]
fn every_list_that_comes_whole_and_sorted_is_held_here() {
    let document = document();
    let paths = document["paths"].as_object().unwrap().iter();
    let names = |item: &Value| queried(&item["get"]).map(|one| one["name"].to_string()).collect::<BTreeSet<_>>();
    let comes_whole = |names: &BTreeSet<String>| names.contains("\"sort\"") && !names.contains("\"cursor\"");
    let whole = paths.filter(|(_, item)| comes_whole(&names(item))).map(|(path, _)| path.as_str());
    let held = LISTS.map(|(path, ..)| path);
    assert_eq!(whole.collect::<BTreeSet<_>>(), BTreeSet::from(held), "left: in the document, right: here");
}

#[tokio::test]
async fn lists_that_come_whole_are_tables_with_the_fields_and_in_the_order_asked_for() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (made, document) = (Made::new(&app, &dealer).await, document());
    for (path, of, query) in LISTS {
        let id = made.ids.get(of).map_or("", String::as_str);
        let listed = Listed::read(&dealer.owner, format!("{path}{query}").replace("{id}", id)).await;
        listed.goes_by_every_column().await;
        listed.has_what_is_chosen_in_the_order_asked_for().await;
        listed.names_its_columns().await;
        listed.takes_its_examples(&document, path).await;
    }
    let exchanges = format!("/v1/meters/{}/exchanges?sort=-old_final", made.id("meter"));
    let parquet = as_media(&dealer.owner, &exchanges, "application/vnd.apache.parquet").await;
    let parquet = by_pyarrow(parquet.bytes(), "old_final");
    assert_eq!((&parquet["rows"], parquet["sum"].as_f64()), (&json!(2), Some(40_900.0)));
    assert_eq!(parquet["first"][0], json!("2026-05-02 08:00:00+00:00"), "{parquet}");
}

#[tokio::test]
async fn nights_of_a_unit_s_risk_are_a_table_too() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let Planted { units, now, .. } = planted(&dealer).await;
    written_in_time(&app).await;
    for back in [1, 0] {
        app.night(dealer.id, now - Duration::days(back)).await;
    }
    let (office, path) = (&dealer.office, format!("/v1/units/{}/risk/nights", units[0]));
    let nights = office.get(&path).await.json()["nights"].as_array().unwrap().clone();
    let rows = lines(&as_media(office, &path, "application/x-ndjson").await);
    assert_eq!((rows.len(), nights.len()), (2, 2));
    rows.iter().zip(&nights).for_each(|(row, night)| is_row_of(row, night));
    let only: Vec<Value> = nights.iter().map(|night| json!({ "night": night["night"] })).collect();
    assert_eq!(office.get(&format!("{path}?fields=night")).await.json(), json!({ "nights": only }));
    let [last, before] = [0, 1].map(|n: usize| nights[n]["night"].as_str().unwrap());
    let csv = as_media(office, &format!("{path}?fields=night&before={last}"), "text/csv").await;
    assert!(csv.text().lines().eq(["night", before]), "{csv:?}");
    let document = document();
    let example = queried(&document["paths"]["/v1/units/{id}/risk/nights"]["get"]).find(|one| one["name"] == "fields");
    let example = example.unwrap()["example"].as_str().unwrap();
    let csv = as_media(office, &format!("{path}?fields={example}"), "text/csv").await;
    assert_eq!(csv.text().lines().next(), Some(example), "each names a column");
    // The last one answered is where to go on from, so that the order is not to be chosen.
    office.get(&format!("{path}?sort=night")).await.refused_for(400, &[("/sort", "unknown_parameter")]);
}
