//! Readings of one meter in time order, folded to local days and exceptions.

use super::days::{Allotment, DayShare, SpanShare};
use super::history::{History, MonthUse};
use super::ledger::Ledger;
use super::low_flow::{AboveFold, DayAbove};
use super::meter::MeterFacts;
use super::sessions::{DaySessions, SessionFold, SessionRule};
use super::spread::{DayPiece, Spread, StepPart};
use super::step::{
    Counted, Doubted, Doubtful, ExceptionKind, Exchange, Judge, Point, Reading, ReadingException, RecentUse, Ruling,
    Step, Verdict,
};
use super::stream::ReadBy;
use crate::units::Dimension;
use crate::zone::Month;
use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;

/// Folds the readings of one meter. Give them in time order, whole sheets or one by one;
/// to go on from an earlier day, push the last reading before it first.
///
/// Nothing outside the first and the last reading is made up, and a step counts whole or
/// not at all. Exchanges before the first reading have no effect; one after the last waits
/// for the next reading, or for its own final value pushed as a reading.
#[derive(Debug)]
pub struct MeterFold<'a> {
    judge: Judge<'a>,
    ledger: Ledger<'a>,
    /// In time order, the ones to come from `next_exchange` on.
    exchanges: Vec<Exchange>,
    next_exchange: usize,
    /// In time order, the ones to come from `next_edit` on.
    edits: Vec<Edit>,
    next_edit: usize,
    /// Begins and ends of accepted steps, in order.
    accepted_steps: Vec<(i64, i64)>,
    known_use: Option<RecentUse>,
    /// What an earlier fold doubted, where its verdicts are taken over.
    doubted: Option<&'a [Doubted]>,
    /// What the meter passed until now, where steps are held against it.
    history: Option<History>,
    /// The first day that is in no month of the history yet.
    unlearned: NaiveDate,
    /// The local day from which on the limits have to be learned anew.
    learn_on: NaiveDate,
    /// The most in a day that a person accepted.
    accepted_day: f64,
    first: Option<Point>,
    /// The reading before `last` on the same register.
    before: Option<Point>,
    last: Option<Point>,
    exceptions: Vec<ReadingException>,
    /// Every accepted step, when they were asked for.
    steps: Option<Vec<Step>>,
    /// Where sessions or slow flows were asked for.
    sessions: Option<SessionFold>,
    above: Option<AboveFold>,
    accepted: f64,
    ignored: u64,
}

/// A reading that a person took out (`None`) or set right.
#[derive(Debug, Clone, Copy)]
struct Edit {
    t: i64,
    register: Option<f64>,
}

/// What the readings of one meter come to.
#[derive(Debug, Clone, PartialEq)]
pub struct Folded {
    /// Every local day from the first reading to the last, in order.
    pub days: Vec<DayShare>,
    /// What fell between each two neighbouring cuts; without cuts, nothing.
    pub spans: Vec<SpanShare>,
    /// The days again, divided at the cuts; without cuts, nothing.
    pub pieces: Vec<DayPiece>,
    /// For each step that crosses a month's bound, what each month got by assumption.
    pub allotments: Vec<Allotment>,
    /// Steps that do not count, in order.
    pub exceptions: Vec<ReadingException>,
    /// The months known before and those that the days make, when
    /// [`MeterFold::with_history`] asked for them; the last one may go on.
    pub history: History,
    /// Steps that count, when [`MeterFold::with_steps`] asked for them.
    pub steps: Vec<Step>,
    /// How each was divided, in order, when [`MeterFold::with_parts`] asked for it.
    pub parts: Vec<StepPart>,
    /// Sessions of the days all of which was seen, when [`MeterFold::with_sessions`] asked for them.
    pub sessions: Vec<DaySessions>,
    /// What surely passed above its lower flows, when [`MeterFold::with_low_flows`] asked for it.
    pub above: Vec<DayAbove>,
    /// The first reading that counts.
    pub first: Option<Reading>,
    /// The last one: to go on, push it first.
    pub last: Option<Reading>,
    /// Sum of the accepted steps, in the inside unit; the days add up to it.
    pub accepted: f64,
    /// Readings left aside because they were no number or not later than the one before.
    pub ignored: u64,
}

