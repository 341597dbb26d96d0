//! Local days, the spans between cuts, and what fell into them.

use super::spread::{DayPiece, Spread, Weights};
use super::step::RecentUse;
use crate::zone::{self, Month};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;

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
    /// The month.
    pub month: Month,
    /// The whole step, in the inside unit.
    pub step: f64,
    /// Its length in days of 24 hours.
    pub step_days: f64,
    /// The part of it given to the month, 0 to 1.
    pub share: f64,
}

/// Days of recent use that a rollover or a slip is compared with.
pub const RECENT_DAYS: usize = 90;
/// Less coverage than this says nothing about recent use, in seconds.
const LEAST_RECENT_S: i64 = 7 * DAY_S;

const DAY_S: i64 = 86_400;

/// A local day, or the part of it between two cuts.
#[derive(Debug, Clone, Copy)]
struct Piece {
    share: DayShare,
    /// Seconds since 1970; the end is exclusive.
    from: i64,
    to: i64,
    /// Exceptions that came over a cut from an earlier piece of the same day.
    carried: u32,
}

/// The days of one meter, filled from the earliest on. A piece is open until time leaves it.
#[derive(Debug)]
pub(super) struct Ledger<'a> {
    zone: Tz,
    pub(super) spread: Spread<'a>,
    /// In order, the ones to come from `next_cut` on.
    cuts: Vec<i64>,
    next_cut: usize,
    closed: Vec<Piece>,
    open: Option<Piece>,
    midnight: i64,
    allotments: Vec<Allotment>,
}

/// What the days of one meter come to.
pub(super) struct Totals {
    pub(super) days: Vec<DayShare>,
    pub(super) pieces: Vec<DayPiece>,
    pub(super) spans: Vec<SpanShare>,
    pub(super) allotments: Vec<Allotment>,
}
