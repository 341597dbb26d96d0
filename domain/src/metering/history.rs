//! What a meter has passed at each time of year, and the most that its own past lets pass.

use super::days::DayShare;
use super::step::RecentUse;
use crate::zone::Month;
use chrono::Datelike;
use std::ops::RangeInclusive;

/// What a meter passed in the whole days of one calendar month: those without gaps and open
/// exceptions. In the inside unit (L, kWh, h, events).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MonthUse {
    /// The month.
    pub month: Month,
    /// Its whole days.
    pub days: u16,
    /// Of these, the days spread from steps longer than a day.
    pub spread_days: u16,
    /// The day amount that 95 of 100 whole days do not pass, by nearest rank.
    pub upper_day: f64,
    /// The mean of the whole days.
    pub mean_day: f64,
}

/// A meter's months, from which the most is learned that a step is believed.
///
/// A month says how much its days usually pass; the months that bear on a step are the three
/// before it with the running one, and the same month of the year before with its neighbours.
/// Of each group the largest month counts, or the second largest of three or more, so that one
/// wrong reading in the past moves the limit little. While the year before is not known, all
/// months until then stand for it. A handful of numbers a month: neither memory nor work
/// grows with the readings.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct History {
    /// In order.
    months: Vec<MonthUse>,
}

/// The most that a step is believed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// In a day, in the inside unit; infinite where too little is known.
    pub per_day: f64,
    /// Days against which a shorter step is held.
    pub least_days: f64,
}

/// Times the usual upper day amount (common practice, no source).
pub const FACTOR: f64 = 3.0;
/// Whole days without which nothing is usual (common practice, no source).
pub const LEAST_DAYS: u16 = 30;
/// Where the past was itself spread from sparse readings, nothing is known of its single
/// days: a step is held against at least this many days.
const LEAST_DAYS_WHEN_SPREAD: f64 = 7.0;
/// A day with less coverage says too little, in seconds.
const WHOLE_DAY_S: i32 = 22 * 3600;

/// Months before a step that bear on it, and those of the year before.
const LATELY: RangeInclusive<i32> = 1..=3;
const SAME_SEASON: RangeInclusive<i32> = 11..=13;
/// The months that stand for the year before until it is known.
const UNTIL_THEN: RangeInclusive<i32> = 1..=10;

impl MonthUse {
    /// What the days of one month come to; `None` when none of them is whole.
    #[must_use]
    pub fn of(days: &[DayShare]) -> Option<Self> {
        let whole = |day: &&DayShare| day.covered_s >= WHOLE_DAY_S && day.open_exceptions == 0;
        let month = Month::of(days.first()?.date);
        let mut amounts: Vec<f64> = days.iter().filter(whole).map(|day| day.amount).collect();
        let spread = days.iter().filter(whole).filter(|day| day.estimated_s > day.covered_s / 2).count();
        let rank = (amounts.len() * 95).div_ceil(100).checked_sub(1)?;
        let count = |number: usize| u16::try_from(number).unwrap_or(u16::MAX);
        let days = count(amounts.len());
        let mean_day = amounts.iter().sum::<f64>() / f64::from(days);
        let upper_day = *amounts.select_nth_unstable_by(rank, f64::total_cmp).1;
        Some(Self { month, days, spread_days: count(spread), upper_day, mean_day })
    }
}

impl Limit {
    /// No limit.
    pub const NONE: Self = Self { per_day: f64::INFINITY, least_days: 1.0 };
}

impl History {
    /// The history of these months, in any order.
    #[must_use]
    pub fn of(mut months: Vec<MonthUse>) -> Self {
        months.sort_by_key(|month| month.month);
        Self { months }
    }

    /// Adds a month; one that is known already, or earlier than one that is, stays out.
    pub fn add(&mut self, month: MonthUse) {
        if self.months.last().is_none_or(|last| last.month < month.month) {
            self.months.push(month);
        }
    }

    /// The months, in order.
    #[must_use]
    pub fn months(&self) -> &[MonthUse] {
        &self.months
    }