impl<'a> MeterFold<'a> {
    /// A fold without readings. Exchanges and rulings may come in any order.
    #[must_use]
    pub fn new(facts: &'a MeterFacts, zone: Tz, exchanges: &[Exchange], rulings: &[Ruling]) -> Self {
        let mut fold = Self {
            judge: Judge::new(facts),
            ledger: Ledger::new(zone),
            exchanges: exchanges.to_vec(),
            next_exchange: 0,
            edits: Vec::new(),
            next_edit: 0,
            accepted_steps: Vec::new(),
            known_use: None,
            doubted: None,
            history: None,
            unlearned: NaiveDate::MIN,
            learn_on: NaiveDate::MAX,
            accepted_day: 0.0,
            first: None,
            before: None,
            last: None,
            exceptions: Vec::new(),
            steps: None,
            sessions: None,
            above: None,
            accepted: 0.0,
            ignored: 0,
        };
        for ruling in rulings {
            match *ruling {
                Ruling::Accept { from, to } => fold.accepted_steps.push((from.timestamp(), to.timestamp())),
                Ruling::Void { at } => fold.edits.push(Edit { t: at.timestamp(), register: None }),
                Ruling::Correct { at, register } => {
                    fold.edits.push(Edit { t: at.timestamp(), register: Some(register) });
                }
                Ruling::Exchange(exchange) => fold.exchanges.push(exchange),
            }
        }
        fold.exchanges.sort_by_key(|exchange| exchange.at);
        fold.edits.sort_by_key(|edit| edit.t);
        fold.accepted_steps.sort_unstable();
        fold
    }

    /// Use before the first reading pushed here, for a fold that starts in mid-life: a
    /// rollover is believed, and a slip guessed, only against recent use.
    #[must_use]
    pub fn with_recent_use(mut self, known: Option<RecentUse>) -> Self {
        self.known_use = known;
        self
    }

    /// Holds every step against the meter's own history too: the months known before, and
    /// those that the fold leaves behind. A meter read by hand is held against the running
    /// month as well.
    #[must_use]
    pub fn with_history(mut self, known: History) -> Self {
        self.history = Some(known);
        self.learn_on = NaiveDate::MIN;
        self
    }

    /// Divides the steps that cross a bound by this rule instead of evenly.
    #[must_use]
    pub fn with_spread(mut self, spread: Spread<'a>) -> Self {
        self.ledger.spread = spread;
        self
    }

    /// Also sums up what falls between each two of these instants.
    #[must_use]
    pub fn with_cuts(mut self, cuts: &[DateTime<Utc>]) -> Self {
        self.cut_at(cuts);
        self
    }

    /// The same for a fold that waits for its first reading.
    pub fn cut_at(&mut self, cuts: &[DateTime<Utc>]) {
        self.ledger.cut_at(cuts.iter().map(DateTime::timestamp).collect());
    }

    /// Also keeps every accepted step, which costs memory for each reading.
    #[must_use]
    pub fn with_steps(mut self) -> Self {
        self.steps = Some(Vec::new());
        self
    }

    /// Also counts sessions by these rules, of which no two hold on one day.
    #[must_use]
    pub fn with_sessions(mut self, rules: Vec<SessionRule>) -> Self {
        self.sessions = (!rules.is_empty()).then(|| SessionFold::new(self.ledger.zone(), rules));
        self
    }

    /// Also sums what surely passed above the lower flows of the meter's plate, where that gives them.
    #[must_use]
    pub fn with_low_flows(mut self, facts: &MeterFacts) -> Self {
        let water = facts.stream.dimension() == Dimension::Volume;
        self.above = AboveFold::new(self.ledger.zone(), &facts.flows).filter(|_| water);
        self
    }

    /// The same, and how every step was divided over local days.
    #[must_use]
    pub fn with_parts(mut self) -> Self {
        self.ledger.parts = Some(Vec::new());
        self.with_steps()
    }

    /// Takes over the verdicts of an earlier fold instead of judging by recent use and history,
    /// which a fold of a few days does not know.
    #[must_use]
    pub fn with_verdicts(mut self, doubted: &'a [Doubted]) -> Self {
        self.doubted = Some(doubted);
        self
    }

    /// Adds the readings of one UTC day: seconds of the day, strictly increasing, and the
    /// register at each, in counts. The slices are of one length; what is longer is left.
    pub fn push_sheet(&mut self, day: NaiveDate, at_s: &[i32], register: &[f64]) {
        let base = day.and_time(NaiveTime::MIN).and_utc().timestamp();
        if let (Some(&first_s), Some(&first), Some(&last_s)) = (at_s.first(), register.first(), at_s.last()) {
            let (from, to) = (base + i64::from(first_s), base + i64::from(last_s));
            self.learn_if_due();
            let plain = self.steps.is_none() && self.last.is_none_or(|last| last.t < from);
            if plain && !self.disturbed_by(to) && self.judge.all_count(at_s, register) {
                self.push_point(Point { t: from, register: first });
                self.look_at_run(base, at_s, register);
                return self.push_run(base, at_s, register);
            }
        }
        for (&second, &register) in at_s.iter().zip(register) {
            self.push_point(Point { t: base + i64::from(second), register });
        }
    }

