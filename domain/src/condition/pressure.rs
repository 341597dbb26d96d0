//! Pressure lost across the media: it rises as they clog, and falls when they are washed or
//! changed. Readings tell it where one is of the pressure across them, or two are of the pressures
//! before and after them at about the same time.

use super::baseline::{POINTS_MIN, median};
use super::chart::Cusum;
use super::steady::{Charts, Found, Steady, Wrong};
use super::test::{Outcome, WhyNot};
use crate::named::named;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use std::collections::BTreeMap;

named! {
    /// Where a pressure is read, as its reading's place says it.
    MediaSide as "place" {
        /// Where water enters the media.
        Before = "before media",
        /// Where it leaves them.
        After = "after media",
        /// The difference of the two, by one gauge.
        Across = "across media",
    }
}

/// A pressure that somebody read while the unit ran.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PressureRead {
    /// When.
    pub at: DateTime<Utc>,
    /// The local day of that.
    pub day: NaiveDate,
    /// Where.
    pub side: MediaSide,
    /// What was shown, in kilopascals.
    pub kpa: f64,
}

/// Two readings further apart are not of the same flow (common practice, no source).
const APART: TimeDelta = TimeDelta::minutes(15);
/// A smaller loss tells that nothing flowed, in kilopascals (common practice, no source).
const LOST_KPA_MIN: f64 = 1.0;
/// Readings further apart, in days, make no chart: once a week, and one late now and then.
const APART_DAYS_MAX: f64 = 8.0;
/// From this distance in days on, readings count as weekly.
const WEEKLY_DAYS: f64 = 6.5;

/// Runs the test on readings in order of time. The finding's size is kilopascals above the usual.
///
/// # Errors
/// Why it can't be run.
pub fn pressure_above(readings: &[PressureRead], charts: &Charts, known: &[Found]) -> Outcome {
    let values = lost(readings);
    if values.is_empty() {
        return Err(WhyNot::NoPressure);
    }
    if values.len() < POINTS_MIN {
        return Err(WhyNot::TooFewPressures(values.len()));
    }
    let chart = chart_for(&values, charts)?;
    let steady = Steady { unit: "kPa", values: &values, wrong: Wrong::Rise, spread_max: f64::INFINITY, known };
    steady.run(chart)
}

/// The chart whose stated run length holds for readings so far apart.
fn chart_for(values: &[(NaiveDate, f64)], charts: &Charts) -> Result<Cusum, WhyNot> {
    let days = values.iter().zip(values.iter().skip(1)).map(|(one, next)| (next.0 - one.0).num_days() as f64);
    let apart = median(days).unwrap_or(f64::INFINITY);
    if apart > APART_DAYS_MAX {
        return Err(WhyNot::TooSparse(apart));
    }
    Ok(if apart >= WEEKLY_DAYS { charts.weekly } else { charts.daily })
}

/// The pressure lost on each day on which it was read: the middle of its readings.
fn lost(readings: &[PressureRead]) -> Vec<(NaiveDate, f64)> {
    let of = |side: MediaSide| readings.iter().filter(move |reading| reading.side == side);
    let mut days: BTreeMap<NaiveDate, Vec<f64>> = BTreeMap::new();
    for across in of(MediaSide::Across) {
        days.entry(across.day).or_default().push(across.kpa);
    }
    for after in of(MediaSide::After) {
        let apart = |before: &&PressureRead| (before.at - after.at).abs();
        if let Some(before) = of(MediaSide::Before).min_by_key(apart).filter(|before| apart(before) <= APART) {
            days.entry(after.day).or_default().push(before.kpa - after.kpa);
        }
    }
    let flowing = |values: Vec<f64>| median(values.into_iter().filter(|kpa| *kpa >= LOST_KPA_MIN));
    days.into_iter().filter_map(|(day, values)| Some((day, flowing(values)?))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::condition::steady::charts;
    use chrono::Days;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    fn day(n: u64) -> NaiveDate {
        "2026-01-05".parse::<NaiveDate>().unwrap() + Days::new(n)
    }

    fn read(n: u64, minute: u32, side: MediaSide, kpa: f64) -> PressureRead {
        let at = day(n).and_hms_opt(9, minute, 0).unwrap().and_utc();
        PressureRead { at, day: day(n), side, kpa }
    }

    /// A loss of 40 kPa that grows by half from a reading on, read every `apart` days.
    fn clogging(apart: u64, count: u64, from: u64) -> Vec<PressureRead> {
        let mut chance = ChaCha8Rng::seed_from_u64(4);
        let mut one = |n: u64| {
            let lost = 40.0 + chance.random_range(-4.0..4.0) + if n >= from { 20.0 } else { 0.0 };
            let after = chance.random_range(150.0..160.0);
            [read(n * apart, 0, MediaSide::Before, after + lost), read(n * apart, 5, MediaSide::After, after)]
        };
        (0..count).flat_map(&mut one).collect()
    }

    #[test]
    fn clogging_media_are_found_and_washed_ones_are_sound_again() {
        let charts = charts().unwrap();
        for apart in [1, 7] {
            let sound = pressure_above(&clogging(apart, 60, 60), &charts, &[]).unwrap();
            assert_eq!(sound.finding, None, "{apart}");
            let found = pressure_above(&clogging(apart, 60, 45), &charts, &[]).unwrap().finding.unwrap();
            assert!((found.size - 20.0).abs() < 3.0, "{found:?}");
            assert!((found.since - day(45 * apart)).num_days().abs() <= 3 * i64::try_from(apart).unwrap(), "{found:?}");
            let mut washed = clogging(apart, 80, 45);
            for reading in washed.iter_mut().filter(|one| one.day >= day(55 * apart) && one.side == MediaSide::Before) {
                reading.kpa -= 20.0;
            }
            assert_eq!(pressure_above(&washed, &charts, &[]).unwrap().finding, None);
        }
    }

    #[test]
    fn readings_that_tell_no_loss_make_no_chart() {
        let charts = charts().unwrap();
        let run = |readings: &[PressureRead]| pressure_above(readings, &charts, &[]).unwrap_err();
        let alone: Vec<_> = (0..60).map(|n| read(n, 0, MediaSide::Before, 190.0)).collect();
        assert_eq!(run(&alone), WhyNot::NoPressure, "nothing after the media");
        let late = |n| [read(n, 0, MediaSide::Before, 190.0), read(n, 20, MediaSide::After, 150.0)];
        assert_eq!(run(&(0..60).flat_map(late).collect::<Vec<_>>()), WhyNot::NoPressure, "20 minutes apart");
        let still = |n| [read(n, 0, MediaSide::Before, 150.0), read(n, 1, MediaSide::After, 150.0)];
        assert_eq!(run(&(0..60).flat_map(still).collect::<Vec<_>>()), WhyNot::NoPressure, "nothing flows");
        assert_eq!(run(&clogging(1, 19, 60)), WhyNot::TooFewPressures(19));
        assert_eq!(run(&clogging(30, 24, 60)), WhyNot::TooSparse(30.0));
        let across: Vec<_> = (0..30).map(|n| read(n, 0, MediaSide::Across, 40.0 + (n % 3) as f64)).collect();
        assert_eq!(pressure_above(&across, &charts, &[]).unwrap().usual, 41.0);
    }
}
