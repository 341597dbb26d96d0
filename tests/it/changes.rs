//! The feed of changes: nothing is missed and nothing repeated, however transactions interleave; what
//! is computed anew shows in it; and everybody gets what is theirs.

use crate::api_clients::Program;
use crate::conventions::items;
use crate::readings::Plant;
use crate::report_life::{issue, night, report, rule, send};
use crate::support::{Client, TestApp, id};
use domain::ids::DealerId;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use uuid::Uuid;

/// All changes after one, and where to go on.
async fn all(client: &Client, mut after: Option<String>, query: &str) -> (Vec<Value>, Option<String>) {
    let mut found = Vec::new();
    loop {
        let part = part(client, after.as_deref(), query).await;
        found.extend(part["items"].as_array().unwrap().clone());
        after = part["next_after"].as_str().map(str::to_owned);
        if part["more"] == json!(false) {
            return (found, after);
        }
    }
}

async fn part(client: &Client, after: Option<&str>, query: &str) -> Value {
    let answer = client.get(&format!("/v1/changes?after={}&{query}", after.unwrap_or_default())).await;
    assert_eq!(answer.status(), 200, "{answer:?}");
    answer.json()
}

async fn newest(client: &Client) -> Option<String> {
    let part = part(client, Some("newest"), "").await;
    assert_eq!(part["items"], json!([]));
    part["next_after"].as_str().map(str::to_owned)
}

/// Writes two lines in one transaction, as the service does, with time between them; some are taken
/// back.
async fn write_slowly(app: &TestApp, dealer: DealerId, name: &str, transactions: u64) {
    let client = app.superuser().await;
    for n in 0..transactions {
        client.batch_execute(&format!("begin; set local app.dealer_id = '{dealer}'")).await.unwrap();
        for half in ["a", "b"] {
            let insert = "insert into change (id, at, record, record_id, verb) values (gen_random_uuid(), now(), $1, $2, 'added')";
            client.execute(insert, &[&name, &format!("{n}{half}")]).await.unwrap();
            tokio::time::sleep(Duration::from_millis(15 + 20 * (n % 5))).await;
        }
        client.batch_execute(if n % 4 == 3 { "rollback" } else { "commit" }).await.unwrap();
    }
}

/// Creates customers as fast as it can.
async fn write_fast(office: &Client, name: &str, count: usize) {
    for n in 0..count {
        office.create("/v1/customers", &json!({ "name": format!("{name} {n}") })).await;
    }
}

