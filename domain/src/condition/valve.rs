//! A fill valve that does not close: make-up in the hours in which nobody washes, above what
//! evaporates, over more than the fills that a float owes. A balance of litres, not a chart with a
//! run length: a float fills in steps, so that most nights pass nothing and some a whole fill.

use super::baseline::{POINTS_MIN, median};
use super::hours::Idle;
use super::steady::{BASELINE_POINTS, open_from};
use super::test::{ChartPoint, Finding, Outcome, POINTS_SHOWN, Ran, WhyNot};

/// What may evaporate in an hour at least, in litres: 30 m2 of open water that lose 8 mm a day
/// (common practice, no source).
const EVAPORATION_L_PER_H: f64 = 10.0;
/// Midsummer's evaporation over that of the nights before (common practice, no source).
const SEASON: f64 = 2.0;
/// Fills that may fall into idle hours by chance.
const FILLS: f64 = 2.0;
/// Least fill of a float, in litres (common practice, no source).
const FILL_L_MIN: f64 = 100.0;
/// More than any fill valve passes in a night, in litres.
const NIGHT_L_MAX: f64 = 1e7;
/// Nights whose rates are averaged, so that one fill does not make the usual.
const NIGHTS_A_BLOCK: usize = 7;

/// Runs the test on nights in order of time. The finding's size is litres a day above what was
/// usual before.
///
/// # Errors
/// Why it can't be run.
pub fn passing(nights: &[Idle]) -> Outcome {
    let sound = |night: &&Idle| (1.0..=25.0).contains(&night.hours) && (0.0..=NIGHT_L_MAX).contains(&night.makeup_l);
    let nights: Vec<Idle> = nights.iter().filter(sound).copied().collect();
    let first = nights.get(..BASELINE_POINTS.min(nights.len())).unwrap_or_default();
    if first.len() < POINTS_MIN {
        return Err(WhyNot::TooFewNights(first.len()));
    }
    Ok(balance(&nights, first))
}

/// The balance over idle stretches in order of time, of which the first ones tell what is usual; nothing is
/// usual where there are none.
pub(super) fn balance(nights: &[Idle], first: &[Idle]) -> Ran {
    let usual = median(first.chunks(NIGHTS_A_BLOCK).map(rate)).unwrap_or(0.0).max(0.0);
    let allowed = (SEASON * usual).max(EVAPORATION_L_PER_H);
    // The middle of the nights with a fill: one slip must not hide what follows it.
    let fill = median(first.iter().map(|night| night.makeup_l).filter(|litres| *litres > 0.0)).unwrap_or(0.0);
    let limit = FILLS * fill.max(FILL_L_MIN);
    let mut above = 0.0_f64;
    let sum = |night: &Idle| {
        let now = (above + night.makeup_l - allowed * night.hours).max(0.0);
        above = now.min(limit);
        now
    };
    let sums: Vec<f64> = nights.iter().map(sum).collect();
    let finding = open_from(&sums, limit).and_then(|from| {
        let since = nights.get(from..)?;
        Some(Finding { since: since.first()?.day, size: 24.0 * (rate(since) - usual) })
    });
    let points = nights.iter().zip(&sums).map(|(night, statistic)| ChartPoint {
        day: night.day,
        value: night.makeup_l / night.hours,
        statistic: *statistic,
    });
    let points = points.skip(nights.len().saturating_sub(POINTS_SHOWN)).collect();
    Ran { unit: "L/h", usual, limit, points, finding, about: None }
}

/// Litres an hour over nights.
fn rate(nights: &[Idle]) -> f64 {
    let hours: f64 = nights.iter().map(|night| night.hours).sum();
    nights.iter().map(|night| night.makeup_l / hours).sum()
}
