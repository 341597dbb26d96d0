//! Readings in, through HTTP: history in bulk and one reading a meter, each beside the same
//! rows through the plainest table PostgreSQL can offer.

use super::http::{Connection, post};
use super::setup::{Bench, Outcome, first_day};
use chrono::{DateTime, Duration, NaiveTime, Utc};
use futures_util::{SinkExt, pin_mut};
use std::fmt::Write;
use std::time::Instant;
use tokio_postgres::Client;
use uuid::Uuid;

const METERS: i32 = 600;
const DAYS: i64 = 280;
/// The service takes 50,000.
const READINGS_A_BATCH: i64 = 50_000;
const LIVE_METERS: i32 = 20_000;
const LIVE_ROUNDS: i64 = 12;
const CONNECTIONS: usize = 2;

const ROW_TABLE: &str = "create table if not exists row_reading (
    dealer int4 not null, meter int4 not null, at timestamptz not null, register float8 not null,
    primary key (dealer, meter, at)); truncate row_reading";

pub(crate) async fn run(bench: &Bench) -> Outcome {
    let client = bench.superuser().await?;
    let bulk = fill(bench, DAYS).await?;
    let bytes = bytes_per_reading(&client, bulk.readings).await?;
    let copy = raw_copy(&client, bulk.readings).await?;
    println!(
        "bulk ingest     {:>10.0} readings/s  {:.2} of binary COPY into a plain table with a primary key ({copy:.0}/s)",
        bulk.rate,
        bulk.rate / copy
    );
    println!("stored size     {bytes:>10.1} bytes/reading, heap and index");
    let live = live(bench).await?;
    let (hot, all) = hot_updates(&client).await?;
    let upsert = raw_upsert(&client).await?;
    println!(
        "live ingest     {live:>10.0} readings/s  {:.2} of UNNEST upsert into a plain table ({upsert:.0}/s), {:.0} % heap-only updates",
        live / upsert,
        100.0 * hot / all.max(1.0)
    );
    Ok(())
}

pub(super) struct Rate {
    pub(super) readings: f64,
    rate: f64,
}

fn at(hours: i64) -> DateTime<Utc> {
    first_day().and_time(NaiveTime::MIN).and_utc() + Duration::hours(hours)
}

