//! An index for each calendar month: its rate over the rate of an average month.

use chrono::Datelike;

use crate::stock::history::MonthUse;

/// Least length of a history, in months.
const TWO_YEARS: usize = 24;

/// A rate of a month, with the month's place in the calendar.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rate {
    year: i32,
    /// January is 0.
    pub(super) month0: usize,
    /// Use in a running day.
    pub(super) per_day: f64,
}

impl Rate {
    /// The rates of the months that ran.
    pub(super) fn of(history: &[MonthUse]) -> Vec<Self> {
        let rate = |used: &MonthUse| {
            let day = used.month.first_day();
            Some(Self { year: day.year(), month0: day.month0() as usize, per_day: used.per_day()? })
        };
        history.iter().filter_map(rate).collect()
    }
}

/// Index of each calendar month, January first; 1 is an average month.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MonthIndex(pub [f64; 12]);

impl MonthIndex {
    /// The index, where at least two years are there and prove it: each month is foretold from
    /// the other years, once by the mean of the same month and once by the mean of all months,
    /// and the former must come closer. Two years of mere noise fail that, because one value
    /// foretells another worse than a mean does.
    #[must_use]
    pub fn proven(history: &[MonthUse]) -> Option<Self> {
        let rates = Rate::of(history);
        if rates.len() < TWO_YEARS {
            return None;
        }
        let (mut by_month, mut by_level) = (0.0, 0.0);
        for rate in &rates {
            let others = || rates.iter().filter(|other| other.year != rate.year);
            // A month that no other year has proves nothing either way.
            let Some(same_month) = mean(others().filter(|other| other.month0 == rate.month0)) else { continue };
            by_month += (rate.per_day - same_month).powi(2);
            by_level += (rate.per_day - mean(others())?).powi(2);
        }
        (by_month < by_level).then(|| Self::of(&rates))?
    }

    /// Months of the year that never ran count as average ones.
    fn of(rates: &[Rate]) -> Option<Self> {
        let month = |month0: usize| mean(rates.iter().filter(|rate| rate.month0 == month0));
        let of_months: [Option<f64>; 12] = std::array::from_fn(month);
        let known: Vec<_> = of_months.iter().flatten().collect();
        let average = known.iter().copied().sum::<f64>() / known.len() as f64;
        (average > 0.0).then(|| Self(of_months.map(|rate| rate.map_or(1.0, |rate| rate / average))))
    }
}

fn mean<'a>(rates: impl Iterator<Item = &'a Rate>) -> Option<f64> {
    let (sum, count) = rates.fold((0.0, 0_u32), |(sum, count), rate| (sum + rate.per_day, count + 1));
    (count > 0).then(|| sum / f64::from(count))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::demand::fit::tests::months;
    use crate::stock::demand::published::near;

    /// Twice as much in July, nothing in January.
    fn yearly(month0: usize) -> f64 {
        match month0 {
            0 => 0.0,
            6 => 2.0,
            _ => 1.0,
        }
    }

    #[test]
    fn two_years_prove_an_index_and_less_do_not() {
        let index = MonthIndex::proven(&months(24, |n| 30.0 * yearly(n % 12))).unwrap();
        near(index.0[6], 2.0, 1e-12);
        near(index.0[0], 0.0, 1e-12);
        near(index.0.iter().sum::<f64>(), 12.0, 1e-12);
        assert_eq!(MonthIndex::proven(&months(23, |n| 30.0 * yearly(n % 12))), None);
    }

    #[test]
    fn noise_proves_no_index() {
        // High and low turn about, but never in the same month of both years.
        let noise = |n: usize| if (n / 12 + n).is_multiple_of(2) { 20.0 } else { 40.0 };
        assert_eq!(MonthIndex::proven(&months(36, noise)), None);
        assert_eq!(MonthIndex::proven(&months(36, |_| 0.0)), None);
    }
}
