//! The night run, from readings to day and month facts.

use crate::readings::Plant;
use crate::support::{Dealer, TestApp};
use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use std::fmt::Write;
use weirbook::jobs::night_run::{self, NightRunError};

async fn days(app: &TestApp) -> Vec<(String, f64, f32, f32)> {
    let rows = app
        .superuser()
        .await
        .query("select day::text, makeup_l, coverage, estimated_share from day_fact where makeup_l is not null order by day", &[])
        .await
        .unwrap();
    rows.iter().map(|row| (row.get(0), row.get(1), row.get(2), row.get(3))).collect()
}

async fn send(dealer: &Dealer, plant: &Plant, readings: &[(&str, f64)]) {
    let readings: Vec<Value> = readings
        .iter()
        .map(|(at, register)| json!({ "meter_id": plant.meter, "read_at": at, "register": register }))
        .collect();
    let answer = dealer.technician.post("/v1/readings", &json!({ "readings": readings })).await;
    assert_eq!(answer.json()["rejected"], json!([]));
}

/// The series has no readings around these midnights.
const GAP_OVER_MIDNIGHT: [&str; 7] =
    ["2022-04-24", "2022-04-25", "2022-04-26", "2022-05-10", "2022-05-11", "2022-05-12", "2022-05-13"];

/// The hourly flow of the PyPI package river (see tests/data), summed to a register by the
/// trapezoidal rule and read into local days, against an independent integration.
#[tokio::test]
async fn an_open_flow_series_comes_to_its_independent_daily_volumes() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "Europe/Rome", json!({ "digits": 12 })).await;
    let (mut csv, mut register) = ("meter_id,read_at,register\n".to_owned(), 0.0);
    let mut before: Option<(DateTime<Utc>, f64)> = None;
    for line in include_str!("../data/water-flow.csv").lines().skip(1) {
        let (at, flow) = line.split_once(',').unwrap();
        let (at, flow): (DateTime<Utc>, f64) = (at.parse().unwrap(), flow.parse().unwrap());
        if let Some((since, flow_since)) = before {
            register += (at - since).as_seconds_f64() * (flow + flow_since) / 2.0;
        }
        writeln!(csv, "{},{},{register}", plant.meter, at.to_rfc3339()).unwrap();
        before = Some((at, flow));
    }
    let technician = &dealer.technician;
    let post = technician.request(reqwest::Method::POST, "/v1/readings").header("content-type", "text/csv").body(csv);
    assert_eq!(technician.send(post).await.json()["accepted"], json!(1268));
    let counts = app.night(dealer.id, Utc::now()).await;
    assert_eq!((counts.readings, counts.subjects, counts.exceptions), (1268, 1, 0));

    let days = days(&app).await;
    let mut total = 0.0;
    let mut compared = 0;
    for line in include_str!("../data/water-flow-days.csv").lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let wanted_l = fields[3].parse::<f64>().unwrap() * 1000.0;
        let day = days.iter().find(|day| day.0 == fields[0]);
        let got_l = day.map_or(0.0, |day| day.1);
        total += got_l;
        // In a gap over a midnight the register rises evenly and the trapezoid does not, so
        // only the two days together agree; everywhere else the day itself does.
        if !GAP_OVER_MIDNIGHT.contains(&fields[0]) {
            assert!((got_l / wanted_l - 1.0).abs() < 1e-9, "{}: {got_l} L, {wanted_l} L", fields[0]);
            compared += 1;
        }
    }
    assert_eq!(compared, 58 - GAP_OVER_MIDNIGHT.len());
    assert!((total / 497_416_320.0 - 1.0).abs() < 1e-9, "{total}");
    let short = days.iter().find(|day| day.0 == "2022-03-27").unwrap();
    assert_eq!(short.2, 1.0, "a day of 23 hours is covered whole");
}

