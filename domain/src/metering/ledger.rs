//! The days of one meter while its readings are folded.

use super::days::{Allotment, DayShare, SpanShare};
use super::spread::{DayPiece, Spread, StepPart, Weights};
use super::step::{RECENT_DAYS, RecentUse};
use crate::zone::{self, Month};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;

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
    /// Of its open exceptions, those whose step began here.
    began: u32,
}

/// Filled from the earliest day on. A piece is open until time leaves it.
#[derive(Debug)]
pub(super) struct Ledger<'a> {
    zone: Tz,
    pub(super) spread: Spread<'a>,
    /// In order; the ones to come from `next_cut` on.
    cuts: Vec<i64>,
    next_cut: usize,
    closed: Vec<Piece>,
    open: Piece,
    begun: bool,
    midnight: i64,
    allotments: Vec<Allotment>,
    /// How every step was divided, when that was asked for.
    pub(super) parts: Option<Vec<StepPart>>,
}

/// What the days of one meter come to.
pub(super) struct Totals {
    pub(super) days: Vec<DayShare>,
    pub(super) pieces: Vec<DayPiece>,
    pub(super) spans: Vec<SpanShare>,
    pub(super) allotments: Vec<Allotment>,
    pub(super) parts: Vec<StepPart>,
}

impl<'a> Ledger<'a> {
    pub(super) fn new(zone: Tz) -> Self {
        Self {
            zone,
            spread: Spread::Even,
            cuts: Vec::new(),
            next_cut: 0,
            closed: Vec::new(),
            open: Piece { share: DayShare::empty(NaiveDate::MIN), from: 0, to: 0, began: 0 },
            begun: false,
            midnight: 0,
            allotments: Vec::new(),
            parts: None,
        }
    }

    /// The zone whose midnights cut its days.
    pub(super) fn zone(&self) -> Tz {
        self.zone
    }

    /// Divides days at these instants too, before the first reading.
    pub(super) fn cut_at(&mut self, mut cuts: Vec<i64>) {
        cuts.sort_unstable();
        cuts.dedup();
        self.cuts = cuts;
    }

    /// The local day of the open piece.
    pub(super) fn date(&self) -> NaiveDate {
        self.open.share.date
    }

    /// The instant at which the open piece ends.
    pub(super) fn end(&self) -> i64 {
        self.open.to
    }

    /// Makes the piece in which `t` lies the open one. Time only goes forward.
    pub(super) fn reach(&mut self, t: i64) {
        if !self.begun {
            self.begin(t);
        }
        while t >= self.open.to {
            self.turn();
        }
    }

    fn begin(&mut self, t: i64) {
        // Instants come from valid dates, so the conversion cannot fail.
        let date = zone::local_date(self.zone, DateTime::<Utc>::from_timestamp(t, 0).unwrap_or_default());
        let (start, end) = zone::day_bounds(self.zone, date);
        self.next_cut = self.cuts.partition_point(|cut| *cut <= t);
        let cut_before = self.next_cut.checked_sub(1).and_then(|place| self.cuts.get(place)).copied();
        self.midnight = end.timestamp();
        self.open.share.date = date;
        self.open.from = cut_before.unwrap_or(i64::MIN).max(start.timestamp());
        self.open.to = self.bound();
        self.begun = true;
    }

    /// Where a piece that begins after the last cut and midnight ends.
    fn bound(&self) -> i64 {
        self.cuts.get(self.next_cut).copied().unwrap_or(i64::MAX).min(self.midnight)
    }

    /// Closes the open piece and opens the one after.
    fn turn(&mut self) {
        let from = self.open.to;
        if self.cuts.get(self.next_cut) == Some(&from) {
            self.next_cut += 1;
        }
        let mut date = self.open.share.date;
        if from == self.midnight {
            date = zone::next_day(date);
            // A zone that skips a whole date leaves an empty day of no length.
            self.midnight = zone::day_start(self.zone, zone::next_day(date)).timestamp().max(from);
        }
        let next = Piece { share: DayShare::empty(date), from, to: self.bound(), began: 0 };
        self.closed.push(std::mem::replace(&mut self.open, next));
    }

    /// Counts readings of the open piece.
    pub(super) fn count_readings(&mut self, readings: usize) {
        let count = &mut self.open.share.readings;
        *count = count.saturating_add(u32::try_from(readings).unwrap_or(u32::MAX));
    }

    /// Adds what passed within the open piece.
    pub(super) fn add_within(&mut self, amount: f64, seconds: i32) {
        self.open.share.amount += amount;
        self.open.share.covered_s += seconds;
    }

    /// Divides a step from `from`, which lies in the open piece, to `to`.
    pub(super) fn add_step(&mut self, from: i64, to: i64, amount: f64) {
        if to <= self.open.to {
            let date = self.date();
            if let Some(parts) = &mut self.parts {
                parts.push(StepPart::whole(date, (from, to), amount));
            }
            return self.add_within(amount, seconds(from, to));
        }
        let weights = Weights::of(self.spread, self.zone, from, to);
        let assumed = !weights.measured();
        let estimated = assumed && to - from > DAY_S && to > self.midnight;
        let first_month = Month::of(self.date());
        let (mut month, mut in_month, mut at) = (first_month, 0.0, from);
        loop {
            let end = to.min(self.open.to);
            let share = weights.share(at, end);
            let date = self.date();
            if let Some(parts) = &mut self.parts {
                parts.push(weights.part(date, (at, end), amount));
            }
            self.add_within(amount * share, seconds(at, end));
            if estimated {
                self.open.share.estimated_s += seconds(at, end);
            }
            (at, in_month) = (end, in_month + share);
            if at >= to {
                break;
            }
            self.turn();
            let now = Month::of(self.date());
            if now != month {
                if assumed {
                    self.allot((month, in_month), amount, (from, to));
                }
                (month, in_month) = (now, 0.0);
            }
        }
        if assumed && month != first_month {
            self.allot((month, in_month), amount, (from, to));
        }
    }