/// Changes one record as often as that, whoever else does; the Idempotency-Key of nothing comes first,
/// so that transactions begin to write before they wait for the record.
async fn change_together(office: &Client, path: &str, name: &str, count: usize) {
    for n in 0..count {
        loop {
            let read = office.get(path).await;
            let patch = json!({ "name": format!("{name} {n}") });
            match office.patch(path, read.etag(), &patch).await.status() {
                200 => break,
                412 => {}
                other => panic!("{other}"),
            }
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_change_is_missed_or_repeated_while_slow_and_fast_transactions_write() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let shared = dealer.office.create("/v1/customers", &json!({ "name": "Shared" })).await;
    let path = format!("/v1/customers/{}", id(&shared));
    let after = newest(&dealer.office).await;
    let written = Arc::new(AtomicBool::new(false));
    let readers = [("limit=3", &dealer.owner), ("limit=7&wait_s=1", &dealer.office)].map(|(query, client)| {
        let (client, written, mut after) = (client.clone(), written.clone(), after.clone());
        tokio::spawn(async move {
            let mut seen = Vec::new();
            loop {
                let done = written.load(Ordering::Relaxed);
                let part = part(&client, after.as_deref(), query).await;
                let items = part["items"].as_array().unwrap().clone();
                after = part["next_after"].as_str().map(str::to_owned);
                if done && items.is_empty() {
                    return seen;
                }
                seen.extend(items);
            }
        })
    });
    let office = &dealer.office;
    tokio::join!(
        write_slowly(&app, dealer.id, "slow one", 12),
        write_slowly(&app, dealer.id, "slow two", 16),
        write_slowly(&app, dealer.id, "slow three", 8),
        write_fast(office, "fast one", 60),
        write_fast(office, "fast two", 60),
        change_together(office, &path, "one", 15),
        change_together(office, &path, "two", 15),
    );
    written.store(true, Ordering::Relaxed);

    let sql = "select id::text from change where dealer_id = $1 and id <> $2 order by id";
    let (own, first) = (dealer.id.0, Uuid::parse_str(after.as_deref().unwrap()).unwrap());
    let there = app.superuser().await.query(sql, &[&own, &first]).await.unwrap();
    let there: BTreeSet<String> = there.iter().map(|row| row.get(0)).collect();
    assert_eq!(there.len(), 2 * (9 + 12 + 6) + 120 + 30);
    let mut orders = Vec::new();
    for reader in readers {
        let seen = reader.await.unwrap();
        let ids: Vec<String> = seen.iter().map(|change| change["id"].as_str().unwrap().to_owned()).collect();
        let unique: BTreeSet<String> = ids.iter().cloned().collect();
        assert_eq!(unique.len(), ids.len(), "none is repeated");
        assert_eq!(unique, there, "none is missed, and nothing that was taken back is there");
        let mut last: BTreeMap<&str, i64> = BTreeMap::new();
        for change in seen.iter().filter(|change| change["record"] == "customer") {
            let revision = change["revision"].as_i64().unwrap();
            let before = last.insert(change["record_id"].as_str().unwrap(), revision);
            assert!(before.is_none_or(|before| before + 1 == revision), "revisions in their order: {change}");
        }
        orders.push(ids);
    }
    assert_eq!(orders[0], orders[1], "every reader has the same order");
    assert!(app.db().walk_changes(dealer.id, None).await.unwrap().is_whole());
}

#[tokio::test]
async fn several_sequencers_at_once_give_each_line_one_place() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    write_fast(&dealer.office, "many", 40).await;
    let (db, own) = (app.db(), dealer.id);
    let placed = tokio::join!(db.sequence(own), db.sequence(own), db.sequence(own), db.sequence(own));
    let placed = [placed.0, placed.1, placed.2, placed.3].map(Result::unwrap);
    assert_eq!(placed.iter().sum::<usize>(), 40, "{placed:?}");
    assert_eq!(all(&dealer.office, None, "limit=9").await.0.len(), 40);
}

#[tokio::test]
async fn a_customers_people_follow_what_is_theirs_and_no_more() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (a, b) = (dealer.customer("a").await, dealer.customer("b").await);
    let (site_a, site_b) = (dealer.site(a, "site a").await, dealer.site(b, "site b").await);
    let unit = dealer.unit("W-1").await;
    let placement = dealer.place(unit, site_a, "2026-01-01T00:00:00Z").await;
    dealer.end_placement(&placement, "2026-03-01T00:00:00Z").await;
    dealer.place(unit, site_b, "2026-03-01T00:00:00Z").await;
    let price = json!({ "what": "item", "name": "seal", "from": "2026-01-01",
        "per_unit": { "amount": "3.00", "currency": "EUR" }, "unit": "each" });
    dealer.office.post("/v1/prices", &price).await;
    let (of_a, of_b) = (dealer.customer_viewer(a).await, dealer.customer_reader(b).await);
    let (every, _) = all(&dealer.office, None, "").await;
    let by_customer = |customer: Uuid| -> Vec<&Value> {
        every.iter().filter(|change| change["customer_id"] == json!(customer)).collect()
    };
    for (client, customer) in [(&of_a, a), (&of_b, b)] {
        let (own, next) = all(client, None, "limit=2").await;
        assert_eq!(own.iter().collect::<Vec<_>>(), by_customer(customer));
        assert!(own.len() >= 3 && own.len() < every.len());
        assert_eq!(next.as_deref(), own.last().unwrap()["id"].as_str(), "not even a count of others' changes");
        assert_eq!(newest(client).await, next);
    }
    // A place of somebody else's is none.
    let foreign = by_customer(b)[0]["id"].as_str().unwrap().to_owned();
    let refused = of_a.get(&format!("/v1/changes?after={foreign}")).await;
    refused.refused_for(422, &[("/after", "unknown_cursor")]);
    let elsewhere = app.dealer("Millrace").await;
    elsewhere
        .owner
        .get(&format!("/v1/changes?after={foreign}"))
        .await
        .refused_for(422, &[("/after", "unknown_cursor")]);
    assert_eq!(all(&elsewhere.owner, None, "").await.0, [Value::Null; 0]);
    dealer.technician.get("/v1/changes").await.refused(403, "not-allowed");
    app.anyone().get("/v1/changes").await.refused(401, "not-signed-in");
    dealer.office.get("/v1/changes?limit=0").await.refused_for(422, &[("/limit", "out_of_range")]);
    dealer.office.get("/v1/changes?wait_s=21").await.refused_for(422, &[("/wait_s", "out_of_range")]);
    dealer.office.get("/v1/changes?after=x").await.refused_for(422, &[("/after", "unknown_cursor")]);
}