fn body(meters: &[Uuid], hours: std::ops::Range<i64>) -> Vec<u8> {
    let mut body = String::from(r#"{"readings":["#);
    for meter in meters {
        for hour in hours.clone() {
            let comma = if body.ends_with('[') { "" } else { "," };
            // Writing to a String can't fail.
            let _ = write!(
                body,
                r#"{comma}{{"meter_id":"{meter}","read_at":"{}","register":{}}}"#,
                at(hour).format("%Y-%m-%dT%H:%M:%SZ"),
                hour * 37
            );
        }
    }
    body.push_str("]}");
    body.into_bytes()
}

/// The history of 600 meters that report by the hour, in bulk.
pub(super) async fn fill(bench: &Bench, days: i64) -> Outcome<Rate> {
    let meters = bench.make_meters(1, METERS / 6, 6).await?;
    let hours = 0..days * 24;
    let requests: Vec<Vec<u8>> = meters
        .chunks(usize::try_from(READINGS_A_BATCH / (days * 24))?.max(1))
        .map(|chunk| post("/v1/readings", &bench.token, &body(chunk, hours.clone())))
        .collect();
    let readings = f64::from(METERS) * (days * 24) as f64;
    let seconds = send_all(bench, requests).await?;
    Ok(Rate { readings, rate: readings / seconds })
}

/// Sends the requests over a few connections; seconds taken.
async fn send_all(bench: &Bench, requests: Vec<Vec<u8>>) -> Outcome<f64> {
    let started = Instant::now();
    let mut lanes: Vec<Vec<Vec<u8>>> = vec![Vec::new(); CONNECTIONS];
    for (place, request) in requests.into_iter().enumerate() {
        if let Some(lane) = lanes.get_mut(place % CONNECTIONS) {
            lane.push(request);
        }
    }
    let lanes = lanes.into_iter().map(|lane| async move {
        let mut connection = Connection::open(bench.address).await?;
        for request in lane {
            let answer = connection.send(&request).await?;
            if !answer.contains(r#""rejected":[]"#) {
                return Err(format!("rows were rejected: {}", answer.chars().take(300).collect::<String>()).into());
            }
        }
        Outcome::Ok(())
    });
    futures_util::future::try_join_all(lanes).await?;
    Ok(started.elapsed().as_secs_f64())
}

async fn bytes_per_reading(client: &Client, readings: f64) -> Outcome<f64> {
    let row = client
        .query_one(
            "select sum(pg_total_relation_size(c.oid))::float8 from pg_class c
              where c.relnamespace = 'sheets'::regnamespace and c.relkind = 'r'",
            &[],
        )
        .await?;
    Ok(row.get::<_, f64>(0) / readings)
}

async fn raw_copy(client: &Client, readings: f64) -> Outcome<f64> {
    client.batch_execute(ROW_TABLE).await?;
    let started = Instant::now();
    let sink = client.copy_in::<_, bytes::Bytes>("copy row_reading from stdin (format binary)").await?;
    pin_mut!(sink);
    let mut buffer = bytes::BytesMut::new();
    buffer.extend_from_slice(b"PGCOPY\n\xff\r\n\0\0\0\0\0\0\0\0\0");
    let epoch = DateTime::parse_from_rfc3339("2000-01-01T00:00:00Z")?;
    for hour in 0..DAYS * 24 {
        let microseconds = (at(hour).timestamp() - epoch.timestamp()) * 1_000_000;
        for meter in 0..METERS {
            row(&mut buffer, meter, microseconds, (hour * 37) as f64);
        }
        if buffer.len() > 64 * 1024 {
            sink.send(buffer.split().freeze()).await?;
        }
    }
    buffer.extend_from_slice(&(-1_i16).to_be_bytes());
    sink.send(buffer.freeze()).await?;
    sink.finish().await?;
    Ok(readings / started.elapsed().as_secs_f64())
}

fn row(buffer: &mut bytes::BytesMut, meter: i32, microseconds: i64, register: f64) {
    buffer.extend_from_slice(&4_i16.to_be_bytes());
    for number in [1, meter] {
        buffer.extend_from_slice(&4_i32.to_be_bytes());
        buffer.extend_from_slice(&number.to_be_bytes());
    }
    buffer.extend_from_slice(&8_i32.to_be_bytes());
    buffer.extend_from_slice(&microseconds.to_be_bytes());
    buffer.extend_from_slice(&8_i32.to_be_bytes());
    buffer.extend_from_slice(&register.to_be_bytes());
}

/// Every meter reports once an hour, today.
async fn live(bench: &Bench) -> Outcome<f64> {
    let meters = bench.make_meters(100_000, LIVE_METERS / 5, 5).await?;
    let start = (Utc::now() - at(0)).num_hours() - LIVE_ROUNDS;
    let mut seconds = 0.0;
    for hour in start..start + LIVE_ROUNDS {
        let half = meters.len() / CONNECTIONS;
        let requests =
            meters.chunks(half).map(|chunk| post("/v1/readings", &bench.token, &body(chunk, hour..hour + 1))).collect();
        seconds += send_all(bench, requests).await?;
    }
    Ok(f64::from(LIVE_METERS) * LIVE_ROUNDS as f64 / seconds)
}

async fn hot_updates(client: &Client) -> Outcome<(f64, f64)> {
    client.execute("select pg_stat_force_next_flush()", &[]).await?;
    tokio::time::sleep(std::time::Duration::from_secs(2)).await;
    let row = client
        .query_one(
            "select sum(n_tup_hot_upd)::float8, sum(n_tup_upd)::float8 from pg_stat_user_tables where schemaname = 'sheets'",
            &[],
        )
        .await?;
    Ok((row.get(0), row.get(1)))
}

async fn raw_upsert(client: &Client) -> Outcome<f64> {
    client.batch_execute(ROW_TABLE).await?;
    let statement = client
        .prepare(
            "insert into row_reading select 1, m, $2, r from unnest($1::int4[], $3::float8[]) as g (m, r)
             on conflict (dealer, meter, at) do update set register = excluded.register",
        )
        .await?;
    let meters: Vec<i32> = (0..LIVE_METERS).collect();
    let registers = vec![1.0_f64; meters.len()];
    let started = Instant::now();
    for hour in 0..LIVE_ROUNDS {
        for half in [0, 1] {
            let size = meters.len() / 2;
            let (lo, hi) = (half * size, (half + 1) * size);
            let (meters, registers) =
                (meters.get(lo..hi).unwrap_or_default(), registers.get(lo..hi).unwrap_or_default());
            client.execute(&statement, &[&meters, &at(hour), &registers]).await?;
        }
    }
    Ok(f64::from(LIVE_METERS) * LIVE_ROUNDS as f64 / started.elapsed().as_secs_f64())
}
