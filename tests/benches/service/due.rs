//! Dues and ages of a large fleet in the night run, and one dealer's lists.

use super::http::{Connection, get, latencies};
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
pub(super) const FIRST_NO: i32 = 2_000_000;
/// A dealer's own fleet, whose lists are asked for.
const OWN_UNITS: i32 = 200;

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
    client.batch_execute(&history(bench.dealer)).await?;
    let unit: String = client
        .query_one(
            "select unit_id::text from routine where dealer_id = $1 and ended_at is null limit 1",
            &[&bench.dealer.0],
        )
        .await?
        .get(0);
    scanned_by(&client, HISTORY, async || each(bench, &unit).await).await
}

/// What grows without end of what these pages could read.
const HISTORY: &str = "meter_month|day_sheet|routine_done|service_event|sample|gauge_reading|visit";

async fn each(bench: &Bench, unit: &str) -> Outcome {
    let of_unit = [format!("/units/{unit}"), format!("/v1/service-events?unit_id={unit}")];
    let lists =
        ["/v1/routines-due?within_days=90&limit=500", "/v1/components?fitted=true&limit=100", "/due", "/week", "/risk"];
    for path in lists.into_iter().chain(of_unit.iter().map(String::as_str)) {
        let (middle, most) = latencies(bench, path).await?;
        println!("list            {middle:>10.1} ms median, {most:.1} ms p95  {path}");
    }
    Ok(())
}

/// Parts, routines and two years of counted months.
pub(super) fn fill(dealer: DealerId) -> String {
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

/// A year of work at the units and of what was measured there: what pages must not read through.
fn history(dealer: DealerId) -> String {
    format!(
        "select app.make_month((now() - interval '20 days')::date);
         select app.make_month(now()::date);
         begin;
         set local app.dealer_id = '{dealer}';
         create temporary table own on commit drop as
           select u.id as unit, p.site_id, p.customer_id from unit u join placement p on p.dealer_id = u.dealer_id and p.unit_id = u.id
            where u.dealer_id = {dealer};
         insert into routine_done (routine_id, n, done_on, checked, created_at)
           select id, n, now()::date - 100 * n, '[]', now() from routine cross join generate_series(1, 3) as n where dealer_id = {dealer};
         insert into service_event (id, revision, unit_id, at, kind, details, created_at)
           select gen_random_uuid(), 1, unit, now() - n * interval '60 days', 'visit', '{{}}', now() from own cross join generate_series(1, 6) as n;
         insert into sample (id, unit_id, at, point, what, value, unit, created_at)
           select gen_random_uuid(), unit, now() - n * interval '40 days', 'Tank', 'ph', 7, 'ph', now() from own cross join generate_series(1, 9) as n;
         insert into gauge_reading (id, unit_id, at, gauge, value, unit, created_at)
           select gen_random_uuid(), unit, now() - n * interval '40 days', 'level', 900, 'l', now() from own cross join generate_series(1, 9) as n;
         insert into visit (id, unit_id, site_id, customer_id, at, record, created_at, changed_at)
           select gen_random_uuid(), unit, site_id, customer_id, now() - n * interval '60 days',
                  jsonb_build_object('site_id', site_id, 'unit_id', unit, 'purpose', '[\"Service\"]'::jsonb, 'state', 'done',
                    'when', jsonb_build_object('day', (now() - n * interval '60 days')::date, 'from', null, 'to', null),
                    'technician_id', null, 'moves', '[]'::jsonb, 'event_id', null), now(), now()
             from own cross join generate_series(1, 6) as n;
         insert into day_sheet (meter_no, day, at, register)
           select m.no, now()::date - n, '{{3600}}', array[1000.0 * (20 - n)] from meter m cross join generate_series(1, 15) as n
            where m.dealer_id = {dealer};
         commit;
         analyze routine_done; analyze service_event; analyze sample; analyze gauge_reading; analyze visit; analyze day_sheet"
    )
}
