//! Local days, the spans between cuts, and what fell into them.

use crate::zone::Month;
use chrono::{DateTime, NaiveDate, Utc};

/// What one meter passed in one local day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayShare {
    /// The local day.
    pub date: NaiveDate,
    /// What passed in accepted steps, in the inside unit (L, kWh, h, events); signed.
    pub amount: f64,
    /// Seconds of the day that lie within accepted steps.
    pub covered_s: i32,
    /// Of these, seconds in steps longer than a day that cross a local midnight: spread by
    /// assumption, not measured.
    pub estimated_s: i32,
    /// Readings in the day that count.
    pub readings: u32,
    /// Open exceptions whose step touches the day.
    pub open_exceptions: u32,
}

impl DayShare {
    /// A day of which nothing is known.
    #[must_use]
    pub fn empty(date: NaiveDate) -> Self {
        Self { date, amount: 0.0, covered_s: 0, estimated_s: 0, readings: 0, open_exceptions: 0 }
    }
}

/// What one meter passed between two neighbouring cuts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpanShare {
    /// The earlier cut.
    pub from: DateTime<Utc>,
    /// The later one.
    pub to: DateTime<Utc>,
    /// What passed in accepted steps, in the inside unit; signed.
    pub amount: f64,
    /// Seconds of the span within accepted steps.
    pub covered_s: i64,
    /// Open exceptions whose step touches the span.
    pub open_exceptions: u32,
}

/// The part of a step that a month got, of a step that crosses the month's bound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allotment {
    /// When the step began.
    pub from: DateTime<Utc>,
    /// The month.
    pub month: Month,
    /// The whole step, in the inside unit.
    pub step: f64,
    /// Its length in days of 24 hours.
    pub step_days: f64,
    /// The part of it given to the month, 0 to 1.
    pub share: f64,
}
