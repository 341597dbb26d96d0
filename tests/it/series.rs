//! Series over many meters and sites, in every form they are written in; Parquet is read back by an
//! independent library. And the guide's script, run against a live service.

use crate::conventions::items;
use crate::report_life::{issue, night, report};
use crate::support::{Answer, Client, Dealer, PASSWORD, Scratch, TestApp, id, python, repository};
use chrono::{DateTime, Duration, Utc};
use reqwest::Method;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::process::Command;
use uuid::Uuid;

pub(crate) async fn as_media(client: &Client, path: &str, media: &str) -> Answer {
    let answer = client.send(client.request(Method::GET, path).header("accept", media)).await;
    assert_eq!((answer.status(), answer.header("content-type")), (200, media), "{answer:?}");
    answer
}

/// Two customers, each with a unit that has a make-up dial; the second dial is called like a formula.
pub(crate) async fn two_customers(app: &TestApp) -> (Dealer, [Uuid; 2], [Uuid; 2], [Uuid; 2]) {
    let dealer = app.dealer("Brookside").await;
    let (mut customers, mut sites, mut meters) = ([Uuid::nil(); 2], [Uuid::nil(); 2], [Uuid::nil(); 2]);
    for (n, label) in ["Make-up", "=2+5"].into_iter().enumerate() {
        customers[n] = dealer.customer(&format!("Customer {n}")).await;
        sites[n] = dealer.site(customers[n], &format!("Bay {n}")).await;
        let unit = dealer.unit(&format!("W-{n}")).await;
        dealer.place(unit, sites[n], "2025-01-01T00:00:00Z").await;
        let meter = json!({ "label": label, "stream": "makeup", "unit": "l", "digits": 7, "read_by": "telemetry",
            "read_every_h": 1 });
        let new = json!({ "meter": meter, "attachment": { "unit_id": unit, "from": "2025-01-01T00:00:00Z" } });
        meters[n] = id(&dealer.office.create("/v1/meters", &new).await);
        // The first and the last hour of January in Vienna.
        let first: DateTime<Utc> = "2025-12-31T23:00:00Z".parse().unwrap();
        let mut readings = Vec::new();
        for hour in 0..(31 * 24) {
            let at = first + Duration::hours(hour);
            readings.push(
                json!({ "meter_id": meters[n], "read_at": at, "register": 100.25 * hour as f64 * (n + 1) as f64 }),
            );
        }
        let taken = dealer.technician.post("/v1/readings", &json!({ "readings": readings })).await;
        assert_eq!(taken.json()["accepted"], json!(31 * 24), "{taken:?}");
    }
    night(app, &dealer, "2026-02-02T03:00:00Z").await;
    (dealer, customers, sites, meters)
}

/// Sums a column of a Parquet file, and counts its rows.
const SUMS: &str = "
import sys, json
import pyarrow.parquet as parquet
table = parquet.read_table(sys.argv[1])
column = table.column(sys.argv[2])
times = [field.name for field in table.schema if str(field.type).startswith('timestamp')]
print(json.dumps({'rows': table.num_rows, 'sum': sum(value for value in column.to_pylist() if value is not None),
    'names': table.column_names, 'types': [str(field.type) for field in table.schema],
    'first': [str(value) for name in times for value in table.column(name)[:1]]}))
";

