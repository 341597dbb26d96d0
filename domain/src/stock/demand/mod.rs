//! What will be used of an item: a model fitted to its own past, which says what it is.
//!
//! | module | its method |
//! | --- | --- |
//! | [`smoothing`] | simple exponential smoothing, for steady use |
//! | [`sparse`] | Croston's method and its corrections, for use now and then |
//! | [`seasonal`] | an index for each month, where two years prove it |
//! | [`fit`] | which of them fits |
//! | [`per_day`] | a declared daily use that follows the water's temperature |

pub mod fit;
pub mod per_day;
pub mod seasonal;
pub mod smoothing;
pub mod sparse;

use super::idle::{IdleDays, is_idle};
use crate::named::named;
use crate::zone::next_day;
use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

named! {
    /// The model behind a demand.
    DemandModel as "demand_model" {
        /// Simple exponential smoothing.
        Smoothing = "smoothing",
        /// Croston's method with the correction of Syntetos and Boylan.
        CrostonSba = "croston_sba",
        /// The method of Teunter, Syntetos and Babai: the chance of a use fades while there is none.
        Tsb = "tsb",
        /// Smoothing of the level, times an index for each month.
        MonthIndex = "month_index",
        /// Declared, with a factor for temperature.
        PerDay = "per_day",
    }
}

/// Average length of a month in the Gregorian calendar, in days: 400 years have 146 097.
const DAYS_PER_MONTH: f64 = 146_097.0 / 4800.0;

/// Expected use in the days to come.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Demand {
    /// The model that gave it.
    pub model: DemandModel,
    /// Use in a running day of each calendar month, January first, in the item's unit.
    pub per_day: [f64; 12],
    /// Variance of a day's use about that rate; days vary apart from each other.
    pub day_variance: f64,
    /// Standard deviation of the rate itself, as a share of it; all days share it.
    pub rate_sd_share: f64,
    /// Months of history behind it; none for a declared one.
    pub months: usize,
}

/// A use over several days.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Expected {
    /// Expected, in the item's unit.
    pub mean: f64,
    /// Variance by days that vary apart.
    day_variance: f64,
    /// Standard deviation by the rate that all share.
    rate_sd: f64,
}

impl Expected {
    /// Standard deviation of the use.
    #[must_use]
    pub fn sd(&self) -> f64 {
        (self.day_variance + self.rate_sd.powi(2)).sqrt()
    }
}

impl Demand {
    /// Expected use of one running day.
    #[must_use]
    pub fn on(&self, day: NaiveDate) -> f64 {
        self.per_day.get(day.month0() as usize).copied().unwrap_or_default()
    }

    /// Expected use from `first` up to each day from it on.
    pub fn cumulative(&self, first: NaiveDate, idle: &[IdleDays]) -> impl Iterator<Item = (NaiveDate, Expected)> {
        let days = std::iter::successors(Some(first), |day| Some(next_day(*day)));
        days.scan(Expected::default(), move |sum, day| {
            if !is_idle(idle, day) {
                let mean = self.on(day);
                sum.mean += mean;
                sum.rate_sd += mean * self.rate_sd_share;
                sum.day_variance += if mean > 0.0 { self.day_variance } else { 0.0 };
            }
            Some((day, *sum))
        })
    }

    /// Expected use of `days` days from `first` on.
    #[must_use]
    pub fn over(&self, first: NaiveDate, days: u16, idle: &[IdleDays]) -> Expected {
        self.cumulative(first, idle)
            .take(usize::from(days))
            .last()
            .map_or_else(Expected::default, |(_, expected)| expected)
    }
}

/// The published series that the methods are checked against, with what is known of their
/// answers; `tests/data/README.md` names the sources.
#[cfg(test)]
mod published {
    use serde_json::Value;

    pub(super) fn case(title: &str) -> Value {
        let file: Value = serde_json::from_str(include_str!("../../../../tests/data/demand.json")).unwrap();
        let cases = file["cases"].as_array().unwrap();
        cases.iter().find(|case| case["title"].as_str().unwrap().starts_with(title)).unwrap().clone()
    }

    pub(super) fn numbers(of: &Value) -> Vec<f64> {
        of.as_array().unwrap().iter().map(|number| number.as_f64().unwrap_or(f64::NAN)).collect()
    }

    #[track_caller]
    pub(super) fn near(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "{got} is not {want}");
    }
}