    /// Adds one reading: instant, cut to whole seconds, and register in counts.
    pub fn push(&mut self, at: DateTime<Utc>, register: f64) {
        self.push_point(Point::at(at, register));
    }

    /// Closes the last day.
    #[must_use]
    pub fn finish(self) -> Folded {
        let totals = self.ledger.finish();
        let mut history = self.history;
        if let Some(history) = &mut history {
            let from = totals.days.partition_point(|day| day.date < self.unlearned);
            by_month(totals.days.get(from..).unwrap_or_default()).for_each(|passed| history.add(passed));
        }
        Folded {
            days: totals.days,
            history: history.unwrap_or_default(),
            spans: totals.spans,
            pieces: totals.pieces,
            allotments: totals.allotments,
            exceptions: self.exceptions,
            steps: self.steps.unwrap_or_default(),
            parts: totals.parts,
            sessions: self.sessions.map(SessionFold::finish).unwrap_or_default(),
            above: self.above.map(AboveFold::finish).unwrap_or_default(),
            first: self.first.map(Point::reading),
            last: self.last.map(Point::reading),
            accepted: self.accepted,
            ignored: self.ignored,
        }
    }

    /// Whether an exchange or an edit is due up to `t`.
    fn disturbed_by(&self, t: i64) -> bool {
        self.exchanges.get(self.next_exchange).is_some_and(|exchange| exchange.at.timestamp() <= t)
            || self.edits.get(self.next_edit).is_some_and(|edit| edit.t <= t)
    }

    /// The readings of a sheet after its first, which is the last one pushed; every step
    /// counts, so within a local day only the ends matter.
    fn push_run(&mut self, base: i64, at_s: &[i32], register: &[f64]) {
        let Some(end) = at_s.len().checked_sub(1) else { return };
        let point = |place: usize| {
            let second = at_s.get(place).copied().unwrap_or_default();
            (second, Point { t: base + i64::from(second), register: register.get(place).copied().unwrap_or_default() })
        };
        let (mut from_place, mut from) = (0, point(0));
        while from_place < end {
            let midnight = self.ledger.end() - base;
            let last_s = at_s.last().copied().unwrap_or_default();
            let to_place = if i64::from(last_s) < midnight {
                end
            } else {
                at_s.partition_point(|&second| i64::from(second) < midnight).saturating_sub(1)
            };
            let to = point(to_place);
            let amount = (to.1.register - from.1.register) * self.judge.scale;
            self.ledger.add_within(amount, to.0 - from.0);
            self.ledger.count_readings(to_place - from_place);
            self.accepted += amount;
            if to_place == end {
                break;
            }
            let over = point(to_place + 1);
            self.count_step(to.1, over.1, over.1.register - to.1.register);
            self.ledger.reach(over.1.t);
            self.ledger.count_readings(1);
            (from_place, from) = (to_place + 1, over);
        }
        if let Some(before) = end.checked_sub(1) {
            self.before = Some(point(before).1);
        }
        self.last = Some(point(end).1);
    }

    /// The steps of a sheet whose readings all count, for what looks at each of them.
    fn look_at_run(&mut self, base: i64, at_s: &[i32], register: &[f64]) {
        if self.sessions.is_none() && self.above.is_none() {
            return;
        }
        let steps = at_s.iter().zip(at_s.iter().skip(1)).zip(register.iter().zip(register.iter().skip(1)));
        for ((from, to), (before, after)) in steps {
            self.look(base + i64::from(*from), base + i64::from(*to), (after - before) * self.judge.scale);
        }
    }

    fn look(&mut self, from: i64, to: i64, amount: f64) {
        if let Some(sessions) = &mut self.sessions {
            sessions.push(from, to, amount);
        }
        if let Some(above) = &mut self.above {
            above.push(from, to, amount);
        }
    }

    fn push_point(&mut self, point: Point) {
        let Some(point) = self.edited(point) else { return };
        if !point.register.is_finite() || self.last.is_some_and(|last| point.t <= last.t) {
            self.ignored += 1;
            return;
        }
        while let Some(exchange) = self.exchange_due(point) {
            self.next_exchange += 1;
            self.change_register(&exchange);
        }
        match self.last {
            Some(last) => self.step_to(last, point),
            None => self.first = Some(point),
        }
        self.ledger.reach(point.t);
        self.ledger.count_readings(1);
        (self.before, self.last) = (self.last, Some(point));
    }

