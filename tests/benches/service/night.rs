//! The night run over 26 million readings, from the database to day facts.

use super::setup::{Bench, Outcome, first_day};
use chrono::Utc;
use std::sync::OnceLock;
use std::time::Instant;
use weirbook::jobs::night_run;

const UNITS: i32 = 500;
const METERS_A_UNIT: i32 = 6;
const DAYS: i32 = 365;
const FIRST_NO: i32 = 500_000;

pub(crate) async fn run(bench: &Bench) -> Outcome {
    bench.make_meters(FIRST_NO, UNITS, METERS_A_UNIT).await?;
    fill(bench).await?;
    let readings = f64::from(UNITS * METERS_A_UNIT * DAYS * 24);
    let bare = bare_read(bench).await?;
    reset_peak()?;
    let started = Instant::now();
    let facts_done = OnceLock::new();
    let progress = |done, total| {
        if done == total && total > 0 {
            facts_done.get_or_init(|| started.elapsed().as_secs_f64());
        }
    };
    let counts = night_run::run(&bench.db, bench.dealer, Utc::now(), &progress).await?;
    let whole = started.elapsed().as_secs_f64();
    let seconds = facts_done.get().copied().unwrap_or(whole);
    println!(
        "night run       {seconds:>10.2} s for {:.1} M readings ({:.1} M/s), {} day facts; {:.2} of the time of COPY to nowhere ({bare:.2} s)",
        counts.readings as f64 / 1e6,
        counts.readings as f64 / seconds / 1e6,
        counts.days,
        seconds / bare
    );
    println!(
        "                {:>10.0} MiB most memory of this process; {readings:.0} readings expected; {whole:.2} s with {} reports",
        peak_mib()?,
        counts.reports
    );
    let started = Instant::now();
    let again = night_run::run(&bench.db, bench.dealer, Utc::now(), &|_done, _total| {}).await?;
    println!("night run again {:>10.2} s, {} readings", started.elapsed().as_secs_f64(), again.readings);
    Ok(())
}

/// Writes the sheets as the superuser: what is measured here is the way out.
async fn fill(bench: &Bench) -> Outcome {
    let client = bench.superuser().await?;
    let (dealer, first) = (bench.dealer, first_day());
    client
        .batch_execute(&format!(
            "select app.make_month(m::date) from generate_series(date '{first}', date '{first}' + {DAYS}, '1 month') as m;
             insert into day_sheet (dealer_id, meter_no, day, at, register)
               select {dealer}, {FIRST_NO} + m, date '{first}' + d,
                      array(select h * 3600 from generate_series(0, 23) as h),
                      array(select (d * 24 + h) * 41.5 from generate_series(0, 23) as h)
                 from generate_series(0, {UNITS} * {METERS_A_UNIT} - 1) as m
                 cross join generate_series(0, {DAYS} - 1) as d;
             insert into touched (dealer_id, id, meter_nos, from_day, to_day)
               select {dealer}, gen_random_uuid(), array_agg({FIRST_NO} + m), date '{first}', date '{first}' + {DAYS} - 1
                 from generate_series(0, {UNITS} * {METERS_A_UNIT} - 1) as m;
             analyze day_sheet"
        ))
        .await?;
    Ok(())
}

/// What the server needs to read and send the same sheets.
async fn bare_read(bench: &Bench) -> Outcome<f64> {
    let client = bench.superuser().await?;
    let started = Instant::now();
    client
        .batch_execute(&format!(
            "copy (select meter_no, day, at, register from day_sheet where meter_no >= {FIRST_NO}
                   order by dealer_id, meter_no, day) to program 'cat > /dev/null' (format binary)"
        ))
        .await?;
    Ok(started.elapsed().as_secs_f64())
}

/// Linux counts the peak anew after this.
pub(crate) fn reset_peak() -> Outcome {
    Ok(std::fs::write("/proc/self/clear_refs", "5")?)
}

pub(crate) fn peak_mib() -> Outcome<f64> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).ok_or("no VmHWM")?;
    Ok(line.trim().trim_end_matches(" kB").parse::<f64>()? / 1024.0)
}
