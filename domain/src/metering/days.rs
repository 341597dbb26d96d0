//! Local days and what fell into them.

use super::step::RecentUse;
use crate::zone;
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
    pub(super) fn empty(date: NaiveDate) -> Self {
        Self { date, amount: 0.0, covered_s: 0, estimated_s: 0, readings: 0, open_exceptions: 0 }
    }
}

/// Days of recent use that a rollover or a slip is compared with.
pub const RECENT_DAYS: usize = 90;
/// Less coverage than this says nothing about recent use, in seconds.
const LEAST_RECENT_S: i64 = 7 * DAY_S;

const DAY_S: i64 = 86_400;

/// The days of one meter, filled from the earliest on. A day is open until time leaves it.
#[derive(Debug)]
pub(super) struct Ledger {
    zone: Tz,
    closed: Vec<DayShare>,
    open: DayShare,
    /// The instants, in seconds since 1970, between which the open day lies (end exclusive).
    start: i64,
    end: i64,
    begun: bool,
}

impl Ledger {
    pub(super) fn new(zone: Tz) -> Self {
        Self { zone, closed: Vec::new(), open: DayShare::empty(NaiveDate::MIN), start: 0, end: 0, begun: false }
    }

    /// The open day.
    pub(super) fn date(&self) -> NaiveDate {
        self.open.date
    }

    /// The instant at which the open day ends.
    pub(super) fn end(&self) -> i64 {
        self.end
    }

    /// Makes the day of `t` the open one. Time only goes forward.
    pub(super) fn reach(&mut self, t: i64) {
        if !self.begun {
            // Instants come from valid dates, so the conversion cannot fail.
            let date = zone::local_date(self.zone, DateTime::<Utc>::from_timestamp(t, 0).unwrap_or_default());
            let (start, end) = zone::day_bounds(self.zone, date);
            (self.start, self.end) = (start.timestamp(), end.timestamp());
            self.open = DayShare::empty(date);
            self.begun = true;
        }
        while t >= self.end {
            self.turn();
        }
    }

    /// Closes the open day and opens the one after.
    fn turn(&mut self) {
        let next = zone::next_day(self.open.date);
        self.closed.push(std::mem::replace(&mut self.open, DayShare::empty(next)));
        self.start = self.end;
        // A zone that skips a whole date leaves an empty day of no length.
        self.end = zone::day_start(self.zone, zone::next_day(next)).timestamp().max(self.start);
    }

    /// Counts a reading of the open day.
    pub(super) fn count_readings(&mut self, readings: usize) {
        self.open.readings = self.open.readings.saturating_add(u32::try_from(readings).unwrap_or(u32::MAX));
    }

    /// Adds what passed within the open day.
    pub(super) fn add_within(&mut self, amount: f64, seconds: i32) {
        self.open.amount += amount;
        self.open.covered_s += seconds;
    }

    /// Spreads a step evenly over the time from `from`, which lies in the open day, to `to`.
    #[expect(clippy::cast_precision_loss, reason = "seconds of a step stay far below 2^52")]
    pub(super) fn add_step(&mut self, from: i64, to: i64, amount: f64) {
        if to <= self.end {
            return self.add_within(amount, seconds(from, to));
        }
        let estimated = to - from > DAY_S;
        let per_second = amount / (to - from) as f64;
        let mut at = from;
        loop {
            let part = to.min(self.end) - at;
            self.add_within(per_second * part as f64, seconds(0, part));
            if estimated {
                self.open.estimated_s += seconds(0, part);
            }
            at += part;
            if at >= to {
                return;
            }
            self.turn();
        }
    }

    /// Marks an open exception on every day that its step touches, `from` lying in the open day.
    pub(super) fn mark(&mut self, to: i64) {
        self.open.open_exceptions += 1;
        while to > self.end {
            self.turn();
            self.open.open_exceptions += 1;
        }
    }

    /// Use in the last [`RECENT_DAYS`] days, when enough of them is covered.
    #[expect(clippy::cast_precision_loss, reason = "seconds of 90 days are exact")]
    pub(super) fn recent(&self) -> Option<RecentUse> {
        let days = || std::iter::once(&self.open).chain(self.closed.iter().rev()).take(RECENT_DAYS);
        let covered: i64 = days().map(|day| i64::from(day.covered_s)).sum();
        let total: f64 = days().map(|day| day.amount).sum();
        let largest_day = days().map(|day| day.amount).fold(0.0, f64::max);
        (covered >= LEAST_RECENT_S).then(|| RecentUse { largest_day, mean_day: total * DAY_S as f64 / covered as f64 })
    }

    /// The days from the first reading to the last.
    pub(super) fn finish(mut self) -> Vec<DayShare> {
        if self.begun {
            self.closed.push(self.open);
        }
        self.closed
    }
}

/// The length of a stretch within one day; a day's seconds fit.
fn seconds(from: i64, to: i64) -> i32 {
    i32::try_from(to - from).unwrap_or(i32::MAX)
}