    /// The limit of a step that begins in `month`, of which `so_far` is known. A day amount
    /// that a person `accepted` counts as usual.
    #[must_use]
    pub fn limit(&self, month: Month, so_far: Option<MonthUse>, accepted: f64) -> Limit {
        let before = |ages: RangeInclusive<i32>| {
            self.months.iter().filter(move |known| ages.contains(&(ordinal(month) - ordinal(known.month))))
        };
        let season = Usual::of(before(SAME_SEASON));
        let lately = Usual::of(before(if season.is_some() { LATELY } else { UNTIL_THEN }).chain(&so_far));
        let larger = season.into_iter().chain(lately).max_by(|a, b| a.upper_day.total_cmp(&b.upper_day));
        larger.map_or(Limit::NONE, |usual| Limit {
            per_day: FACTOR * usual.upper_day.max(accepted),
            least_days: if usual.spread { LEAST_DAYS_WHEN_SPREAD } else { 1.0 },
        })
    }

    /// Use in the last three months known, for a fold that goes on after them.
    #[must_use]
    pub fn recent_use(&self) -> Option<RecentUse> {
        let last = self.months.iter().rev().take(LATELY.count());
        let days: f64 = last.clone().map(|month| f64::from(month.days)).sum();
        let total: f64 = last.clone().map(|month| month.mean_day * f64::from(month.days)).sum();
        let largest_day = last.map(|month| month.upper_day).fold(0.0, f64::max);
        (days >= LEAST_DAYS_WHEN_SPREAD).then(|| RecentUse { largest_day, mean_day: total / days })
    }
}

/// What some months have in common.
#[derive(Debug, Clone, Copy)]
struct Usual {
    upper_day: f64,
    /// Whether most of their days were spread from longer steps.
    spread: bool,
}

impl Usual {
    /// `None` with too few days, or when the meter stood still.
    fn of<'a>(months: impl Iterator<Item = &'a MonthUse>) -> Option<Self> {
        let (mut count, mut days, mut spread_days) = (0, 0, 0);
        let (mut largest, mut second) = (0.0_f64, 0.0_f64);
        for month in months {
            count += 1;
            days += month.days;
            spread_days += month.spread_days;
            second = second.max(largest.min(month.upper_day));
            largest = largest.max(month.upper_day);
        }
        let upper_day = if count >= 3 { second } else { largest };
        (days >= LEAST_DAYS && upper_day > 0.0).then_some(Self { upper_day, spread: 2 * spread_days > days })
    }
}

