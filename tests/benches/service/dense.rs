//! Meters that report every minute, one reading a meter in each request, over a whole day: the
//! cost of a request must not grow with the day. Beside it the same readings in sheets of whole
//! days, which is what a meter has until its first night run.

use super::http::{Connection, post};
use super::setup::{Bench, Outcome, first_day};
use chrono::{Duration, NaiveTime};
use std::fmt::Write;
use std::time::Instant;
use uuid::Uuid;

const METERS: i32 = 100;
const MINUTES: i64 = 24 * 60;
const PARTS: i64 = 6;

pub(crate) async fn run(bench: &Bench) -> Outcome {
    let client = bench.superuser().await?;
    for (first_no, hourly, words) in [(200_000, true, "sheets by the hour"), (210_000, false, "sheets by the day ")] {
        let meters = bench.make_meters(first_no, METERS / 5, 5).await?;
        let from = if hourly { format!("date '{}'", first_day()) } else { "null".to_owned() };
        client
            .batch_execute(&format!(
                "update meter set hourly_from = {from} where no >= {first_no} and no < {first_no} + {METERS}"
            ))
            .await?;
        let seconds = parts_of_a_day(bench, &meters).await?;
        let each: Vec<String> = seconds.iter().map(|seconds| format!("{seconds:.2}")).collect();
        let (first, last) = (seconds.first().copied().unwrap_or(f64::NAN), seconds.last().copied().unwrap_or(f64::NAN));
        println!(
            "every minute    {:>10.0} readings/s in {words}, one a meter and request; s for each sixth of a day: {} ({:.2} times the first)",
            f64::from(METERS) * MINUTES as f64 / seconds.iter().sum::<f64>(),
            each.join(" "),
            last / first
        );
    }
    Ok(())
}

/// Sends a day of readings; the seconds that each part of it took.
async fn parts_of_a_day(bench: &Bench, meters: &[Uuid]) -> Outcome<Vec<f64>> {
    let mut connection = Connection::open(bench.address).await?;
    let mut seconds = Vec::new();
    for part in 0..PARTS {
        let started = Instant::now();
        for minute in part * MINUTES / PARTS..(part + 1) * MINUTES / PARTS {
            let answer = connection.send(&post("/v1/readings", &bench.token, &body(meters, minute))).await?;
            if !answer.contains(r#""rejected":[]"#) {
                return Err(format!("rows were rejected: {}", answer.chars().take(300).collect::<String>()).into());
            }
        }
        seconds.push(started.elapsed().as_secs_f64());
    }
    Ok(seconds)
}

fn body(meters: &[Uuid], minute: i64) -> Vec<u8> {
    let at = first_day().and_time(NaiveTime::MIN).and_utc() + Duration::minutes(minute);
    let at = at.format("%Y-%m-%dT%H:%M:%SZ");
    let mut body = String::from(r#"{"readings":["#);
    for (place, meter) in meters.iter().enumerate() {
        let comma = if place == 0 { "" } else { "," };
        // Writing to a String can't fail.
        let _ = write!(body, r#"{comma}{{"meter_id":"{meter}","read_at":"{at}","register":{}}}"#, minute * 7);
    }
    body.push_str("]}");
    body.into_bytes()
}
