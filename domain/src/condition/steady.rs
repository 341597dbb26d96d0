//! A quantity by day that should stay what it was in the first clean days: a one-sided CUSUM.
//!
//! Each weekday has a level of its own where the first days have enough of it. A season comes
//! again: where the weeks about the same one of the year before are known, a day is held against them.
//! In the first year nothing tells a season from a fault; what lasted no longer than half of those
//! weeks is no season. Days of a finding that ended are no part of what is usual, and days of one that
//! goes on are no season.

use super::baseline::{Baseline, POINTS_MIN, by_weekday, median};
use super::chart::Cusum;
use super::run_length::cusum_limit;
use super::test::{ChartPoint, Finding, Outcome, POINTS_SHOWN, Ran, WhyNot};
use chrono::{Datelike, NaiveDate};

/// Points until a false alarm on average, where the baseline is known: of daily points, one in ten
/// years of a unit.
pub const IN_CONTROL_POINTS: f64 = 3650.0;
/// The same of weekly points.
pub const IN_CONTROL_WEEKS: f64 = 520.0;
/// The shift that the chart is made for, in standard deviations.
pub const SHIFT: f64 = 1.0;
/// Points that the baseline is made from, the first ones.
pub const BASELINE_POINTS: usize = 60;
/// Least deviation, as a share of the mean: two meters in service agree no better from day to day
/// (common practice, no source).
const SD_SHARE_MIN: f64 = 0.02;

/// How far the middle of n points may be off, as deviations over the root of n, that is allowed for:
/// without it the error of the middle is in every point. `benches/coverage` counts the false alarms
/// on 60 points.
const ALLOWED: f64 = 1.5;
/// By how much the deviation that n points show is widened, in parts of 1/n: it is too small as often as it is
/// too large, and where it is too small alarms come far sooner than stated. Chosen with the same bench: on 60
/// points it counts 0.09 false alarms a unit-year where 0.10 are stated; without widening, and with half of a
/// deviation less allowed for, it counted 0.55.
const WIDENED: f64 = 9.0;

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

/// The charts that all such tests use.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Charts {
    /// Of points a day apart, or a few days.
    pub daily: Cusum,
    /// Of points a week apart.
    pub weekly: Cusum,
}

/// The charts; none only if their own constants make none.
#[must_use]
pub fn charts() -> Option<Charts> {
    let k = SHIFT / 2.0;
    let of = |points| Some(Cusum { k, h: cusum_limit(k, points)? });
    Some(Charts { daily: of(IN_CONTROL_POINTS)?, weekly: of(IN_CONTROL_WEEKS)? })
}

/// Local days on which such a test had found something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Found {
    /// The first.
    pub since: NaiveDate,
    /// The last; none while it goes on.
    pub until: Option<NaiveDate>,
}

impl Found {
    fn holds(&self, day: NaiveDate) -> bool {
        self.since <= day && self.until.is_none_or(|until| day <= until)
    }
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
    /// What the test found on earlier nights.
    pub known: &'a [Found],
}