pub(crate) fn by_pyarrow(bytes: &[u8], column: &str) -> Value {
    let folder = Scratch::new();
    let file = format!("{}/table.parquet", folder.path());
    fs::write(&file, bytes).unwrap();
    let output = Command::new(python()).args(["-c", SUMS, &file, column]).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn sum(rows: &[Value], column: &str) -> f64 {
    rows.iter().filter_map(|row| row[column].as_f64()).sum()
}

pub(crate) fn lines(answer: &Answer) -> Vec<Value> {
    answer.text().lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[tokio::test]
async fn readings_come_in_every_form_with_equal_sums() {
    let app = TestApp::start().await;
    let (dealer, customers, _, meters) = two_customers(&app).await;
    let path = "/v1/readings?from=2026-01-01T00:00:00Z&to=2026-01-31T00:00:00Z";
    let json = as_media(&dealer.office, path, "application/json").await.json();
    let rows = json["items"].as_array().unwrap().clone();
    assert_eq!((rows.len(), &json["next_cursor"]), (2 * 30 * 24, &Value::Null));
    assert_eq!(
        (&rows[0]["meter_id"], &rows[0]["read_at"], &rows[0]["source"]),
        (&json!(meters[0]), &json!("2026-01-01T00:00:00Z"), &json!("telemetry"))
    );
    assert_eq!(lines(&as_media(&dealer.office, path, "application/x-ndjson").await), rows);
    let csv = as_media(&dealer.office, path, "text/csv").await.text().to_owned();
    assert_eq!(csv.lines().count(), rows.len() + 1);
    assert!(csv.contains(",\"'=2+5\",makeup,") && !csv.contains(",=2+5"), "no formula is left");
    let by_csv: f64 = csv.lines().skip(1).map(|line| line.split(',').nth(4).unwrap().parse::<f64>().unwrap()).sum();
    assert_eq!(by_csv, sum(&rows, "register"));
    let parquet =
        by_pyarrow(as_media(&dealer.office, path, "application/vnd.apache.parquet").await.bytes(), "register");
    assert_eq!((&parquet["rows"], parquet["sum"].as_f64().unwrap()), (&json!(rows.len()), by_csv));
    assert_eq!(parquet["names"], json!(["meter_id", "meter", "stream", "read_at", "register", "unit", "source"]));
    assert_eq!(
        parquet["types"],
        json!(["string", "string", "string", "timestamp[us, tz=UTC]", "double", "string", "string"])
    );
    assert_eq!(parquet["first"], json!(["2026-01-01 00:00:00+00:00"]));

    let viewer = dealer.customer_viewer(customers[1]).await;
    let own = lines(&as_media(&viewer, path, "application/x-ndjson").await);
    assert!(own.len() == 30 * 24 && own.iter().all(|row| row["meter_id"] == json!(meters[1])));
    for (query, count) in [
        (format!("customer_id={}", customers[0]), 720),
        (format!("meter_id={}", meters[1]), 720),
        (format!("unit_id={}", Uuid::nil()), 0),
    ] {
        let asked = format!("{path}&{query}");
        assert_eq!(items(&dealer.office, &asked).await.len(), count, "{query}");
    }
    let gallons = items(&dealer.office, &format!("{path}&units=us")).await;
    for (row, told) in rows.iter().zip(&gallons) {
        // NIST SP 811: one US gallon is 3.785 411 784 litres.
        let litres = told["volume_gal"].as_f64().unwrap() * 3.785_411_784;
        assert!((litres - row["register"].as_f64().unwrap()).abs() < 1e-6, "{told}");
    }
    assert_eq!(rows[0].get("volume_l"), None, "left out unless it is asked for");
    dealer.office.get(&format!("{path}&units=imperial")).await.refused_for(422, &[("/units", "unknown_unit_system")]);
    let empty = "/v1/readings?from=2024-01-01T00:00:00Z&to=2024-01-31T00:00:00Z";
    let none = by_pyarrow(as_media(&dealer.office, empty, "application/vnd.apache.parquet").await.bytes(), "register");
    assert_eq!((&none["rows"], &none["sum"]), (&json!(0), &json!(0)));
    let backwards = "/v1/readings?from=2026-01-31T00:00:00Z&to=2026-01-01T00:00:00Z";
    dealer.office.get(backwards).await.refused_for(422, &[("/to", "before_from")]);
}

/// Every field that a record shows is in its row, and is what it shows; fields of what stands within it too.
#[track_caller]
pub(crate) fn is_row_of(row: &Value, record: &Value) {
    for (name, value) in record.as_object().unwrap() {
        match (row.get(name), value.as_object()) {
            // Hours that run on grow from one request to the next.
            (Some(cell), _) if name.starts_with("hours_") => {
                assert!((cell.as_f64().unwrap() - value.as_f64().unwrap()).abs() < 0.1, "{name} of {record}");
            }
            (Some(cell), _) => assert_eq!(cell, value, "{name} of {record}"),
            (None, Some(within)) => within.iter().for_each(|(name, value)| assert_eq!(&row[name], value, "{name}")),
            (None, None) => panic!("{name} is no column: {row}"),
        }
    }
}

/// A line of CSV has every cell of the row; what a spreadsheet would take for a formula has a mark before it.
#[track_caller]
pub(crate) fn is_line_of(line: &BTreeMap<String, String>, row: &Value) {
    let row = row.as_object().unwrap();
    assert!(line.keys().eq(row.keys().collect::<BTreeSet<_>>()), "{line:?}");
    for (name, value) in row {
        let told = line[name].strip_prefix('\'').unwrap_or(&line[name]);
        let number = told.parse::<f64>().ok();
        match value {
            Value::Null => assert_eq!(told, "", "{name}"),
            Value::String(text) => assert_eq!(told, text, "{name}"),
            // Hours that run on grow from one request to the next.
            Value::Number(hours) if name.starts_with("hours_") => {
                assert!((number.unwrap() - hours.as_f64().unwrap()).abs() < 0.1, "{name}: {told}, {hours}");
            }
            Value::Number(value) => assert_eq!(number, value.as_f64(), "{name}"),
            within => assert_eq!(serde_json::from_str::<Value>(told).unwrap(), *within, "{name}"),
        }
    }
}

/// That the CSV of a list has a header and a line for each row of its NDJSON; gives it.
pub(crate) async fn csv_has_the_rows(client: &Client, path: &str) -> String {
    let rows = lines(&as_media(client, path, "application/x-ndjson").await);
    let csv = as_media(client, path, "text/csv").await.text().to_owned();
    let told: Vec<BTreeMap<String, String>> =
        csv::Reader::from_reader(csv.as_bytes()).deserialize().collect::<Result<_, _>>().unwrap();
    assert_eq!(told.len(), rows.len(), "{csv}");
    told.iter().zip(&rows).for_each(|(line, row)| is_line_of(line, row));
    csv
}

#[tokio::test]
async fn lists_come_as_tables_with_what_their_records_show() {
    let app = TestApp::start().await;
    let (dealer, customers, ..) = two_customers(&app).await;
    let units = items(&dealer.office, "/v1/units").await;
    for (n, unit) in units.iter().enumerate() {
        let (unit, at) = (id(unit), format!("2026-02-0{}T08:00:00Z", n + 1));
        let call = json!({ "unit_id": unit, "called_at": at, "symptom": "=1+1, it stinks", "bay": "stopped" });
        dealer.office.create("/v1/call-outs", &call).await;
        let event = json!({ "unit_id": unit, "at": at, "kind": "visit", "internal_note": "Our own", "customer_note": "Seen",
            "lines": [{ "kind": "labour", "what": "A. Weber", "quantity": "1.5", "unit": "h" }],
            "samples": [{ "point": "Clean tank", "what": "turbidity", "value": 5.5, "unit": "ntu" }] });
        dealer.technician.create("/v1/service-events", &event).await;
    }
    let viewer = dealer.customer_viewer(customers[1]).await;
    let lists = [
        ("units", "revision"),
        ("sites", "revision"),
        ("call-outs", "revision"),
        ("service-events", "revision"),
        ("samples", "value"),
    ];
    for (list, number) in lists {
        let path = format!("/v1/{list}?limit=1");
        let records = items(&dealer.office, &format!("/v1/{list}")).await;
        assert_eq!(records.len(), 2, "{list}");
        let rows = lines(&as_media(&dealer.office, &path, "application/x-ndjson").await);
        assert_eq!(rows.len(), 2, "{list} whole, not a page of it");
        rows.iter().zip(&records).for_each(|(row, record)| is_row_of(row, record));
        let csv = as_media(&dealer.office, &path, "text/csv").await.text().to_owned();
        let told: Vec<BTreeMap<String, String>> =
            csv::Reader::from_reader(csv.as_bytes()).deserialize().collect::<Result<_, _>>().unwrap();
        assert_eq!(told.len(), 2, "{csv}");
        told.iter().zip(&rows).for_each(|(line, row)| is_line_of(line, row));
        // No formula is left.
        let is_text = |line: &BTreeMap<String, String>| line["symptom"] == "'=1+1, it stinks";
        assert!(list != "call-outs" || told.iter().all(is_text), "{csv}");
        let parquet = as_media(&dealer.office, &path, "application/vnd.apache.parquet").await;
        let parquet = by_pyarrow(parquet.bytes(), number);
        assert_eq!((&parquet["rows"], parquet["sum"].as_f64().unwrap()), (&json!(2), sum(&records, number)), "{list}");
        assert_eq!(items(&dealer.office, &path).await.len(), 1, "JSON goes on page by page");

        // A customer's people get what their JSON shows, and a filter holds for a table too.
        let records = items(&viewer, &format!("/v1/{list}")).await;
        let rows = lines(&as_media(&viewer, &path, "application/x-ndjson").await);
        assert_eq!((rows.len(), records.len()), (1, 1), "{list}");
        is_row_of(&rows[0], &records[0]);
        assert!(
            rows[0].get("internal_note").is_none_or(Value::is_null) && rows[0].get("lines").is_none_or(Value::is_null)
        );
        let of_other = format!("/v1/{list}?customer_id={}", customers[0]);
        assert_eq!(lines(&as_media(&viewer, &of_other, "application/x-ndjson").await), [Value::Null; 0]);
    }
    let chosen = lines(&as_media(&dealer.office, "/v1/units?fields=id,placement", "application/x-ndjson").await);
    let names: Vec<&String> = chosen[0].as_object().unwrap().keys().collect();
    assert_eq!(names, ["customer_id", "id", "placement_id", "since", "site_id"]);
}

#[tokio::test]
async fn a_table_goes_on_over_all_pages_in_every_order() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let many = format!(
        "insert into site (dealer_id, id, customer_id, name, time_zone, country, created_at, changed_at)
         select {}, gen_random_uuid(), '{customer}', 'Bay ' || lpad(n::text, 4, '0'), 'UTC', 'AT',
                now() - n % 7 * interval '1 day', now() - n % 5 * interval '1 hour'
           from generate_series(1, 1203) n",
        dealer.id
    );
    app.superuser().await.batch_execute(&many).await.unwrap();
    for (sort, key) in [("name", "name"), ("created", "created_at"), ("changed", "changed_at")] {
        let table = as_media(&dealer.office, &format!("/v1/sites?sort={sort}"), "application/x-ndjson").await;
        let rows = lines(&table);
        let ids: BTreeSet<Uuid> = rows.iter().map(id).collect();
        assert_eq!((rows.len(), ids.len()), (1203, 1203), "{sort}: each once");
        assert!(rows.is_sorted_by_key(|row| row[key].as_str().unwrap()), "{sort}");
    }
}

#[tokio::test]
async fn series_have_the_fields_that_are_chosen() {
    let app = TestApp::start().await;
    let (dealer, customers, sites, _) = two_customers(&app).await;
    let (january, site) = ("from=2026-01-05&to=2026-01-06", sites[0]);
    for (path, fields) in [
        ("/v1/readings?from=2026-01-05T00:00:00Z&to=2026-01-06T00:00:00Z".to_owned(), ["read_at", "register"]),
        (format!("/v1/water?{january}&step=day"), ["date", "makeup_l"]),
        (format!("/v1/water?{january}&step=hour&site_id={site}"), ["from", "makeup_l"]),
        (format!("/v1/customers/{}/water-years?from=2026&to=2026", customers[0]), ["site", "withdrawal_l"]),
    ] {
        let whole = items(&dealer.office, &path).await;
        assert!(whole.len() > 1, "{path}");
        // Whichever order they are named in.
        let [one, other] = fields;
        let chosen = items(&dealer.office, &format!("{path}&fields={other},{one}")).await;
        let wanted: Vec<Value> = whole.iter().map(|row| json!({ one: row[one], other: row[other] })).collect();
        assert_eq!(chosen, wanted, "{path}");
        let csv = as_media(&dealer.office, &format!("{path}&fields={other},{one}"), "text/csv").await;
        assert!(csv.text().starts_with(&format!("{one},{other}\r\n")), "{}", csv.text());
    }
}

/// Unpacks what came in a content coding; pyarrow brings the codings' own libraries.
const UNPACK: &str = "
import sys, pyarrow
with open(sys.argv[1], 'rb') as file:
    sys.stdout.buffer.write(pyarrow.CompressedInputStream(pyarrow.BufferReader(file.read()), sys.argv[2]).read())
";

fn unpacked(bytes: &[u8], coding: &str) -> Vec<u8> {
    let folder = Scratch::new();
    let file = format!("{}/packed", folder.path());
    fs::write(&file, bytes).unwrap();
    let output = Command::new(python()).args(["-c", UNPACK, &file, coding]).output().unwrap();
    assert!(output.status.success(), "{coding}: {}", String::from_utf8_lossy(&output.stderr));
    output.stdout
}

/// RFC 9110, section 12.5.3, with the codings of RFC 1952, RFC 7932 and RFC 8878.
#[tokio::test]
async fn readings_are_packed_as_the_request_accepts_it() {
    let app = TestApp::start().await;
    let (dealer, ..) = two_customers(&app).await;
    let path = "/v1/readings?from=2026-01-01T00:00:00Z&to=2026-01-31T00:00:00Z";
    let plain = as_media(&dealer.office, path, "text/csv").await;
    assert_eq!(plain.header("content-encoding"), "");
    for (accepted, coding, name) in [
        ("gzip", "gzip", "gzip"),
        ("br", "br", "brotli"),
        ("zstd", "zstd", "zstd"),
        ("gzip;q=0.5, zstd", "zstd", "zstd"),
    ] {
        let request = dealer.office.request(Method::GET, path).header("accept", "text/csv");
        let packed = dealer.office.send(request.header("accept-encoding", accepted)).await;
        assert_eq!((packed.status(), packed.header("content-encoding")), (200, coding), "{packed:?}");
        assert!(packed.bytes().len() * 4 < plain.bytes().len(), "{coding}: {} bytes", packed.bytes().len());
        assert_eq!(unpacked(packed.bytes(), name), plain.bytes(), "{coding}");
    }
    // What is sent is not unpacked: a few bytes would fill the memory.
    for (path, media) in [("/v1/customers", "application/json"), ("/sign-in", "application/x-www-form-urlencoded")] {
        for coding in ["gzip", "br", "zstd"] {
            let request = dealer.office.request(Method::POST, path).header("content-type", media);
            let answer = dealer.office.send(request.header("content-encoding", coding).body("{}")).await;
            assert_eq!(answer.status(), 415, "{answer:?}");
        }
    }
}

/// A register of ten cubic metres a count, and one that counts no water.
#[tokio::test]
async fn registers_are_told_as_volumes_in_the_units_chosen() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = dealer.unit("W-1").await;
    dealer.place(unit, dealer.site(dealer.customer("Harbour").await, "North").await, "2026-01-01T00:00:00Z").await;
    for (label, stream, kind, multiplier) in [("Main", "makeup", "m3", 10), ("Pump", "run_hours", "h", 1)] {
        let meter = json!({ "label": label, "stream": stream, "unit": kind, "multiplier": multiplier, "digits": 6,
            "read_by": "technician" });
        let new = json!({ "meter": meter, "attachment": { "unit_id": unit, "from": "2026-01-01T00:00:00Z" } });
        let meter = id(&dealer.office.create("/v1/meters", &new).await);
        let reading = json!({ "meter_id": meter, "read_at": "2026-01-02T00:00:00Z", "register": 12.5 });
        dealer.technician.post("/v1/readings", &json!({ "readings": [reading] })).await;
    }
    let path = "/v1/readings?from=2026-01-01T00:00:00Z&to=2026-02-01T00:00:00Z&units=metric";
    let rows = items(&dealer.office, path).await;
    let told = |label: &str| rows.iter().find(|row| row["meter"] == label).unwrap()["volume_l"].clone();
    assert_eq!((rows.len(), told("Main"), told("Pump")), (2, json!(125_000.0), Value::Null));
}