#[tokio::test]
async fn programs_follow_what_is_theirs_and_people_stand_in_the_audit_alone() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let site = dealer.site(customer, "North bay").await;
    dealer.customer("Somebody else").await;
    let program = async |name: &str, scope: &str, limits: Value| {
        Program::add(&dealer, name, &[scope], limits).await.client(app.anyone()).await
    };
    let every = program("every", "read-changes", json!({})).await;
    let own = program("own", "read-changes", json!({ "customer_id": customer })).await;
    let limited = json!({ "customer_id": customer, "site_ids": [site] });
    let limited = program("limited", "read-changes", limited).await;
    let records = |found: &[Value]| -> Vec<String> {
        found.iter().map(|change| change["record"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(records(&all(&every, None, "").await.0), ["customer", "site", "customer"]);
    assert_eq!(records(&all(&own, None, "").await.0), ["customer", "site"]);
    for query in ["", "?after=newest", "?wait_s=20", "?records=site"] {
        let refused = limited.get(&format!("/v1/changes{query}")).await;
        refused.refused(403, "not-allowed");
        assert!(refused.problem()["detail"].as_str().unwrap().contains("chosen sites"), "{refused:?}");
    }
    program("other", "read-sites", json!({})).await.get("/v1/changes").await.refused(403, "not-allowed");
    for query in ["", "records=sign_in,api_client"] {
        let found = records(&all(&dealer.owner, None, query).await.0);
        assert!(!found.iter().any(|record| ["sign_in", "api_client"].contains(&record.as_str())), "{found:?}");
    }
    let signed_in = items(&dealer.owner, "/v1/audit?record=sign_in&verb=signed_in").await;
    let who: Vec<_> = signed_in.iter().map(|line| (&line["name"], &line["address"])).collect();
    let local = json!("127.0.0.1");
    let names = ["other", "limited", "own", "every"].map(|name| json!(name));
    assert_eq!(who, names.iter().map(|name| (name, &local)).collect::<Vec<_>>());
}

#[tokio::test]
async fn days_computed_anew_and_reports_issued_and_revised_show() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    dealer.office.put("/v1/report-rule", "\"0\"", &rule(0.0)).await;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    let days: Vec<String> = (1..=31).map(|day| format!("2026-01-{day:02}T00:00:00Z")).collect();
    let mut readings: Vec<(&str, f64)> =
        days.iter().zip(0_u32..).map(|(at, n)| (at.as_str(), 1000.0 * f64::from(n))).collect();
    readings.push(("2026-02-01T00:00:00Z", 31_000.0));
    send(&dealer, &plant.meter, &readings).await;
    let query = "records=water_figures,readings";
    night(&app, &dealer, "2026-02-02T03:00:00Z").await;
    let (found, next) = all(&dealer.office, None, query).await;
    let kinds: Vec<&str> = found.iter().map(|change| change["record"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["readings", "water_figures"]);
    assert_eq!(
        (&found[0]["detail"]["first_day"], &found[0]["detail"]["last_day"]),
        (&json!("2026-01-01"), &json!("2026-02-01"))
    );
    assert_eq!(found[1]["customer_id"], json!(plant.customer));
    assert_eq!(found[1]["detail"]["first_day"], "2026-01-01");

    // A night that touches nothing changes nothing.
    night(&app, &dealer, "2026-02-03T03:00:00Z").await;
    assert_eq!(all(&dealer.office, next.clone(), query).await.0, [Value::Null; 0]);

    let path = report(&dealer.office, "2026-01").await;
    assert_eq!(issue(&dealer.office, &path).await.status(), 200);
    let correction = json!({ "read_at": "2026-01-20T00:00:00Z", "register": 18_500.0, "why": "misread" });
    let corrected = dealer.technician.post(&format!("/v1/meters/{}/corrections", plant.meter), &correction).await;
    assert!(corrected.status() < 300, "{corrected:?}");
    night(&app, &dealer, "2026-02-04T03:00:00Z").await;
    let (found, next) = all(&dealer.office, next, "records=water_figures,savings_report,reading_correction").await;
    let told: Vec<_> = found.iter().map(|change| (change["record"].as_str().unwrap(), &change["detail"])).collect();
    assert!(told.iter().any(|(record, detail)| *record == "savings_report" && detail["deed"] == "issued"), "{told:?}");
    assert!(told.iter().any(|(record, _)| *record == "reading_correction"));
    let figures: Vec<_> = told.iter().filter(|(record, _)| *record == "water_figures").collect();
    assert_eq!(figures.len(), 1);
    // The 19th and the 20th have other figures; the sum of the month is the same.
    assert_eq!((&figures[0].1["first_day"], &figures[0].1["last_day"]), (&json!("2026-01-19"), &json!("2026-01-20")));

    // The month has another sum: above the tolerance, which a person accepts.
    let correction = json!({ "read_at": "2026-02-01T00:00:00Z", "register": 31_200.0, "why": "misread" });
    let corrected = dealer.technician.post(&format!("/v1/meters/{}/corrections", plant.meter), &correction).await;
    assert!(corrected.status() < 300, "{corrected:?}");
    night(&app, &dealer, "2026-02-05T03:00:00Z").await;
    let (before, next) = all(&dealer.office, next, "records=savings_report").await;
    let deeds = |found: &[Value]| -> Vec<Value> {
        found.iter().map(|change| change["detail"]["deed"].clone()).filter(|deed| !deed.is_null()).collect()
    };
    assert!(!deeds(&before).contains(&json!("revised")), "{before:?}");
    let proposal = dealer.office.get(&format!("{path}/proposal")).await;
    let reason = json!({ "reason": "The dial was misread" });
    let revised = dealer.office.post_at_with(&format!("{path}/revise"), proposal.etag(), &reason).await;
    assert_eq!(revised.status(), 200, "{revised:?}");
    let (found, _) = all(&dealer.office, next, "records=savings_report").await;
    assert_eq!(deeds(&found), ["revised"]);
    let revision = &found.iter().find(|change| change["detail"]["deed"] == "revised").unwrap()["revision"];
    assert_eq!(*revision, revised.json()["revision"]);
}

#[tokio::test]
async fn who_waits_is_answered_when_something_is_written() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let after = newest(&dealer.office).await;
    assert_eq!(after, None, "nothing has ever changed");
    let begun = Instant::now();
    let waiting = part(&dealer.office, after.as_deref(), "wait_s=20&records=customer");
    let write = async {
        tokio::time::sleep(Duration::from_millis(300)).await;
        dealer.customer("Harbour Haulage").await
    };
    let (part, customer) = tokio::join!(waiting, write);
    assert_eq!(part["items"][0]["record_id"], json!(customer));
    let took = begun.elapsed();
    assert!(took > Duration::from_millis(300) && took < Duration::from_secs(5), "{took:?}");
    let begun = Instant::now();
    let next = part["next_after"].as_str();
    let answer = crate::changes::part(&dealer.office, next, "wait_s=1").await;
    assert_eq!((&answer["items"], answer["next_after"].as_str()), (&json!([]), next));
    assert!(begun.elapsed() >= Duration::from_secs(1));
}