impl Steady<'_> {
    /// Runs it. The finding's size is the mean change since it began, in the unit.
    ///
    /// # Errors
    /// Why it can't be run.
    pub fn run(&self, chart: Cusum) -> Outcome {
        let clean: Vec<(NaiveDate, f64)> =
            self.values.iter().copied().filter(|(_, value)| value.abs() <= VALUE_MAX).collect();
        // What goes on is not left out: where it never ends it must become the usual some day.
        let ended = |day| self.known.iter().any(|found| found.until.is_some() && found.holds(day));
        let first: Vec<_> = clean.iter().copied().filter(|(day, _)| !ended(*day)).take(BASELINE_POINTS).collect();
        let weekdays = by_weekday(&first);
        let level = |day: NaiveDate| weekdays.get(&day.weekday().num_days_from_monday()).copied().unwrap_or(0.0);
        let on_any_weekday = |(day, value): &(NaiveDate, f64)| value - level(*day);
        let few = WhyNot::TooFew(first.len());
        let usual = Baseline::of(&first.iter().map(on_any_weekday).collect::<Vec<_>>()).ok_or(few)?;
        let spread = usual.sd / usual.mean.abs();
        if spread > self.spread_max {
            return Err(WhyNot::NotSteady(spread));
        }
        let usual = usual.at_least(SD_SHARE_MIN * usual.mean.abs());
        let usual = Baseline { sd: usual.sd * (1.0 + WIDENED / first.len() as f64), ..usual };
        let goes_on = |day| self.known.iter().any(|found| found.until.is_none() && found.holds(day));
        let sound = clean.iter().filter(|(day, _)| !goes_on(*day));
        let past = sound.map(|point| (point.0, on_any_weekday(point))).collect();
        let season = Season { past, usual: Level { off: 0.0, points: first.len() }, mean: usual.mean };
        let levels = season.levels(&clean);
        let adjusted: Vec<f64> =
            clean.iter().zip(&levels).map(|(point, level)| on_any_weekday(point) - level.off).collect();
        let z: Option<Vec<f64>> = adjusted.iter().map(|value| usual.standardised(*value)).collect();
        let allowed = |level: &Level| ALLOWED / (level.points as f64).sqrt();
        let z = z.map(|z| z.iter().zip(&levels).map(|(z, level)| self.nearer(*z, allowed(level))).collect::<Vec<_>>());
        let sums: Vec<f64> =
            chart.held_points(&z.ok_or(WhyNot::Still)?).iter().map(|point| self.side(*point)).collect();
        let finding = open_from(&sums, chart.h).and_then(|from| {
            let size = median(adjusted.iter().skip(from).copied())? - usual.mean;
            Some(Finding { since: clean.get(from)?.0, size })
        });
        let points = clean.iter().zip(&sums).map(|(point, statistic)| ChartPoint {
            day: point.0,
            value: point.1,
            statistic: *statistic,
        });
        let points = points.skip(clean.len().saturating_sub(POINTS_SHOWN)).collect();
        Ok(Ran { unit: self.unit, usual: usual.mean, limit: chart.h, points, finding, about: None })
    }

    /// A standardised value with what the middle may be off by taken from it, on the wrong side.
    fn nearer(&self, z: f64, allowed: f64) -> f64 {
        match self.wrong {
            Wrong::Rise => z - allowed,
            Wrong::Fall => z + allowed,
        }
    }

    fn side(&self, point: super::chart::Point) -> f64 {
        match self.wrong {
            Wrong::Rise => point.upper,
            Wrong::Fall => point.lower,
        }
    }
}

/// What was a year before.
struct Season {
    /// Days in order.
    past: Vec<(NaiveDate, f64)>,
    /// Where that is not known.
    usual: Level,
    mean: f64,
}

/// What a day is held against.
#[derive(Debug, Clone, Copy)]
struct Level {
    /// How far it lies from the mean.
    off: f64,
    /// The points that tell it.
    points: usize,
}

/// Weeks of a year, so that weekdays meet.
const YEAR_DAYS: i64 = 364;
/// Days about the same one of the year before that tell its season: the median of so many follows a
/// season, and a fault of up to half of them does not move it.
const ABOUT_DAYS: i64 = 15;

impl Season {
    /// How far the weeks about the same one of the year before lay from the mean, for each of some
    /// days in order; the usual where they are not known well enough.
    fn levels(&self, days: &[(NaiveDate, f64)]) -> Vec<Level> {
        let (mut of_week, mut level) = (None, self.usual);
        let each = days.iter().map(|(day, _)| {
            let week = day.num_days_from_ce().div_euclid(7);
            if of_week.replace(week) != Some(week) {
                level = self.level(i64::from(week) * 7 + 3 - YEAR_DAYS).unwrap_or(self.usual);
            }
            level
        });
        each.collect()
    }