#[tokio::test]
async fn days_and_months_say_how_good_they_are_in_litres_and_gallons() {
    let app = TestApp::start().await;
    let (dealer, customers, sites, _) = two_customers(&app).await;
    let by_day = "/v1/water?from=2026-01-01&to=2026-01-31&step=day";
    let days = items(&dealer.office, by_day).await;
    let own =
        items(&dealer.office, &format!("/v1/sites/{}/water?from=2026-01-01&to=2026-01-31&step=day", sites[1])).await;
    let of_site: Vec<Value> = items(&dealer.office, &format!("{by_day}&site_id={}", sites[1])).await;
    assert_eq!(of_site.len(), own.len());
    for (row, figure) in of_site.iter().zip(&own) {
        assert_eq!((&row["date"], &row["makeup_l"]), (&figure["date"], &figure["amounts"]["makeup_l"]));
        assert_eq!(row["makeup_expanded_l"], figure["expanded"]["makeup_l"]);
        assert_eq!(
            (&row["grade"], &row["coverage"], &row["state"]),
            (&figure["grade"], &figure["coverage"], &json!("live"))
        );
        assert_eq!((&row["wash_l"], &row["customer_id"]), (&Value::Null, &json!(customers[1])));
    }
    let us = items(&dealer.office, &format!("{by_day}&units=us")).await;
    // NIST SP 811: one US gallon is 3.785 411 784 litres.
    let gallons = sum(&days, "makeup_l") / 3.785_411_784;
    assert!((sum(&us, "makeup_gal") - gallons).abs() < 1e-6 * gallons && us[0]["makeup_l"] == Value::Null);
    let parquet =
        by_pyarrow(as_media(&dealer.office, by_day, "application/vnd.apache.parquet").await.bytes(), "makeup_l");
    assert_eq!((&parquet["rows"], parquet["sum"].as_f64().unwrap()), (&json!(days.len()), sum(&days, "makeup_l")));

    let by_month = "/v1/water?from=2026-01-01&to=2026-01-31&step=month";
    let months = items(&dealer.office, by_month).await;
    assert_eq!(
        (months.len(), &months[0]["issued_revision"], &months[0]["date"]),
        (2, &Value::Null, &json!("2026-01-01"))
    );
    assert!((sum(&months, "makeup_l") - sum(&days, "makeup_l")).abs() < 1e-6);
    // By hand: class 2 in service at an unknown flow, 10 % over the root of three, twice; the readings add next to nothing.
    for month in &months {
        let [makeup, expanded] = ["makeup_l", "makeup_expanded_l"].map(|name| month[name].as_f64().unwrap());
        assert!((expanded / makeup - 0.2 / 3_f64.sqrt()).abs() < 1e-3, "{month}");
        assert_eq!(month["wash_expanded_l"], Value::Null, "nothing measures it");
    }
    for (month, site) in months.iter().map(|month| (month, month["site_id"].as_str().unwrap())) {
        let own = format!("/v1/sites/{site}/water?from=2026-01-01&to=2026-01-31&step=month");
        let figure = items(&dealer.office, &own).await.remove(0);
        assert_eq!(figure["expanded"], json!({ "makeup_l": month["makeup_expanded_l"] }), "{figure}");
        for name in ["grade", "coverage", "estimated_share", "open_exceptions"] {
            assert_eq!(figure[name], month[name], "{name}");
        }
    }
    assert!(months[0]["fresh_used_expanded_l"].as_f64().unwrap() > 0.0 && months[0]["recycled_l"] == Value::Null);
    let viewer = dealer.customer_viewer(customers[0]).await;
    let path = report(&viewer, "2026-01").await;
    assert_eq!(issue(&dealer.office, &path).await.status(), 200);
    let own = items(&viewer, by_month).await;
    assert_eq!((own.len(), &own[0]["issued_revision"]), (1, &json!(2)));
    for (query, pointer, code) in [
        ("from=2026-01-02&to=2026-01-01&step=day", "/to", "before_from"),
        ("from=2026-01-01&to=2026-01-02&step=week", "/step", "unknown_step"),
        ("from=2026-01-01&to=2026-01-02&step=hour", "/unit_id", "required"),
        ("from=2026-01-01&to=2026-01-02&step=day&units=imperial", "/units", "unknown_unit_system"),
    ] {
        dealer.office.get(&format!("/v1/water?{query}")).await.refused_for(422, &[(pointer, code)]);
    }
}

