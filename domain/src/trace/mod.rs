//! The trace of a figure: everything behind it, enough to recompute it by hand.
//!
//! Readings are folded again by [`MeterFold`](crate::metering::fold::MeterFold), which reports how
//! it divided each step; what people noted and what it came to is reported by
//! [`assembly`](crate::water::assembly); bills by [`tariff`](crate::tariff). Nothing here computes
//! a figure in a way of its own. Verdicts on steps are those of the night run: a fold of a few days
//! does not know the history that it judged by.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`meter`] | one meter: its facts, readings, steps, and what fell into the days asked for |
//! | [`hours`] | what a subject used by the hour |
//! | [`subject`] | a unit at one customer's site, or a whole site, in a day, read period or month |
//! | [`balance`] | parts, routes, residual and what makes them unsure |
//! | [`notes`] | what people noted behind the parts that no meter gives |
//! | [`report`] | the lines of a savings report |
//! | [`site_balance`] | the balance of a site whose meters make up one together |
//! | [`money`] | water avoided and money saved: both bills, line by line |

pub mod balance;
pub mod hours;
pub mod meter;
pub mod money;
pub mod notes;
pub mod report;
pub mod site_balance;
pub mod subject;

use crate::zone::{Month, day_bounds};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;

/// The time whose figures are traced.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Window {
    /// A local day.
    Day(NaiveDate),
    /// A month.
    Month(Month),
    /// A read period, by the middles of its two rounds.
    Period {
        /// The earlier middle.
        from: DateTime<Utc>,
        /// The later one.
        to: DateTime<Utc>,
    },
}

impl Window {
    /// From when until when, at a site of that zone.
    #[must_use]
    pub fn bounds(self, zone: Tz) -> (DateTime<Utc>, DateTime<Utc>) {
        match self {
            Self::Day(date) => day_bounds(zone, date),
            Self::Month(month) => month.bounds(zone),
            Self::Period { from, to } => (from, to),
        }
    }

    /// Whether a local day belongs to it; none does to a read period, which divides no step.
    #[must_use]
    pub fn has(self, date: NaiveDate) -> bool {
        match self {
            Self::Day(day) => date == day,
            Self::Month(month) => Month::of(date) == month,
            Self::Period { .. } => false,
        }
    }
}

#[cfg(test)]
mod tests;
