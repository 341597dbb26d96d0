//! Batches of readings in, and readings back.

use crate::support::{Client, Dealer, TestApp};
use chrono::{DateTime, TimeDelta, Utc};
use reqwest::Method;
use serde_json::{Value, json};

/// A unit at a site of a customer, with one make-up meter of six digits in litres.
pub(crate) struct Plant {
    pub(crate) customer: String,
    pub(crate) meter: String,
}

fn id(record: &Value) -> String {
    record["id"].as_str().unwrap().to_owned()
}

impl Plant {
    pub(crate) async fn new(dealer: &Dealer, zone: &str, meter: Value) -> Self {
        let office = &dealer.office;
        let customer = id(&office.create("/v1/customers", &json!({ "name": "Harbour Haulage" })).await);
        let site = json!({ "customer_id": customer, "name": "North bay", "time_zone": zone, "country": "IT" });
        let site = id(&office.create("/v1/sites", &site).await);
        let unit = id(&office.create("/v1/units", &json!({ "serial_number": "W-1", "label": "North unit" })).await);
        let placement = json!({ "site_id": site, "from": "2020-01-01T00:00:00Z", "terms": "sold" });
        office.create(&format!("/v1/units/{unit}/placements"), &placement).await;
        let mut record =
            json!({ "label": "Make-up", "stream": "makeup", "unit": "l", "digits": 6, "read_by": "technician" });
        record.as_object_mut().unwrap().extend(meter.as_object().unwrap().clone());
        let new = json!({ "meter": record, "attachment": { "unit_id": unit, "from": "2020-01-01T00:00:00Z" } });
        let meter = id(&office.create("/v1/meters", &new).await);
        Self { customer, meter }
    }

    fn reading(&self, at: &str, register: impl Into<Value>) -> Value {
        json!({ "meter_id": self.meter, "read_at": at, "register": register.into() })
    }
}

async fn send(client: &Client, readings: &[Value]) -> Value {
    let answer = client.post("/v1/readings", &json!({ "readings": readings })).await;
    assert_eq!(answer.status(), 200, "{answer:?}");
    answer.json()
}

async fn stored(client: &Client, meter: &str) -> Vec<(String, f64)> {
    let path = format!("/v1/meters/{meter}/readings?from=2019-01-01T00:00:00Z&to=2030-01-01T00:00:00Z");
    let items = client.get(&path).await.json()["items"].as_array().unwrap().clone();
    items
        .iter()
        .map(|item| (item["read_at"].as_str().unwrap().to_owned(), item["register"].as_f64().unwrap()))
        .collect()
}

#[tokio::test]
async fn readings_come_back_as_they_went_in_whatever_their_order() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "Europe/Rome", json!({})).await;
    let at = |hour: u32| format!("2026-03-01T{hour:02}:00:00Z");
    let late = send(&dealer.technician, &[plant.reading(&at(10), 30), plant.reading(&at(8), 10)]).await;
    assert_eq!((&late["accepted"], &late["known"]), (&json!(2), &json!(0)));
    // One in between, one known, one in front, one the day after.
    let next_day = plant.reading("2026-03-02T00:00:00+01:00", 70);
    let mixed = [plant.reading(&at(9), 20), plant.reading(&at(8), 10), plant.reading(&at(1), 3), next_day];
    let mixed = send(&dealer.technician, &mixed).await;
    assert_eq!((&mixed["accepted"], &mixed["known"], &mixed["rejected"]), (&json!(3), &json!(1), &json!([])));
    let expected: Vec<_> =
        [(1, 3.0), (8, 10.0), (9, 20.0), (10, 30.0), (23, 70.0)].map(|(hour, register)| (at(hour), register)).into();
    assert_eq!(stored(&dealer.office, &plant.meter).await, expected);

    let path = format!("/v1/meters/{}/readings?from={}&to={}&limit=2", plant.meter, at(8), at(23));
    let page = dealer.office.get(&path).await.json();
    assert_eq!(page["items"].as_array().unwrap().len(), 2);
    assert_eq!(page["next_from"], json!(at(10)), "`to` itself is not included");
}

