//! Dues and ages of a large fleet in the night run, and one dealer's lists.

use super::http::{Connection, get};
use super::plans::scanned_by;
use super::setup::{Bench, Outcome};
use chrono::Utc;
use domain::ids::DealerId;
use std::time::Instant;
use weirbook::jobs::night_due;

const UNITS: i32 = 10_000;
const PARTS: i32 = 12;
const ROUTINES: i32 = 6;
const METERS: i32 = 2;
const MONTHS: i32 = 24;
const FIRST_NO: i32 = 2_000_000;
/// A dealer's own fleet, whose lists are asked for.
const OWN_UNITS: i32 = 200;
const REQUESTS: usize = 200;

pub(crate) async fn run(bench: &Bench) -> Outcome {
    bench.make_meters(FIRST_NO, UNITS, METERS).await?;
    let client = bench.superuser().await?;
    client.batch_execute(&fill(bench.dealer)).await?;
    let started = Instant::now();
    let changed = night_due::project(&bench.db, bench.dealer, Utc::now()).await?;
    let first = started.elapsed().as_secs_f64();
    client.batch_execute("vacuum analyze routine").await?;
    let started = Instant::now();
    let again = night_due::project(&bench.db, bench.dealer, Utc::now()).await?;
    println!(
        "dues, all       {first:>10.2} s for {UNITS} units with {ROUTINES} routines, {changed} written; {:.2} s with {again} changed",
        started.elapsed().as_secs_f64()
    );
    let started = Instant::now();
    let ages = ages(bench).await?;
    println!("ages, all       {:>10.2} s for {ages} parts, over HTTP", started.elapsed().as_secs_f64());
    lists(bench).await
}

/// The ages of all parts over HTTP, page by page.
async fn ages(bench: &Bench) -> Outcome<usize> {
    let mut connection = Connection::open(bench.address).await?;
    let (mut told, mut path) = (0, "/v1/components?fitted=true&limit=500".to_owned());
    loop {
        let page: serde_json::Value = serde_json::from_str(&connection.send(&get(&path, &bench.token)).await?)?;
        let parts = page.get("items").and_then(serde_json::Value::as_array).ok_or("a page without items")?;
        told += parts.iter().filter(|part| part.get("age").is_some_and(serde_json::Value::is_object)).count();
        let Some(cursor) = page.get("next_cursor").and_then(serde_json::Value::as_str) else { return Ok(told) };
        path = format!("/v1/components?fitted=true&limit=500&cursor={cursor}");
    }
}

/// A smaller dealer's lists over HTTP: that of all that is due, and that of parts with ages.
async fn lists(bench: &Bench) -> Outcome {
    let client = bench.superuser().await?;
    let sql = format!(
        "update routine set ended_at = now() where unit_id not in (select unit_id from routine group by unit_id order by unit_id limit {OWN_UNITS});
         vacuum analyze routine"
    );
    for statement in sql.split(';') {
        client.batch_execute(statement).await?;
    }
    scanned_by(&client, "meter_month|day_sheet|routine_done|service_event", async || each(bench).await).await
}

async fn each(bench: &Bench) -> Outcome {
    for path in ["/v1/routines-due?within_days=90&limit=500", "/v1/components?fitted=true&limit=100"] {
        let mut connection = Connection::open(bench.address).await?;
        let request = get(path, &bench.token);
        let mut millis = Vec::with_capacity(REQUESTS);
        for _ in 0..REQUESTS {
            let started = Instant::now();
            connection.send(&request).await?;
            millis.push(started.elapsed().as_secs_f64() * 1000.0);
        }
        millis.sort_by(f64::total_cmp);
        let at = |share: usize| millis.get(millis.len() * share / 100).copied().unwrap_or(f64::NAN);
        println!("list            {:>10.1} ms median, {:.1} ms p95  {path}", at(50), at(95));
    }
    Ok(())
}

/// Parts, routines and two years of counted months.
fn fill(dealer: DealerId) -> String {
    format!(
        "begin;
         set local app.dealer_id = '{dealer}';
         update meter set stream = (array['run_hours', 'wash'])[1 + no % 2] where no >= {FIRST_NO};
         insert into meter_month (subject_id, meter_no, month, days, spread_days, upper_day, mean_day)
           select p.id, a.meter_no, m::date, 28, 0, 20, 4 + a.meter_no % 7
             from meter_attachment a join placement p on p.unit_id = a.unit_id
             cross join generate_series(date_trunc('month', now()) - interval '{MONTHS} months',
                                        date_trunc('month', now()) - interval '1 month', interval '1 month') as m
            where a.meter_no >= {FIRST_NO};
         insert into component (id, unit_id, kind, duty, run_basis, rated_life, fitted_at, created_at, changed_at)
           select gen_random_uuid(), u.id, 'kind_' || k, 'timed', (array['hours', 'litres', 'days'])[1 + k % 3], 9000,
                  now() - k * interval '60 days', now(), now()
             from unit u cross join generate_series(1, {PARTS}) as k where u.serial_number like 'B-{FIRST_NO}-%';
         insert into routine (id, unit_id, name, every_days, every_hours, every_litres, rests, checklist, cautions, counts_from, created_at, changed_at)
           select gen_random_uuid(), u.id, 'Work ' || k, 60 * k, case when k % 2 = 0 then 300 * k end,
                  case when k % 3 = 0 then 900 * k end, false, '[]', '[]', now()::date - 40 * k, now(), now()
             from unit u cross join generate_series(1, {ROUTINES}) as k where u.serial_number like 'B-{FIRST_NO}-%';
         commit;
         analyze component, routine, meter_month, meter_attachment, placement, unit, meter"
    )
}