#[tokio::test]
async fn hours_add_up_to_their_days_and_say_how_good_they_are() {
    let app = TestApp::start().await;
    let (dealer, customers, sites, _) = two_customers(&app).await;
    let of_january = format!("from=2026-01-01&to=2026-01-31&site_id={}", sites[1]);
    let hours = items(&dealer.office, &format!("/v1/water?{of_january}&step=hour")).await;
    let days = items(&dealer.office, &format!("/v1/water?{of_january}&step=day")).await;
    assert_eq!(hours.len(), 31 * 24 - 1, "the last hour was not read to its end");
    assert!((sum(&hours, "makeup_l") - sum(&days, "makeup_l")).abs() < 1e-6);
    assert_eq!(
        (&hours[0]["date"], &hours[0]["from"], &hours[24]["date"]),
        (&json!("2026-01-01"), &json!("2025-12-31T23:00:00Z"), &json!("2026-01-02"))
    );
    // By hand: class 2 in service at an unknown flow, 10 % over the root of three, and twice a litre's step.
    let expanded = 2.0 * (0.1 / 3_f64.sqrt() * 200.5).hypot((2.0_f64 / 12.0).sqrt());
    for hour in &hours {
        assert!((hour["makeup_l"].as_f64().unwrap() - 200.5).abs() < 1e-6, "{hour}");
        assert!((hour["makeup_expanded_l"].as_f64().unwrap() - expanded).abs() < 1e-6, "{hour}");
        assert_eq!((&hour["coverage"], &hour["estimated_share"]), (&json!(1.0), &json!(0.0)));
        assert_eq!((&hour["grade"], &hour["state"]), (&json!("makeup_only"), &json!("live")));
        assert_eq!((&hour["issued_revision"], &hour["customer_id"]), (&Value::Null, &json!(customers[1])));
    }
    let path = format!("/v1/water?{of_january}&step=hour");
    let parquet =
        by_pyarrow(as_media(&dealer.office, &path, "application/vnd.apache.parquet").await.bytes(), "makeup_l");
    assert_eq!((&parquet["rows"], parquet["sum"].as_f64().unwrap()), (&json!(hours.len()), sum(&hours, "makeup_l")));
    assert_eq!(parquet["first"], json!(["2025-12-31 23:00:00+00:00"]));

    let unit = id(&items(&dealer.office, &format!("/v1/units?site_id={}", sites[1])).await[0]);
    let own = format!("/v1/units/{unit}/water?from=2026-01-05&to=2026-01-05");
    let by_hour = items(&dealer.office, &format!("{own}&step=hour")).await;
    assert_eq!((by_hour.len(), &by_hour[0]["to_at"]), (24, &json!("2026-01-05T00:00:00Z")));
    assert_eq!(by_hour[0]["amounts"]["makeup_l"], hours[4 * 24]["makeup_l"]);
    for step in ["hour", "day", "month"] {
        let [litres, gallons] = [
            items(&dealer.office, &format!("{own}&step={step}")).await.remove(0),
            items(&dealer.office, &format!("{own}&step={step}&units=us")).await.remove(0),
        ];
        // NIST SP 811: one US gallon is 3.785 411 784 litres.
        let ratio =
            litres["amounts"]["makeup_l"].as_f64().unwrap() / gallons["amounts"]["makeup_gal"].as_f64().unwrap();
        assert!((ratio - 3.785_411_784).abs() < 1e-9 && gallons["amounts"].get("makeup_l").is_none(), "{gallons}");
        if step == "month" {
            let of = |figure: &Value, name: &str| figure["balance"][name]["expanded"].as_f64().unwrap();
            let ratio = of(&litres, "fresh_used_l") / of(&gallons, "fresh_used_gal");
            assert!((ratio - 3.785_411_784).abs() < 1e-9, "{gallons}");
        }
        assert_eq!((&litres["issued_revision"], &litres["state"]), (&Value::Null, &json!("live")));
    }
    let viewer = dealer.customer_viewer(customers[1]).await;
    assert_eq!(issue(&dealer.office, &report(&viewer, "2026-01").await).await.status(), 200);
    for step in ["hour", "day", "month"] {
        let figure = items(&viewer, &format!("{own}&step={step}")).await.remove(0);
        assert_eq!(figure["issued_revision"], json!(2), "{step}");
    }
    let stranger = dealer.customer_viewer(customers[0]).await;
    assert_eq!(items(&stranger, &path).await, [Value::Null; 0]);
    stranger.get(&format!("{own}&step=hour")).await.refused(404, "not-found");
    for (query, pointer, code) in [
        ("from=2026-01-01&to=2026-02-01&step=hour", "/to", "too_long"),
        ("from=2026-01-01&to=2026-01-02&step=day&units=imperial", "/units", "unknown_unit_system"),
        ("from=2026-01-01&to=2026-01-02&step=minute", "/step", "unknown_step"),
    ] {
        dealer.office.get(&format!("/v1/units/{unit}/water?{query}")).await.refused_for(422, &[(pointer, code)]);
    }
}

#[tokio::test]
async fn the_guides_script_prints_the_months_of_a_live_service() {
    let app = TestApp::start().await;
    let (dealer, ..) = two_customers(&app).await;
    let email = format!("office-{}@example.com", dealer.id);
    let (script, base) = (repository("openapi/dashboard.py"), app.anyone().base().to_owned());
    let run = tokio::task::spawn_blocking(move || {
        let mut python = Command::new(python());
        python.arg(script).args(["2026", "--once"]);
        python.env("WEIRBOOK_URL", base).env("WEIRBOOK_EMAIL", email).env("WEIRBOOK_PASSWORD", PASSWORD);
        python.output().unwrap()
    });
    let output = run.await.unwrap();
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let lines: Vec<&str> = said.lines().collect();
    assert_eq!(lines.len(), 2, "{said}");
    assert!(lines.iter().all(|line| line.starts_with("2026-01  Bay ") && line.contains("makeup_only")), "{said}");
}
