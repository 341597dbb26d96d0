//! What a meter has passed at each time of year, and the most that its own past lets pass.

use super::days::DayShare;
use chrono::{Datelike, Month, NaiveDate};

/// The most that a meter's own past lets pass in a day, by calendar month, in the inside
/// unit (L, kWh, h, events).
///
/// The limit of a month is [`FACTOR`] times the day amount that 95 of 100 days of that month
/// and its two neighbours, in all years, do not pass. A quantile, so that one wrong reading
/// in the past moves it little. Months with fewer than [`LEAST_DAYS`] whole days have none.
/// The factor and the least number of days are common practice, without a source.
#[derive(Debug, Clone, PartialEq)]
pub struct SeasonalLimits {
    per_day: [f64; 12],
    least_days: f64,
}

/// Times the usual upper day amount.
pub const FACTOR: f64 = 3.0;
/// Whole days without which a month has no limit.
pub const LEAST_DAYS: usize = 30;
/// Where the past was itself spread from sparse readings, nothing is known of its single
/// days: a step is held against at least this many days.
const LEAST_DAYS_WHEN_SPREAD: f64 = 7.0;
/// A day with less coverage says too little, in seconds.
const WHOLE_DAY_S: i32 = 22 * 3600;

impl SeasonalLimits {
    /// No limit at any time of year.
    pub const NONE: Self = Self { per_day: [f64::INFINITY; 12], least_days: 1.0 };

    /// Learns from days gone by, in any order; days with gaps or open exceptions are left out.
    #[must_use]
    pub fn learn(past: &[DayShare]) -> Self {
        let whole = |day: &&DayShare| day.covered_s >= WHOLE_DAY_S && day.open_exceptions == 0;
        let mut by_month: [Vec<f64>; 12] = Default::default();
        let (mut days, mut spread) = (0_usize, 0_usize);
        for day in past.iter().filter(whole) {
            if let Some(month) = by_month.get_mut(month_index(day.date)) {
                month.push(day.amount);
            }
            days += 1;
            spread += usize::from(day.estimated_s > day.covered_s / 2);
        }
        let mut limits = Self::NONE;
        for (index, limit) in limits.per_day.iter_mut().enumerate() {
            let season = [(index + 11) % 12, index, (index + 1) % 12];
            let mut amounts: Vec<f64> =
                season.iter().filter_map(|&month| by_month.get(month)).flatten().copied().collect();
            *limit = upper(&mut amounts).map_or(f64::INFINITY, |usual| FACTOR * usual);
        }
        if 2 * spread > days {
            limits.least_days = LEAST_DAYS_WHEN_SPREAD;
        }
        limits
    }

    /// The most in a day of that date's month; `None` where the past says too little.
    #[must_use]
    pub fn most_per_day(&self, date: NaiveDate) -> Option<f64> {
        Some(self.raw(date)).filter(|most| most.is_finite())
    }

    /// The same, infinite where there is none.
    pub(super) fn raw(&self, date: NaiveDate) -> f64 {
        self.per_day.get(month_index(date)).copied().unwrap_or(f64::INFINITY)
    }

    /// Days against which a shorter step is held.
    pub(super) fn least_days(&self) -> f64 {
        self.least_days
    }
}

/// The 95 % quantile by nearest rank; `None` with too few days, or when the meter stood still.
fn upper(amounts: &mut [f64]) -> Option<f64> {
    if amounts.len() < LEAST_DAYS {
        return None;
    }
    let rank = (amounts.len() * 95).div_ceil(100) - 1;
    let (_, usual, _) = amounts.select_nth_unstable_by(rank, f64::total_cmp);
    Some(*usual).filter(|usual| *usual > 0.0)
}

fn month_index(date: NaiveDate) -> usize {
    // A month is 1 to 12.
    Month::try_from(u8::try_from(date.month()).unwrap_or(1)).map_or(0, |month| month as usize)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn past(from: &str, amounts: &[f64]) -> Vec<DayShare> {
        let dates = from.parse::<NaiveDate>().unwrap().iter_days();
        dates
            .zip(amounts)
            .map(|(date, &amount)| DayShare { amount, covered_s: 86_400, ..DayShare::empty(date) })
            .collect()
    }

    #[test]
    fn a_single_wrong_day_does_not_move_the_limit() {
        let mut amounts = vec![1000.0; 40];
        amounts[7] = 900_000.0;
        let limits = SeasonalLimits::learn(&past("2025-06-01", &amounts));
        assert_eq!(limits.most_per_day("2026-06-15".parse().unwrap()), Some(3000.0));
        assert_eq!(limits.most_per_day("2026-05-15".parse().unwrap()), Some(3000.0), "a neighbouring month");
        assert_eq!(limits.most_per_day("2026-09-15".parse().unwrap()), None, "another season");
    }

    #[test]
    fn says_nothing_from_too_few_days_or_a_meter_that_stood_still() {
        let june = "2026-06-15".parse().unwrap();
        assert_eq!(SeasonalLimits::learn(&past("2025-06-01", &[1000.0; 29])).most_per_day(june), None);
        assert_eq!(SeasonalLimits::learn(&past("2025-06-01", &[0.0; 60])).most_per_day(june), None);
    }

    #[test]
    fn december_neighbours_january() {
        let limits = SeasonalLimits::learn(&past("2025-12-01", &[10.0; 31]));
        assert_eq!(limits.most_per_day("2026-01-02".parse().unwrap()), Some(30.0));
        assert_eq!(limits.most_per_day("2026-02-02".parse().unwrap()), None);
    }
}
