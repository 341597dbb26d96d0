//! The risk step of a night run: twelve running parts in each unit, as many again that were taken
//! out, hour counters of three years. `WEIRBOOK_BENCH_UNITS` makes the fleet smaller.
//!
//! The goals are 5 seconds for 10,000 units on two cores, and 200 MiB.

use super::night::{peak_mib, reset_peak};
use super::setup::{Bench, Outcome};
use chrono::Utc;
use std::time::Instant;
use weirbook::jobs::night_risk;

const UNITS: i32 = 10_000;
const FIRST_NO: i32 = 900_000;

pub(crate) async fn run(bench: &Bench) -> Outcome {
    let units = std::env::var("WEIRBOOK_BENCH_UNITS").ok().and_then(|units| units.parse().ok()).unwrap_or(UNITS);
    bench.make_meters(FIRST_NO, units, 1).await?;
    fill(bench, units).await?;
    for what in ["risk step", "risk step again"] {
        reset_peak()?;
        let before = peak_mib()?;
        let started = Instant::now();
        night_risk::forecast(&bench.db, bench.dealer, Utc::now()).await?;
        let seconds = started.elapsed().as_secs_f64();
        println!(
            "{what:<15} {seconds:>10.2} s for {units} units; {:.0} MiB most memory of this process, {:.0} more than before",
            peak_mib()?,
            peak_mib()? - before
        );
    }
    let client = bench.superuser().await?;
    let row =
        client.query_one("select count(*), count(p_30), (select count(*) from life_model) from forecast", &[]).await?;
    let (parts, forecast, groups): (i64, i64, i64) = (row.get(0), row.get(1), row.get(2));
    println!("                {parts:>10} parts, {forecast} with a forecast, by {groups} groups");
    Ok(())
}

/// Lives spread evenly over a Weibull of shape 2 and 9,000 h or 900 days; a third ended in good
/// order, some were found worn out between two inspections, some were old when they came.
async fn fill(bench: &Bench, units: i32) -> Outcome {
    let client = bench.superuser().await?;
    let dealer = bench.dealer;
    client
        .batch_execute(&format!(
            "begin;
             set local app.dealer_id = '{dealer}';
             update meter set stream = 'run_hours', unit = 'h' where dealer_id = {dealer};
             insert into meter_month (subject_id, meter_no, month, days, spread_days, upper_day, mean_day)
               select p.id, a.meter_no, date_trunc('month', now())::date - make_interval(months => g), 28, 0, 12,
                      8 + 4 * sin(g)
                 from meter_attachment a join placement p on p.unit_id = a.unit_id
                 cross join generate_series(1, 36) as g
                where a.dealer_id = {dealer};
             with lives as (
               select p.unit_id, k, n, (n * 0.618033988749895) % 1 as even, ((n * 7 + k) * 0.754877666246693) % 1 as cut
                 from (select unit_id, row_number() over (order by unit_id) as n from placement
                        where dealer_id = {dealer}) p
                 cross join generate_series(1, 24) as k),
             aged as (
               select *, least(900 * sqrt(-ln(1 - (even * 0.98 + k * 0.0005))), 1000) as life_days from lives)
             insert into component (id, unit_id, kind, model, duty, run_basis, rated_life, age_at_fitting, fitted_at,
                                    last_good_at, out_at, out_why, created_at, changed_at)
               select gen_random_uuid(), unit_id, 'part_' || (k % 12), 'model ' || (n % 3),
                      (array['continuous', 'on_demand', 'timed'])[1 + k % 3], case when k % 2 = 0 then 'hours' else 'days' end,
                      case when k % 4 > 0 then 8000 end, case when n % 5 = 0 then 100 else 0 end, ended - span,
                      case when k > 12 and why = 'worn_out_found' then ended - span / 4 end,
                      case when k > 12 then ended end, case when k > 12 then why end, ended - span, now()
                 from (select *, now() - case when k > 12 then make_interval(days => (cut * 90)::int) else '0' end as ended,
                              make_interval(secs => 86400 * (1 + case when k > 12 then life_days else life_days * cut end)) as span,
                              (array['failed', 'failed', 'worn_out_found', 'preventive'])[1 + (n + k) % 4] as why
                         from aged) as a;
             commit;
             analyze component; analyze meter_month; analyze placement; analyze unit"
        ))
        .await?;
    println!("                {:>10} units filled", units);
    Ok(())
}