    #[expect(clippy::cast_precision_loss, reason = "seconds of a step stay far below 2^52")]
    fn allot(&mut self, (month, share): (Month, f64), step: f64, (from, to): (i64, i64)) {
        let step_days = (to - from) as f64 / DAY_S as f64;
        // Steps lie between readings of valid dates, so the way back cannot fail.
        let from = DateTime::<Utc>::from_timestamp(from, 0).unwrap_or_default();
        self.allotments.push(Allotment { from, month, step, step_days, share });
    }

    /// Marks an open exception on every day and span that its step touches, the step
    /// beginning in the open piece.
    pub(super) fn mark(&mut self, to: i64) {
        self.open.began += 1;
        self.open.share.open_exceptions += 1;
        while to > self.open.to {
            self.turn();
            self.open.share.open_exceptions += 1;
        }
    }

    /// Use in the last [`RECENT_DAYS`] days, when enough of them is covered.
    #[expect(clippy::cast_precision_loss, reason = "seconds of 90 days are exact")]
    pub(super) fn recent(&self) -> Option<RecentUse> {
        let (mut covered, mut total, mut largest_day) = (0, 0.0, 0.0_f64);
        let (mut date, mut of_day, mut days) = (NaiveDate::MIN, 0.0, 0);
        for piece in std::iter::once(&self.open).chain(self.closed.iter().rev()) {
            if piece.share.date != date {
                (date, of_day, days) = (piece.share.date, 0.0, days + 1);
            }
            if days > RECENT_DAYS {
                break;
            }
            of_day += piece.share.amount;
            largest_day = largest_day.max(of_day);
            total += piece.share.amount;
            covered += i64::from(piece.share.covered_s);
        }
        (covered >= LEAST_RECENT_S).then(|| RecentUse { largest_day, mean_day: total * DAY_S as f64 / covered as f64 })
    }

    /// The days from `first` on that are left behind.
    pub(super) fn days_since(&self, first: NaiveDate) -> Vec<DayShare> {
        let from = self.closed.partition_point(|piece| piece.share.date < first);
        days(self.closed.get(from..).unwrap_or_default())
    }

    /// Everything from the first reading to the last.
    pub(super) fn finish(mut self) -> Totals {
        if self.begun {
            self.closed.push(self.open);
        }
        let cut = !self.cuts.is_empty();
        Totals {
            pieces: if cut { self.closed.iter().map(Piece::bare).collect() } else { Vec::new() },
            spans: spans(&self.cuts, &self.closed),
            days: days(&self.closed),
            allotments: self.allotments,
            parts: self.parts.unwrap_or_default(),
        }
    }
}

impl Piece {
    fn bare(&self) -> DayPiece {
        let DayShare { amount, covered_s, .. } = self.share;
        DayPiece { from_s: self.from, to_s: self.to, amount, covered_s }
    }
}

/// Pieces of one date put together.
fn days(pieces: &[Piece]) -> Vec<DayShare> {
    let mut days: Vec<DayShare> = Vec::with_capacity(pieces.len());
    for Piece { share, began, .. } in pieces {
        match days.last_mut().filter(|day| day.date == share.date) {
            Some(day) => {
                day.amount += share.amount;
                day.covered_s += share.covered_s;
                day.estimated_s += share.estimated_s;
                day.readings += share.readings;
                day.open_exceptions += began;
            }
            None => days.push(*share),
        }
    }
    days
}

/// What fell between each two neighbouring cuts that the pieces reach.
fn spans(cuts: &[i64], pieces: &[Piece]) -> Vec<SpanShare> {
    let mut spans = Vec::new();
    let mut rest = pieces;
    for pair in cuts.windows(2) {
        let &[from, to] = pair else { continue };
        let first = rest.partition_point(|piece| piece.from < from);
        let end = rest.partition_point(|piece| piece.to <= to);
        let inside = rest.get(first..end).unwrap_or_default();
        rest = rest.get(end..).unwrap_or_default();
        spans.push(span(from, to, inside));
    }
    spans
}

fn span(from: i64, to: i64, pieces: &[Piece]) -> SpanShare {
    // Cuts are made from valid instants, so the way back cannot fail.
    let at = |t| DateTime::<Utc>::from_timestamp(t, 0).unwrap_or_default();
    let carried = pieces.first().map_or(0, |piece| piece.share.open_exceptions - piece.began);
    SpanShare {
        from: at(from),
        to: at(to),
        amount: pieces.iter().map(|piece| piece.share.amount).sum(),
        covered_s: pieces.iter().map(|piece| i64::from(piece.share.covered_s)).sum(),
        open_exceptions: carried + pieces.iter().map(|piece| piece.began).sum::<u32>(),
    }
}

/// The length of a stretch within one day; a day's seconds fit.
fn seconds(from: i64, to: i64) -> i32 {
    i32::try_from(to - from).unwrap_or(i32::MAX)
}