#[tokio::test]
async fn a_run_computes_what_was_touched_and_the_same_again() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    send(&dealer, &plant, &[("2026-01-05T12:00:00Z", 0.0), ("2026-01-15T12:00:00Z", 1000.0)]).await;
    app.night(dealer.id, Utc::now()).await;
    let first = days(&app).await;
    assert_eq!(first.len(), 11);
    assert_eq!((first[0].1, first[1].1, first[10].1), (50.0, 100.0, 50.0));
    assert_eq!((first[0].2, first[1].2, first[1].3), (0.5, 1.0, 1.0), "spread by assumption");
    let counts = app.night(dealer.id, Utc::now()).await;
    assert_eq!((counts.readings, counts.days), (0, 0), "nothing new, nothing done");
    assert_eq!(days(&app).await, first);

    // A late reading in between divides the step anew; the sum stays.
    send(&dealer, &plant, &[("2026-01-10T12:00:00Z", 100.0)]).await;
    assert_eq!(app.night(dealer.id, Utc::now()).await.readings, 3);
    let later = days(&app).await;
    assert_eq!((later[1].1, later[9].1), (20.0, 180.0));
    assert!((later.iter().map(|day| day.1).sum::<f64>() - 1000.0).abs() < 1e-9);

    // A month later only the end is read again.
    send(&dealer, &plant, &[("2026-02-15T12:00:00Z", 4100.0)]).await;
    app.night(dealer.id, Utc::now()).await;
    let end = days(&app).await;
    assert_eq!(end[..10], later[..10]);
    assert!((end.iter().map(|day| day.1).sum::<f64>() - 4100.0).abs() < 1e-9);
    let months = app
        .superuser()
        .await
        .query("select month::text, (volumes->>'makeup_l')::float8, grade from month_fact order by month", &[])
        .await
        .unwrap();
    assert_eq!(months.len(), 2);
    let sum: f64 = months.iter().map(|row| row.get::<_, f64>(1)).sum();
    assert!((sum - 4100.0).abs() < 1e-9);
    assert_eq!(months[0].get::<_, &str>(2), "makeup_only");
}

#[tokio::test]
async fn a_register_that_went_back_opens_an_exception_and_a_void_of_it_closes() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    let readings = [("2026-01-05T12:00:00Z", 412_350.0), ("2026-01-06T12:00:00Z", 412_300.0)];
    send(&dealer, &plant, &readings).await;
    assert_eq!(app.night(dealer.id, Utc::now()).await.exceptions, 1);
    let client = app.superuser().await;
    let row = client.query_one("select kind, closed_at is null from reading_exception", &[]).await.unwrap();
    assert_eq!((row.get::<_, &str>(0), row.get::<_, bool>(1)), ("reversal", true), "no rollover");
    assert_eq!(days(&app).await.iter().map(|day| day.1).sum::<f64>(), 0.0);

    // The first of the two is found to be wrong and taken out of its sheet.
    client
        .batch_execute(
            "delete from day_sheet where day = '2026-01-05';
        insert into touched select dealer_id, gen_random_uuid(), array_agg(no), '2026-01-05', '2026-01-05'
          from meter group by dealer_id",
        )
        .await
        .unwrap();
    send(&dealer, &plant, &[("2026-01-07T12:00:00Z", 412_400.0)]).await;
    app.night(dealer.id, Utc::now()).await;
    let row = client.query_one("select ruling, closed_at is null from reading_exception", &[]).await.unwrap();
    assert_eq!((row.get::<_, &str>(0), row.get::<_, bool>(1)), ("no_longer_there", false));
}

#[tokio::test]
async fn one_run_at_a_time_for_a_dealer() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let lock = app.db().lock_night(dealer.id).await.unwrap();
    assert!(lock.is_some());
    let second = night_run::run(app.db(), dealer.id, Utc::now(), &|_done, _total| {}).await;
    assert!(matches!(second, Err(NightRunError::AtWork(_))));
    drop(lock);
    let until = std::time::Instant::now() + std::time::Duration::from_secs(10);
    while night_run::run(app.db(), dealer.id, Utc::now(), &|_done, _total| {}).await.is_err() {
        assert!(std::time::Instant::now() < until, "the lock goes with its connection");
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
}
