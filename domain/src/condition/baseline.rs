//! What is usual: median and median absolute deviation of a clean stretch.

use chrono::{Datelike, NaiveDate, Weekday};
use std::collections::BTreeMap;

/// Fewest points that make a baseline.
pub const POINTS_MIN: usize = 20;
/// Standard errors by which the median of a weekday must differ before it has a level of its own: a
/// level that is none adds to the deviation of every day.
const OF_WEEKDAY_ERRORS: f64 = 3.0;
/// Standard error of the median of normal values, in deviations over the root of their number.
const MEDIAN_ERROR: f64 = 1.253_314_1;
/// Fewest points of each weekday from which it has a level of its own.
const OF_WEEKDAY_MIN: usize = 8;
/// Standard deviation of normal values over their median absolute deviation.
const MAD_TO_SD: f64 = 1.482_602_2;

/// Mean and deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Baseline {
    /// The median.
    pub mean: f64,
    /// The deviation that normal values with that median absolute deviation have.
    pub sd: f64,
}

/// The middle value; none of nothing. Values that are not numbers do not count.
#[must_use]
pub fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.into_iter().filter(|value| value.is_finite()).collect();
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    let upper = *values.get(middle)?;
    if values.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = values.get(middle.checked_sub(1)?)?;
    // Halved first: the sum of two large values would not be finite.
    Some(lower / 2.0 + upper / 2.0)
}

impl Baseline {
    /// The baseline of these values; none of fewer than [`POINTS_MIN`] numbers.
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Self> {
        let numbers = || values.iter().copied().filter(|value| value.is_finite());
        if numbers().count() < POINTS_MIN {
            return None;
        }
        let mean = median(numbers())?;
        let sd = MAD_TO_SD * median(numbers().map(|value| (value - mean).abs()))?;
        sd.is_finite().then_some(Self { mean, sd })
    }

    /// The same with a deviation of at least that.
    #[must_use]
    pub fn at_least(self, sd: f64) -> Self {
        Self { sd: self.sd.max(sd), ..self }
    }

    /// A value in standard deviations from the mean; none while nothing deviates.
    #[must_use]
    pub fn standardised(&self, value: f64) -> Option<f64> {
        let z = (value - self.mean) / self.sd;
        z.is_finite().then_some(z)
    }
}

/// How far each weekday usually lies from the median of all, nothing where that may be chance; empty
/// unless each weekday that occurs has enough points.
#[must_use]
pub fn by_weekday(values: &[(NaiveDate, f64)]) -> BTreeMap<u32, f64> {
    let key = |day: Weekday| day.num_days_from_monday();
    let mut days: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
    for (date, value) in values {
        days.entry(key(date.weekday())).or_default().push(*value);
    }
    let all = median(values.iter().map(|(_, value)| *value));
    let enough = days.values().all(|values| values.len() >= OF_WEEKDAY_MIN);
    let Some(all) = all.filter(|_| enough) else { return BTreeMap::new() };
    let sd = MAD_TO_SD * median(values.iter().map(|(_, value)| (value - all).abs())).unwrap_or(0.0);
    let level = |(day, values): (u32, Vec<f64>)| {
        let error = MEDIAN_ERROR * sd / (values.len() as f64).sqrt();
        let off = median(values)? - all;
        Some((day, if off.abs() > OF_WEEKDAY_ERRORS * error { off } else { 0.0 }))
    };
    days.into_iter().filter_map(level).collect()
}
