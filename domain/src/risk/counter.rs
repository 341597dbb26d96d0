//! What ages a part: run between two instants, and use in the days to come.
//!
//! A counter is known by its months: so much a day on the days that were read. Between them and
//! before them it is taken to have run as it did on average. Months are cut at midnight UTC, up
//! to half a day off the site's own: far less than a part's life is known to.

use crate::component::{Duty, RunBasis};
use crate::named::named;
use crate::reliability::forecast::UseAhead;
use crate::zone::Month;
use chrono::{DateTime, Duration, NaiveDate, Utc};

named! {
    /// Where a part's age comes from.
    AgeFrom as "age_from" {
        /// The calendar.
        Calendar = "calendar",
        /// A counter, for most of its life.
        Counter = "counter",
        /// A usual rate of use, for want of a counter.
        Assumed = "assumed",
    }
}

/// What a counter ran in a month.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MonthRun {
    /// The month.
    pub month: Month,
    /// Days of it that were read.
    pub days: f64,
    /// Run a day on those days, in the run basis.
    pub per_day: f64,
}

/// A counter by its months.
#[derive(Debug, Clone, PartialEq)]
pub struct Counter {
    /// In order, each with days that were read.
    months: Vec<MonthRun>,
    mean_per_day: f64,
}

/// Run between two instants, and how much of the time was counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    /// In the run basis.
    pub amount: f64,
    /// Days of the stretch in months that were read.
    pub counted_days: f64,
    /// Days of the stretch.
    pub days: f64,
}

/// Months looked back on for the present rate where the same month of last year is not known.
const RECENT_MONTHS: usize = 3;

impl Counter {
    /// A counter; `None` without a day that was read. Months may come in any order; what is no
    /// rate is left out.
    #[must_use]
    pub fn new(months: impl IntoIterator<Item = MonthRun>) -> Option<Self> {
        let sound = |run: &MonthRun| run.days > 0.0 && run.days.is_finite() && run.per_day.is_finite();
        let sound = months.into_iter().filter(sound);
        let mut months: Vec<MonthRun> = sound.map(|run| MonthRun { per_day: run.per_day.max(0.0), ..run }).collect();
        months.sort_by_key(|run| run.month);
        let days: f64 = months.iter().map(|run| run.days).sum();
        let run: f64 = months.iter().map(|run| run.days * run.per_day).sum();
        (days > 0.0).then(|| Self { months, mean_per_day: run / days })
    }

    /// Run a day over all days that were read.
    #[must_use]
    pub fn mean_per_day(&self) -> f64 {
        self.mean_per_day
    }

    /// Run between two instants.
    #[must_use]
    pub fn run(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Run {
        let days = days_between(from, to).max(0.0);
        let (mut amount, mut counted_days) = (0.0, 0.0);
        for run in &self.months {
            let (start, end) = (midnight(run.month.first_day()), midnight(run.month.next().first_day()));
            let within = days_between(from.max(start), to.min(end)).max(0.0);
            amount += within * run.per_day;
            counted_days += within;
        }
        amount += (days - counted_days).max(0.0) * self.mean_per_day;
        Run { amount, counted_days, days }
    }

    /// Run a day to be expected in a month to come: as in the same month of the year before,
    /// where that was read; else as of late.
    #[must_use]
    pub fn expected_per_day(&self, month: Month) -> f64 {
        let year_before = (0..12).fold(month, |month, _| month.previous());
        let same = self.months.iter().find(|run| run.month == year_before);
        if let Some(run) = same {
            return run.per_day;
        }
        let recent = self.months.iter().rev().take(RECENT_MONTHS);
        let (days, run) = recent.fold((0.0, 0.0), |(days, sum), run| (days + run.days, sum + run.days * run.per_day));
        run / days
    }
}

/// Use a day that is taken where neither the part nor others like it have a counter. Our own
/// reading of common practice, no source.
#[must_use]
pub fn usual_per_day(basis: RunBasis, duty: Duty) -> f64 {
    match (basis, duty) {
        (RunBasis::Days, _) => 1.0,
        (RunBasis::Hours, Duty::Continuous) => 24.0,
        (RunBasis::Hours, Duty::OnDemand) => 6.0,
        (RunBasis::Hours, Duty::Timed) => 4.0,
        (RunBasis::Starts, _) => 20.0,
        (RunBasis::Washes, _) => 15.0,
        (RunBasis::Litres, _) => 4000.0,
    }
}

/// Use of a part day by day from an instant on: by its counter or at an assumed rate, and none
/// on days that lie in a spell in which the unit is planned to stand.
#[must_use]
pub fn use_ahead(
    per_day: impl Fn(Month) -> f64,
    from: DateTime<Utc>,
    days: u16,
    idle: &[(DateTime<Utc>, DateTime<Utc>)],
) -> UseAhead {
    let day = |n: u16| {
        let start = from + Duration::days(i64::from(n));
        let middle = start + Duration::hours(12);
        let stands = idle.iter().any(|(from, to)| *from <= middle && middle < *to);
        if stands { 0.0 } else { per_day(Month::of(middle.date_naive())) }
    };
    UseAhead::new((0..days).map(day))
}

/// Days between two instants; negative when they are the other way round.
pub(super) fn days_between(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    (to - from).as_seconds_f64() / 86_400.0
}

fn midnight(day: NaiveDate) -> DateTime<Utc> {
    day.and_time(chrono::NaiveTime::MIN).and_utc()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn month(text: &str) -> Month {
        Month::parse(text).unwrap()
    }

    fn counter(months: &[(&str, f64, f64)]) -> Counter {
        let run =
            |(name, days, per_day): &(&str, f64, f64)| MonthRun { month: month(name), days: *days, per_day: *per_day };
        Counter::new(months.iter().map(run)).unwrap()
    }

    #[test]
    fn run_is_counted_by_months_and_else_as_on_average() {
        let counter = counter(&[("2026-02", 28.0, 2.0), ("2026-01", 28.0, 4.0)]);
        assert_eq!(counter.mean_per_day(), 3.0);
        let run = counter.run(at("2026-01-22T00:00:00Z"), at("2026-03-03T00:00:00Z"));
        assert_eq!((run.amount, run.counted_days, run.days), (10.0 * 4.0 + 28.0 * 2.0 + 2.0 * 3.0, 38.0, 40.0));
        let back = counter.run(at("2026-02-02T00:00:00Z"), at("2026-02-01T00:00:00Z"));
        assert_eq!((back.amount, back.days), (0.0, 0.0));
        assert_eq!(Counter::new([]), None);
        assert_eq!(Counter::new([MonthRun { month: month("2026-01"), days: 3.0, per_day: f64::NAN }]), None);
    }

    #[test]
    fn the_season_of_last_year_is_expected_again_and_else_the_last_months() {
        let known =
            counter(&[("2025-07", 31.0, 9.0), ("2026-04", 30.0, 1.0), ("2026-05", 30.0, 3.0), ("2026-06", 30.0, 5.0)]);
        assert_eq!(known.expected_per_day(month("2026-07")), 9.0);
        assert_eq!(known.expected_per_day(month("2026-08")), 3.0);
    }

    #[test]
    fn a_planned_spell_is_no_use() {
        let idle = [(at("2026-06-03T00:00:00Z"), at("2026-06-08T00:00:00Z"))];
        let ahead = use_ahead(|_month| 10.0, at("2026-06-01T02:00:00Z"), 90, &idle);
        assert_eq!((ahead.within(2), ahead.within(7), ahead.within(30)), (20.0, 20.0, 250.0));
    }
}
