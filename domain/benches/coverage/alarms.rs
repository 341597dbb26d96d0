//! How often tests of condition are wrong, and how soon they are right.

use crate::{Faults, normal};
use chrono::{Days, NaiveDate};
use domain::condition::days::{Day, Meters, falling_flow};
use domain::condition::steady::{Charts, Found, IN_CONTROL_POINTS, charts};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Days of a pump of 2000 L/h with 3 % noise that loses a share of its flow from a day on.
fn pump(chance: &mut ChaCha8Rng, days: u64, from: u64, lost: f64) -> Vec<Day> {
    let first: NaiveDate = NaiveDate::default();
    let one = |n| {
        let run = chance.random_range(2.0..6.0);
        let flow = 2000.0 * (1.0 + 0.03 * normal(chance)) * if n >= from { 1.0 - lost } else { 1.0 };
        Day { day: first + Days::new(n), wash_l: Some(flow * run), run_h: Some(run), energy_kwh: None, starts: None }
    };
    (0..days).map(one).collect()
}

const ONE_OF_EACH: Meters = Meters { wash: 1, run_hours: 1, energy: 0, starts: 0 };

/// The nights of a unit as the night run has them, which looks back so many days: how often a
/// finding was opened, and on how many of them one was open.
fn nights(days: &[Day], from: usize, charts: &Charts) -> (usize, usize) {
    let (mut opened, mut open_days, mut known): (usize, usize, Vec<Found>) = (0, 0, Vec::new());
    for until in from..=days.len() {
        let seen = days.get(until.saturating_sub(550)..until).unwrap_or_default();
        let today = seen.last().map(|day| day.day);
        let open = known.iter().position(|found| found.until.is_none());
        let Ok(ran) = falling_flow(seen, ONE_OF_EACH, charts.daily, &known) else { continue };
        match (ran.finding, open) {
            (Some(found), None) => {
                opened += 1;
                known.push(Found { since: found.since, until: None });
            }
            (Some(found), Some(at)) => known.iter_mut().skip(at).take(1).for_each(|open| open.since = found.since),
            (None, Some(at)) => known.iter_mut().skip(at).take(1).for_each(|open| open.until = today),
            (None, None) => {}
        }
        open_days += usize::from(ran.finding.is_some());
    }
    (opened, open_days)
}

pub(crate) fn alarms(faults: &mut Faults) {
    let charts = charts().expect("the charts' constants are sound");
    let stated = 365.0 / IN_CONTROL_POINTS;
    let mut chance = ChaCha8Rng::seed_from_u64(25);
    let (units, years) = (400, 3);
    let (mut opened, mut open_days) = (0, 0);
    for _ in 0..units {
        let days = pump(&mut chance, 60 + 365 * years, u64::MAX, 0.0);
        let of_unit = nights(&days, 60, &charts);
        opened += of_unit.0;
        open_days += of_unit.1;
    }
    let unit_years = f64::from(units) * years as f64;
    println!("falling flow, 3 % noise, baseline of 60 days: stated {stated:.2} false alarms a unit-year");
    println!("  {:.3} a unit-year in {unit_years} unit-years; open on {open_days} days", opened as f64 / unit_years);
    let (rate, sd) = (opened as f64 / unit_years, (stated / unit_years).sqrt());
    faults.expect(rate <= stated + 3.0 * sd, || format!("{rate:.3} false alarms a unit-year, {stated:.2} stated"));
    // Days to detect: what the short test holds them to.
    for (lost, days_max) in [(0.05, 15), (0.2, 3)] {
        let mut after: Vec<usize> = (0..1000)
            .map(|_| {
                let days = pump(&mut chance, 200, 100, lost);
                let open = |until: &usize| {
                    let seen = days.get(..*until).unwrap_or_default();
                    falling_flow(seen, ONE_OF_EACH, charts.daily, &[]).is_ok_and(|ran| ran.finding.is_some())
                };
                (101..=200).find(open).map_or(100, |until| until - 100)
            })
            .collect();
        after.sort_unstable();
        let at = |p: usize| after.get(after.len() * p / 100).copied().unwrap_or(0);
        faults.expect(at(50) <= days_max, || format!("{:.0} % lost: found after {} days", 100.0 * lost, at(50)));
        println!("  {:.0} % lost: found after {} days at the median, {} in nine of ten", 100.0 * lost, at(50), at(90));
    }
}