#[tokio::test]
async fn a_bad_row_names_its_fault_and_costs_no_good_one() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let stranger = app.dealer("Elsewhere").await;
    let plant = Plant::new(&dealer, "Europe/Rome", json!({})).await;
    let foreign = Plant::new(&stranger, "Europe/Rome", json!({})).await;
    let rows = [
        plant.reading("2026-03-01T08:00:00Z", 10),
        foreign.reading("2026-03-01T08:00:00Z", 10),
        plant.reading("2126-03-01T08:00:00Z", 10),
        plant.reading("2026-03-01T09:00:00Z", -1),
        plant.reading("2026-03-01T09:00:00Z", 1_000_000),
        plant.reading("2026-03-01T08:00:00Z", 11),
        plant.reading("2026-03-01T08:00:00Z", 10),
        plant.reading("2026-13-01T08:00:00Z", 10),
        json!({ "meter_id": plant.meter, "read_at": "2026-03-01T08:00:00Z", "register": "10" }),
        json!({ "meter_id": plant.meter, "read_at": "2026-03-01T11:00:00Z", "register": 1, "unit": "l" }),
    ];
    let answer = send(&dealer.technician, &rows).await;
    assert_eq!((&answer["accepted"], &answer["known"]), (&json!(1), &json!(1)));
    let faults: Vec<_> = answer["rejected"]
        .as_array()
        .unwrap()
        .iter()
        .map(|bad| (bad["pointer"].as_str().unwrap().to_owned(), bad["code"].as_str().unwrap().to_owned()))
        .collect();
    let expected = [
        ("/readings/1/meter_id", "unknown_meter"),
        ("/readings/2/read_at", "future"),
        ("/readings/3/register", "negative"),
        ("/readings/4/register", "past_digits"),
        ("/readings/5/register", "conflict"),
        ("/readings/7/read_at", "wrong_type"),
        ("/readings/8/register", "wrong_type"),
        ("/readings/9", "wrong_type"),
    ];
    assert_eq!(faults, expected.map(|(pointer, code)| (pointer.to_owned(), code.to_owned())));
    assert_eq!(stored(&dealer.office, &plant.meter).await.len(), 1);
    assert_eq!(stored(&stranger.office, &foreign.meter).await, [], "another dealer's meter is untouched");

    // Against what is stored, not only within the batch.
    let again = send(&dealer.technician, &[plant.reading("2026-03-01T08:00:00Z", 12)]).await;
    assert_eq!(again["rejected"][0]["detail"], "10 is stored for this instant; correct it if it is wrong");
}

#[tokio::test]
async fn a_body_that_can_not_be_taken_is_refused_whole() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "Europe/Rome", json!({})).await;
    let whole = json!({ "readings": [plant.reading("2026-03-01T08:00:00Z", 10)] }).to_string();
    let post = |media: &str, body: String| {
        let request = dealer.technician.request(Method::POST, "/v1/readings").header("content-type", media).body(body);
        dealer.technician.send(request)
    };
    let cut = whole[..whole.len() - 5].to_owned();
    assert_eq!(post("application/json", cut).await.status(), 400);
    assert_eq!(post("application/xml", whole.clone()).await.status(), 415);
    assert_eq!(post("application/json", "[]".to_owned()).await.status(), 422);
    assert_eq!(post("text/csv", "meter,at\n1,2\n".to_owned()).await.status(), 422);
    let row = plant.reading("2026-03-01T08:00:00Z", 10).to_string();
    assert_eq!(post("application/x-ndjson", format!("{row}\n").repeat(50_001)).await.status(), 413);
    assert_eq!(post("text/csv", "x".repeat(100 << 20)).await.status(), 413, "100 MiB");
    assert_eq!(stored(&dealer.office, &plant.meter).await, []);
    assert_eq!(post("application/json", whole).await.status(), 200);
}

#[tokio::test]
async fn the_three_forms_and_parallel_writers_come_to_the_same_sheets() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "Europe/Rome", json!({ "digits": 9 })).await;
    let rows: Vec<Value> = (0..240)
        .map(|hour| plant.reading(&format!("2026-03-{:02}T{:02}:00:00Z", 1 + hour / 24, hour % 24), hour * 10))
        .collect();
    let ndjson: String = rows.iter().rev().map(|row| format!("{row}\n")).collect();
    let csv: String = std::iter::once("register,meter_id,read_at\n".to_owned())
        .chain(
            rows.iter()
                .map(|row| format!("{},{},{}\n", row["register"], plant.meter, row["read_at"].as_str().unwrap())),
        )
        .collect();
    let send = |media: &'static str, body: String| {
        dealer
            .technician
            .send(dealer.technician.request(Method::POST, "/v1/readings").header("content-type", media).body(body))
    };
    let json = json!({ "readings": rows }).to_string();
    let answers =
        tokio::join!(send("application/x-ndjson", ndjson), send("text/csv", csv), send("application/json", json));
    let answers = [answers.0.json(), answers.1.json(), answers.2.json()];
    let sum = |field: &str| answers.iter().map(|answer| answer[field].as_u64().unwrap()).sum::<u64>();
    assert_eq!((sum("accepted"), sum("known")), (240, 480), "{answers:?}");
    assert_eq!(stored(&dealer.office, &plant.meter).await.len(), 240);
}