    /// The point after a person's rulings on it; `None` when it was taken out.
    fn edited(&mut self, point: Point) -> Option<Point> {
        let mut edited = Some(point);
        while let Some(edit) = self.edits.get(self.next_edit).filter(|edit| edit.t <= point.t) {
            if edit.t == point.t {
                edited = edit.register.map(|register| Point { register, ..point });
            }
            self.next_edit += 1;
        }
        edited
    }

    /// The next exchange, when it lies before `point`. A reading at the very instant is the
    /// old register's last if it has that value, else the new one's.
    fn exchange_due(&self, point: Point) -> Option<Exchange> {
        let exchange = *self.exchanges.get(self.next_exchange)?;
        let at = exchange.at.timestamp();
        let closes_old = point.register == exchange.old_final && point.register != exchange.new_start;
        (at < point.t || (at == point.t && !closes_old)).then_some(exchange)
    }

    /// Closes the old register at its final value and opens the new one.
    fn change_register(&mut self, exchange: &Exchange) {
        let at = exchange.at.timestamp();
        if let Some(last) = self.last.filter(|last| last.t <= at) {
            self.step_to(last, Point { t: at, register: exchange.old_final });
            self.ledger.reach(at);
            self.before = None;
            self.last = Some(Point { t: at, register: exchange.new_start });
        }
    }

    /// Judges the step to `to` and counts it or opens an exception.
    fn step_to(&mut self, from: Point, to: Point) {
        self.learn_if_due();
        let recent = || self.ledger.recent().or(self.known_use);
        let verdict = match self.doubted {
            Some(doubted) => self.judge.recall(from, to, doubt_on(doubted, from, to)),
            None => self.judge.judge(from, to, recent),
        };
        let accepted = || self.accepted_steps.binary_search(&(from.t, to.t)).is_ok();
        let (counts, how) = match verdict {
            Verdict::Counts(counts) => (counts, Counted::Plain),
            Verdict::Rollover(counts) => (counts, Counted::Rollover),
            Verdict::Doubt(_, counts) if accepted() => {
                self.accepted_day = self.accepted_day.max(self.judge.per_day(from, to, counts));
                (counts, Counted::Accepted)
            }
            Verdict::Doubt(kind, counts) => {
                let case = Doubtful { before: self.before, from, to, recent: recent() };
                self.exceptions.push(self.judge.exception(case, kind, counts));
                return self.ledger.mark(to.t);
            }
        };
        self.count_step(from, to, counts);
        self.look(from.t, to.t, counts * self.judge.scale);
        if let Some(steps) = &mut self.steps {
            let amount = counts * self.judge.scale;
            steps.push(Step { from: from.reading(), to: to.reading(), amount, how });
        }
    }

    fn learn_if_due(&mut self) {
        if self.last.is_some() && self.ledger.date() >= self.learn_on {
            self.learn();
        }
    }

    /// Takes the months left behind into the history, and the limits of the present one from it.
    fn learn(&mut self) {
        let Some(history) = &mut self.history else { return };
        let month = Month::of(self.ledger.date());
        let mut so_far = None;
        for passed in by_month(&self.ledger.days_since(self.unlearned)) {
            if passed.month == month {
                so_far = Some(passed);
            } else {
                history.add(passed);
            }
        }
        self.unlearned = month.first_day();
        let by_logger = self.judge.read_by() == ReadBy::Telemetry;
        self.learn_on = if by_logger { month.next().first_day() } else { self.unlearned };
        self.judge.hold(history.limit(month, so_far, self.accepted_day));
    }

    fn count_step(&mut self, from: Point, to: Point, counts: f64) {
        let amount = counts * self.judge.scale;
        self.ledger.add_step(from.t, to.t, amount);
        self.accepted += amount;
    }
}

/// What was found wrong with the step between two points.
fn doubt_on(doubted: &[Doubted], from: Point, to: Point) -> Option<ExceptionKind> {
    let here = |one: &&Doubted| one.from.timestamp() == from.t && one.to.timestamp() == to.t;
    doubted.iter().find(here).map(|one| one.kind)
}

/// What each month among these days comes to.
fn by_month(days: &[DayShare]) -> impl Iterator<Item = MonthUse> {
    days.chunk_by(|a, b| Month::of(a.date) == Month::of(b.date)).filter_map(MonthUse::of)
}

#[cfg(test)]
mod properties;
#[cfg(test)]
mod spreads;
#[cfg(test)]
mod tests;