    fn level(&self, middle: i64) -> Option<Level> {
        let before = |end: i64| self.past.partition_point(|(day, _)| i64::from(day.num_days_from_ce()) < end);
        let about = self.past.get(before(middle - ABOUT_DAYS)..before(middle + ABOUT_DAYS + 1))?;
        let known = about.len() >= POINTS_MIN;
        let off = median(about.iter().filter(|_| known).map(|point| point.1))? - self.mean;
        Some(Level { off, points: about.len() })
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

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::Days;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use std::sync::LazyLock;

    fn day(n: u64) -> NaiveDate {
        "2025-01-01".parse::<NaiveDate>().unwrap() + Days::new(n)
    }

    /// Energy of a heated unit: 30 kWh a day, 10 more in July and 10 less in January, 3 less on
    /// Sundays.
    fn heated(days: u64, from: u64, more: f64) -> Vec<(NaiveDate, f64)> {
        let mut chance = ChaCha8Rng::seed_from_u64(9);
        let one = |n: u64| {
            let season = -10.0 * (std::f64::consts::TAU * (n as f64 - 15.0) / 365.0).cos();
            let sunday = if day(n).weekday() == chrono::Weekday::Sun { -3.0 } else { 0.0 };
            let noise: f64 = (0..4).map(|_| chance.random_range(-1.0..1.0)).sum();
            (day(n), 30.0 + season + sunday + noise + if n >= from { more } else { 0.0 })
        };
        (0..days).map(one).collect()
    }

    fn run(values: &[(NaiveDate, f64)], known: &[Found]) -> Option<Finding> {
        // Its limit takes a while to find.
        static DAILY: LazyLock<Cusum> = LazyLock::new(|| charts().unwrap().daily);
        let chart = *DAILY;
        Steady { unit: "kWh/day", values, wrong: Wrong::Rise, spread_max: f64::INFINITY, known }
            .run(chart)
            .unwrap()
            .finding
    }

    /// In the first summer the season itself is found. A year on, the same summer is no finding, and
    /// four kWh more are one again.
    #[test]
    fn a_season_comes_again_and_is_no_finding_the_second_time() {
        let found = run(&heated(200, 999, 0.0), &[]).unwrap();
        let was = [Found { since: found.since, until: Some(day(330)) }];
        assert_eq!(run(&heated(565, 999, 0.0), &was), None);
        let found = run(&heated(565, 540, 4.0), &was).unwrap();
        assert!((found.size - 4.0).abs() < 1.5 && (found.since - day(540)).num_days().abs() <= 5, "{found:?}");
    }

    /// Ten days of a fault a year before hide nothing now; a fault that goes on for more than a year
    /// does not become its own season.
    #[test]
    fn a_fault_is_no_season() {
        let mut values = heated(565, 540, 6.0);
        let fault = |day: NaiveDate| (self::day(176)..self::day(186)).contains(&day);
        values.iter_mut().filter(|(day, _)| fault(*day)).for_each(|(_, value)| *value += 12.0);
        assert!(run(&values, &[]).is_some_and(|found| (found.since - day(540)).num_days().abs() <= 5));
        let lasts = heated(565, 90, 15.0);
        assert_eq!(run(&lasts, &[]), None, "a year on it would be a season");
        assert!(run(&lasts, &[Found { since: day(90), until: None }]).is_some());
    }

    #[test]
    fn days_of_a_finding_that_ended_are_not_usual() {
        let mut chance = ChaCha8Rng::seed_from_u64(6);
        let level = |n: u64| match n {
            0..40 => 130.0,
            40..90 => 100.0,
            _ => 110.0,
        };
        let noise = |n: u64| (day(n), level(n) + chance.random_range(-8.0..8.0));
        let values: Vec<(NaiveDate, f64)> = (0..120).map(noise).collect();
        assert_eq!(run(&values, &[]), None, "most of the first sixty days were too high");
        assert!(run(&values, &[Found { since: day(0), until: Some(day(39)) }]).is_some());
    }

    /// Units of which nothing changes, seen every fourth day of the year after their first sixty days:
    /// three false alarms are stated for thirty of them; ten or more would come in one case of a
    /// thousand. The long bench counts them on every day of many years.
    #[test]
    fn a_baseline_of_sixty_days_keeps_the_stated_rate() {
        let mut chance = ChaCha8Rng::seed_from_u64(31);
        let mut opened = 0;
        for _ in 0..30 {
            let noise = |n: u64| (day(n), 100.0 + 5.0 * (0..12).map(|_| chance.random_range(-0.5..0.5)).sum::<f64>());
            let values: Vec<(NaiveDate, f64)> = (0..425).map(noise).collect();
            let mut open = false;
            for until in (60..425).step_by(4) {
                let found = run(&values[..until], &[]).is_some();
                opened += usize::from(found && !open);
                open = found;
            }
        }
        assert!(opened < 10, "{opened}");
    }
}
