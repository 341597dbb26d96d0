//! A quantity by day that should stay what it was in the first clean days: a one-sided CUSUM.

use super::baseline::{Baseline, POINTS_MIN, by_weekday, median};
use super::chart::Cusum;
use super::run_length::cusum_limit;
use super::test::{ChartPoint, Finding, Outcome, POINTS_SHOWN, Ran, WhyNot};
use chrono::{Datelike, NaiveDate};

/// Points until a false alarm on average, where the baseline is known: of daily points, one in ten
/// years of a unit.
pub const IN_CONTROL_POINTS: f64 = 3650.0;
/// The shift that the chart is made for, in standard deviations.
pub const SHIFT: f64 = 1.0;
/// Points that the baseline is made from, the first ones.
pub const BASELINE_POINTS: usize = 60;
/// Least deviation, as a share of the mean: two meters in service agree no better from day to day
/// (common practice, no source).
const SD_SHARE_MIN: f64 = 0.02;

/// No meter counts more in a day.
const VALUE_MAX: f64 = 1e12;

/// Which way is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wrong {
    /// More than usual.
    Rise,
    /// Less than usual.
    Fall,
}

/// The chart that all such tests use; none only if its own constants make none.
#[must_use]
pub fn chart() -> Option<Cusum> {
    let k = SHIFT / 2.0;
    Some(Cusum { k, h: cusum_limit(k, IN_CONTROL_POINTS)? })
}

/// A test of daily values in order of time.
#[derive(Debug, Clone, Copy)]
pub struct Steady<'a> {
    /// In what they are.
    pub unit: &'static str,
    /// The values of clean days.
    pub values: &'a [(NaiveDate, f64)],
    /// Which way is wrong.
    pub wrong: Wrong,
    /// The most that values may usually deviate, as a share of their mean.
    pub spread_max: f64,
}

impl Steady<'_> {
    /// Runs it. The finding's size is the mean change since it began, in the unit.
    ///
    /// # Errors
    /// Why it can't be run.
    pub fn run(&self, chart: Cusum) -> Outcome {
        let clean: Vec<(NaiveDate, f64)> =
            self.values.iter().copied().filter(|(_, value)| value.abs() <= VALUE_MAX).collect();
        let first = clean.get(..BASELINE_POINTS.min(clean.len())).unwrap_or_default();
        let weekdays = by_weekday(first);
        let level = |day: NaiveDate| weekdays.get(&day.weekday().num_days_from_monday()).copied().unwrap_or(0.0);
        let adjusted = |(day, value): &(NaiveDate, f64)| value - level(*day);
        let few = WhyNot::TooFew(clean.len());
        let usual = Baseline::of(&first.iter().map(adjusted).collect::<Vec<_>>()).ok_or(few)?;
        let spread = usual.sd / usual.mean.abs();
        if spread > self.spread_max {
            return Err(WhyNot::NotSteady(spread));
        }
        let usual = usual.at_least(SD_SHARE_MIN * usual.mean.abs());
        let z: Option<Vec<f64>> = clean.iter().map(|point| usual.standardised(adjusted(point))).collect();
        let sums: Vec<f64> = chart.points(&z.ok_or(WhyNot::Still)?).iter().map(|point| self.side(*point)).collect();
        let finding = open_from(&sums, chart.h).and_then(|from| {
            let size = median(clean.iter().skip(from).map(adjusted))? - usual.mean;
            Some(Finding { since: clean.get(from)?.0, size })
        });
        let points = clean.iter().zip(&sums).map(|(point, statistic)| ChartPoint {
            day: point.0,
            value: point.1,
            statistic: *statistic,
        });
        let points = points.skip(clean.len().saturating_sub(POINTS_SHOWN)).collect();
        Ok(Ran { unit: self.unit, usual: usual.mean, limit: chart.h, points, finding })
    }

    fn side(&self, point: super::chart::Point) -> f64 {
        match self.wrong {
            Wrong::Rise => point.upper,
            Wrong::Fall => point.lower,
        }
    }
}

/// Where what the chart found began: the point after the last at which the sum was zero, if it
/// was beyond the limit since.
#[must_use]
pub fn open_from(sums: &[f64], limit: f64) -> Option<usize> {
    let from = sums.iter().rposition(|sum| *sum <= 0.0).map_or(0, |zero| zero + 1);
    sums.get(from..)?.iter().any(|sum| *sum > limit).then_some(from)
}

const _: () = assert!(BASELINE_POINTS >= POINTS_MIN);