#[tokio::test]
async fn a_customers_reader_writes_for_its_own_meters_while_they_serve_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "Europe/Rome", json!({})).await;
    let own = dealer.customer_reader(plant.customer.parse().unwrap()).await;
    let other = dealer.office.create("/v1/customers", &json!({ "name": "Other" })).await;
    let other = dealer.customer_reader(other["id"].as_str().unwrap().parse().unwrap()).await;
    let answer =
        send(&own, &[plant.reading("2026-03-01T08:00:00Z", 10), plant.reading("2019-03-01T08:00:00Z", 1)]).await;
    assert_eq!(answer["accepted"], json!(1));
    assert_eq!(answer["rejected"][0]["code"], "not_held", "before the unit stood there");
    let refused = send(&other, &[plant.reading("2026-03-02T08:00:00Z", 10)]).await;
    assert_eq!(refused["rejected"][0]["code"], "unknown_meter");
    let path = format!("/v1/meters/{}/readings?from=2026-01-01T00:00:00Z&to=2027-01-01T00:00:00Z", plant.meter);
    assert_eq!(own.get(&path).await.json()["items"][0]["source"], "customer");
    assert_eq!(other.get(&path).await.status(), 404);
    let viewer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    let refused = viewer.post("/v1/readings", &json!({ "readings": [] })).await;
    assert_eq!(refused.status(), 403);
}

/// Minutes of one night, with one register a minute.
fn minutes(plant: &Plant, minutes: std::ops::Range<u32>) -> Vec<Value> {
    let start: DateTime<Utc> = "2026-03-01T22:00:00Z".parse().unwrap();
    minutes.map(|n| plant.reading(&(start + TimeDelta::minutes(i64::from(n))).to_rfc3339(), n * 2)).collect()
}

#[tokio::test]
async fn a_meter_that_reports_every_minute_gets_sheets_by_the_hour_and_reads_the_same() {
    let app = TestApp::start().await;
    let (dealer, twin) = (app.dealer("Brookside").await, app.dealer("Elsewhere").await);
    let dense = Plant::new(&dealer, "Europe/Rome", json!({})).await;
    let whole = Plant::new(&twin, "Europe/Rome", json!({})).await;
    let superuser = app.superuser().await;
    let hourly_from =
        "select coalesce((hourly_from - (now() at time zone 'UTC')::date)::int4, -1) from meter order by dealer_id";
    let found = async || -> Vec<i32> {
        superuser.query(hourly_from, &[]).await.unwrap().iter().map(|row| row.get(0)).collect()
    };
    // A day's sheet of 300 readings is one too many to write anew with each reading.
    send(&dealer.technician, &minutes(&dense, 120..420)).await;
    send(&twin.technician, &minutes(&whole, 120..320)).await;
    for of in [&dealer, &twin] {
        app.night(of.id, Utc::now()).await;
    }
    assert_eq!(found().await, [2, -1], "from the day after tomorrow on");

    superuser
        .batch_execute(
            "delete from day_sheet; update meter set hourly_from = '2026-03-02' where hourly_from is not null",
        )
        .await
        .unwrap();
    for (of, plant) in [(&dealer, &dense), (&twin, &whole)] {
        // Late, in front, across the first midnight of hour sheets, and some of it again.
        for part in [200..420, 0..90, 80..201] {
            assert_eq!(send(&of.technician, &minutes(plant, part)).await["rejected"], json!([]));
        }
        let again = send(&of.technician, &[plant.reading("2026-03-02T01:00:00Z", 1)]).await;
        assert_eq!(again["rejected"][0]["code"], "conflict");
        let right = json!({ "read_at": "2026-03-02T01:00:00Z", "register": 361, "why": "misread" });
        let corrected = of.office.post(&format!("/v1/meters/{}/corrections", plant.meter), &right).await;
        assert_eq!(corrected.status(), 201, "{corrected:?}");
        app.night(of.id, Utc::now()).await;
    }
    let read = stored(&dealer.office, &dense.meter).await;
    assert_eq!(read.len(), 420);
    assert!(read.is_sorted_by(|a, b| a.0 < b.0), "in order of time over the hours");
    assert_eq!(read, stored(&twin.office, &whole.meter).await);
    let sheets = "select day::text || ' ' || string_agg(hour::text, ' ' order by hour) from day_sheet
      group by dealer_id, day order by dealer_id, day";
    let sheets: Vec<String> = superuser.query(sheets, &[]).await.unwrap().iter().map(|row| row.get(0)).collect();
    assert_eq!(sheets, ["2026-03-01 0", "2026-03-02 0 1 2 3 4", "2026-03-01 0", "2026-03-02 0"]);
    let facts =
        "select day::text || ' ' || makeup_l || ' ' || coverage from day_fact where dealer_id = $1 order by day";
    let mut of_both = Vec::new();
    for of in [&dealer, &twin] {
        let rows = superuser.query(facts, &[&of.id.0]).await.unwrap();
        of_both.push(rows.iter().map(|row| row.get::<_, String>(0)).collect::<Vec<_>>());
    }
    assert_eq!(of_both[0].len(), 2, "two local days");
    assert_eq!(of_both[0], of_both[1]);

    // Taken apart again, the hours make whole days.
    let down = include_str!("../../migrations/2026-11-26-0013_hour_sheets/down.sql");
    superuser.batch_execute(&format!("begin; {down}; commit")).await.unwrap();
    let days =
        "select count(*) from day_sheet s where cardinality(s.at) = (select count(distinct x) from unnest(s.at) x)";
    assert_eq!(superuser.query_one(days, &[]).await.unwrap().get::<_, i64>(0), 4);
}