/// Months since the year zero.
fn ordinal(month: Month) -> i32 {
    let first = month.first_day();
    first.year() * 12 + i32::try_from(first.month0()).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::NaiveDate;
    use proptest::prelude::*;

    fn month(name: &str, upper_day: f64) -> MonthUse {
        MonthUse { month: Month::parse(name).unwrap(), days: 30, spread_days: 0, upper_day, mean_day: upper_day / 2.0 }
    }

    fn history(months: &[(&str, f64)]) -> History {
        History::of(months.iter().map(|&(name, upper)| month(name, upper)).collect())
    }

    fn most(history: &History, name: &str) -> f64 {
        history.limit(Month::parse(name).unwrap(), None, 0.0).per_day
    }

    fn june(amounts: &[f64]) -> Vec<DayShare> {
        let dates = "2025-06-01".parse::<NaiveDate>().unwrap().iter_days();
        dates
            .zip(amounts)
            .map(|(date, &amount)| DayShare { amount, covered_s: 86_400, ..DayShare::empty(date) })
            .collect()
    }

    #[test]
    fn a_month_is_what_its_whole_days_usually_pass() {
        let mut days = june(&[1000.0; 30]);
        days[7].amount = 900_000.0;
        days[8] = DayShare { amount: 5.0, covered_s: 3600, ..days[8] };
        days[9] = DayShare { amount: 7.0, open_exceptions: 1, ..days[9] };
        let june = MonthUse::of(&days).unwrap();
        assert_eq!((june.days, june.upper_day), (28, 1000.0), "one wrong day does not move it");
        assert_eq!(MonthUse::of(&days[8..10]), None);
    }

    #[test]
    fn one_wrong_month_does_not_move_the_limit() {
        let steady = history(&[("2026-01", 100.0), ("2026-02", 100.0), ("2026-03", 9000.0)]);
        assert_eq!(most(&steady, "2026-04"), 300.0);
        assert_eq!(most(&history(&[("2026-01", 100.0), ("2026-02", 120.0)]), "2026-03"), 360.0);
    }

    #[test]
    fn the_same_season_of_the_year_before_counts_and_a_quiet_time_does_not_forbid_it() {
        let quiet = ["2025-09", "2025-10", "2025-11", "2025-12", "2026-01", "2026-02", "2026-03"];
        let mut months: Vec<_> = quiet.map(|name| (name, 10.0)).into();
        months.extend([("2025-04", 400.0), ("2025-05", 410.0), ("2025-06", 420.0)]);
        assert_eq!(most(&history(&months), "2026-05"), 1230.0, "April to June of the year before");
        assert_eq!(most(&history(&months), "2026-01"), 1230.0, "of ten months, until that season is known");
        months.extend([("2024-12", 8.0), ("2025-01", 9.0), ("2025-02", 8.0)]);
        assert_eq!(most(&history(&months), "2026-01"), 30.0, "a winter without use");
    }

    #[test]
    fn says_nothing_from_too_few_days_or_a_meter_that_stood_still() {
        let short = MonthUse { days: 29, ..month("2026-01", 50.0) };
        assert_eq!(most(&History::of(vec![short]), "2026-02"), f64::INFINITY);
        assert_eq!(most(&history(&[("2026-01", 0.0), ("2026-02", 0.0)]), "2026-03"), f64::INFINITY);
        let february = MonthUse { days: 1, ..month("2026-02", 50.0) };
        let now = Month::parse("2026-02").unwrap();
        assert_eq!(History::of(vec![short]).limit(now, Some(february), 0.0).per_day, 150.0, "the running month too");
    }

    #[test]
    fn what_a_person_accepted_is_usual_from_then_on() {
        let now = Month::parse("2026-03").unwrap();
        assert_eq!(history(&[("2026-01", 10.0), ("2026-02", 10.0)]).limit(now, None, 50.0).per_day, 150.0);
    }

    #[test]
    fn sparse_readings_say_nothing_of_single_days() {
        let spread = MonthUse { spread_days: 30, ..month("2026-01", 10.0) };
        let limit = History::of(vec![spread]).limit(Month::parse("2026-02").unwrap(), None, 0.0);
        assert_eq!((limit.per_day, limit.least_days), (30.0, 7.0));
    }

    #[test]
    fn recent_use_is_that_of_the_last_months() {
        let past = history(&[("2025-01", 999.0), ("2026-01", 10.0), ("2026-02", 20.0), ("2026-03", 30.0)]);
        assert_eq!(past.recent_use(), Some(RecentUse { largest_day: 30.0, mean_day: 10.0 }));
        assert_eq!(History::default().recent_use(), None);
    }

    proptest! {
        /// One month of the year before, however wrong, never lifts the limit above that of the largest other.
        #[test]
        fn no_single_month_lifts_the_limit(
            uppers in prop::collection::vec(1.0..100.0_f64, 13),
            wrong in 0..13_usize,
            by in 1.0..1e6_f64,
        ) {
            let of_2025 = (1..=12).map(|number| format!("2025-{number:02}"));
            let names: Vec<String> = std::iter::once("2024-12".to_owned()).chain(of_2025).collect();
            let mut months: Vec<_> = names.iter().map(String::as_str).zip(uppers.iter().copied()).collect();
            months[wrong].1 *= by;
            let others = months.iter().enumerate().filter(|(place, _)| *place != wrong).map(|(_, month)| month.1);
            let largest = others.fold(0.0, f64::max);
            prop_assert!(most(&history(&months), "2026-01") <= FACTOR * largest);
        }
    }
}
