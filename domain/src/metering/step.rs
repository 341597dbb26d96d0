//! The step between two readings of one register: accepted, or an exception that stays out
//! of the sums until a person decides.

use super::history::Limit;
use super::meter::MeterFacts;
use super::slip::{self, Suggestion};
use super::stream::ReadBy;
use chrono::{DateTime, Utc};

/// A register value at an instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// When it stood there.
    pub at: DateTime<Utc>,
    /// The value, in counts of the meter's own unit.
    pub register: f64,
}

/// A new register behind the same connection.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exchange {
    /// When the registers were changed.
    pub at: DateTime<Utc>,
    /// Last value of the old register, in counts.
    pub old_final: f64,
    /// First value of the new one, in counts.
    pub new_start: f64,
}

/// A person's decision on readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Ruling {
    /// The step between these instants counts, with the amount its exception named.
    Accept {
        /// Instant of the step's earlier reading.
        from: DateTime<Utc>,
        /// Instant of its later reading.
        to: DateTime<Utc>,
    },
    /// The reading at this instant does not count.
    Void {
        /// Its instant.
        at: DateTime<Utc>,
    },
    /// The reading at this instant was another value.
    Correct {
        /// Its instant.
        at: DateTime<Utc>,
        /// The right value, in counts.
        register: f64,
    },
    /// A register was exchanged.
    Exchange(Exchange),
}

/// Why a step does not count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ExceptionKind {
    /// The register went back, and not by rolling over.
    Reversal,
    /// The register went back from near its end, but more passed than is sure to fit.
    DoubtfulRollover,
    /// More than the meter can pass in the time.
    AboveMaxFlow,
    /// More than the meter has ever been seen to pass at this time of year.
    AboveHistory,
    /// A value that the register cannot show: negative, or with more digits than it has.
    BeyondRegister,
}

impl ExceptionKind {
    /// Every kind.
    pub const ALL: [Self; 5] =
        [Self::Reversal, Self::DoubtfulRollover, Self::AboveMaxFlow, Self::AboveHistory, Self::BeyondRegister];

    /// The name in answers and the database.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Reversal => "reversal",
            Self::DoubtfulRollover => "doubtful_rollover",
            Self::AboveMaxFlow => "above_max_flow",
            Self::AboveHistory => "above_history",
            Self::BeyondRegister => "beyond_register",
        }
    }

    /// The kind of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == name)
    }
}

/// A step that does not count until a person has decided.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReadingException {
    /// The earlier reading.
    pub from: Reading,
    /// The later reading; rulings name its instant.
    pub to: Reading,
    /// What is wrong.
    pub kind: ExceptionKind,
    /// What an acceptance would count, in the inside unit (L, kWh, h, events).
    pub amount_if_accepted: f64,
    /// The likely slip; never applied unasked.
    pub suggestion: Option<Suggestion>,
}

/// A step that counts, with what was made of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// The earlier reading.
    pub from: Reading,
    /// The later one.
    pub to: Reading,
    /// What passed, in the inside unit (L, kWh, h, events).
    pub amount: f64,
    /// Why it counts.
    pub how: Counted,
}

/// Why a step counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Counted {
    /// The difference of the two readings.
    Plain,
    /// The register began again from zero.
    Rollover,
    /// A person accepted it.
    Accepted,
}

impl Counted {
    /// The name in answers.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Plain => "plain",
            Self::Rollover => "rollover",
            Self::Accepted => "accepted",
        }
    }
}

/// A register value at a second since 1970.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    pub(super) t: i64,
    pub(super) register: f64,
}

impl Point {
    pub(super) fn at(at: DateTime<Utc>, register: f64) -> Self {
        Self { t: at.timestamp(), register }
    }

    pub(super) fn reading(self) -> Reading {
        // Points are made from valid instants, so the way back cannot fail.
        Reading { at: DateTime::from_timestamp(self.t, 0).unwrap_or_default(), register: self.register }
    }
}

/// Days of recent use that a rollover or a slip is compared with.
pub const RECENT_DAYS: usize = 90;

/// A step that an earlier fold found doubtful.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Doubted {
    /// Instant of its earlier reading.
    pub from: DateTime<Utc>,
    /// Instant of its later reading.
    pub to: DateTime<Utc>,
    /// What was wrong.
    pub kind: ExceptionKind,
}

/// What a meter has passed in the days before a step, in the inside unit a day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecentUse {
    /// The largest day.
    pub largest_day: f64,
    /// The mean day.
    pub mean_day: f64,
}

/// What is made of a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Verdict {
    /// It counts, in register counts.
    Counts(f64),
    /// The same, over the end of the register.
    Rollover(f64),
    /// It is doubtful; the counts an acceptance would give.
    Doubt(ExceptionKind, f64),
}

/// The earlier reading of a rollover stands in this last part of the register (common
/// practice, no source).
const NEAR_THE_END: f64 = 0.9;
/// A rollover never passes more than this part of the register: above it a reversal is likelier.
const LARGEST_ROLLOVER: f64 = 0.5;
/// A step fits recent use up to this many times the largest recent day (common practice, no source).
const RECENT_FACTOR: f64 = 3.0;

const DAY_S: f64 = 86_400.0;

/// Judges the steps of one register. Everything is in counts and seconds.
#[derive(Debug, Clone)]
pub(super) struct Judge<'a> {
    facts: &'a MeterFacts,
    /// Inside units a count.
    pub(super) scale: f64,
    /// Where the register rolls over; infinite when it never does.
    modulus: f64,
    /// Most counts a second; infinite when not known.
    per_s: f64,
    /// Counts by which a step may pass that: the register's resolution and unsure instants.
    slack: f64,
    /// Counts by which a register may seem to go back without having moved.
    shiver: f64,
    /// Most counts in a day by the meter's own history; infinite when not known.
    per_day: f64,
    /// Days against which a shorter step is held for that.
    least_days: f64,
}

impl<'a> Judge<'a> {
    pub(super) fn new(facts: &'a MeterFacts) -> Self {
        let scale = facts.scale();
        let per_s = facts.limit_per_h().map_or(f64::INFINITY, |limit| limit / 3600.0 / scale);
        Self {
            facts,
            scale,
            modulus: facts.modulus().unwrap_or(f64::INFINITY),
            per_s,
            slack: per_s * facts.instant_tolerance_s() + facts.resolution.unwrap_or(1.0),
            shiver: facts.resolution.unwrap_or(0.0),
            per_day: f64::INFINITY,
            least_days: 1.0,
        }
    }

    /// Holds what comes against what the meter's own history lets pass.
    pub(super) fn hold(&mut self, limit: Limit) {
        self.per_day = limit.per_day / self.scale;
        self.least_days = limit.least_days;
    }

    pub(super) fn read_by(&self) -> ReadBy {
        self.facts.read_by
    }

    /// What a step of so many counts is in a day, in the inside unit.
    pub(super) fn per_day(&self, from: Point, to: Point, counts: f64) -> f64 {
        counts * self.scale / (self.seconds(from, to) / DAY_S).max(self.least_days)
    }

    /// Whether every step within a sheet surely counts. One pass without branches, so that
    /// the compiler can do several readings at once; a sheet has no step longer than a day.
    pub(super) fn all_count(&self, at_s: &[i32], register: &[f64]) -> bool {
        let (Some(&lowest), Some(&highest)) = (register.first(), register.last()) else { return false };
        if lowest < 0.0 || highest >= self.modulus || at_s.len() != register.len() {
            return false;
        }
        let times = at_s.iter().zip(at_s.get(1..).unwrap_or_default());
        let values = register.iter().zip(register.get(1..).unwrap_or_default());
        let most_by_history = self.per_day * self.least_days;
        let mut fine = true;
        for ((&t0, &t1), (&r0, &r1)) in times.zip(values) {
            let most = (self.per_s * f64::from(t1 - t0) + self.slack).min(most_by_history);
            let step = r1 - r0;
            fine &= (t1 > t0) & (step >= 0.0) & (step <= most);
        }
        fine
    }

    /// Judges one step. `recent` is asked only when the register went back.
    pub(super) fn judge(&self, from: Point, to: Point, recent: impl FnOnce() -> Option<RecentUse>) -> Verdict {
        let step = to.register - from.register;
        if to.register < 0.0 || to.register >= self.modulus {
            return Verdict::Doubt(ExceptionKind::BeyondRegister, step);
        }
        if step < -self.shiver {
            return self.judge_drop(from, to, recent);
        }
        self.judge_amount(step, self.seconds(from, to))
    }

    fn judge_amount(&self, step: f64, seconds: f64) -> Verdict {
        if step > self.per_s * seconds + self.slack {
            Verdict::Doubt(ExceptionKind::AboveMaxFlow, step)
        } else if step > self.per_day * (seconds / DAY_S).max(self.least_days) {
            Verdict::Doubt(ExceptionKind::AboveHistory, step)
        } else {
            Verdict::Counts(step)
        }
    }

    /// A register that went back rolled over only if it stood near its end, the amount fits
    /// the maximum flow, and it fits what the meter has passed of late. Not knowing the flow
    /// or the use is no proof, and leaves the step to a person.
    fn judge_drop(&self, from: Point, to: Point, recent: impl FnOnce() -> Option<RecentUse>) -> Verdict {
        let rolled = to.register - from.register + self.modulus;
        if from.register < NEAR_THE_END * self.modulus || rolled > LARGEST_ROLLOVER * self.modulus {
            return Verdict::Doubt(ExceptionKind::Reversal, to.register - from.register);
        }
        let seconds = self.seconds(from, to);
        let fits_flow = self.per_s.is_finite() && self.judge_amount(rolled, seconds) == Verdict::Counts(rolled);
        let fits_use = || {
            recent().is_some_and(|recent| {
                rolled * self.scale <= RECENT_FACTOR * recent.largest_day * (seconds / DAY_S).max(1.0)
            })
        };
        if fits_flow && fits_use() {
            Verdict::Rollover(rolled)
        } else {
            Verdict::Doubt(ExceptionKind::DoubtfulRollover, rolled)
        }
    }

    /// The verdict of an earlier fold, which knew what came before: a step that it did not doubt
    /// fits the meter's history and its recent use.
    pub(super) fn recall(&self, from: Point, to: Point, doubt: Option<ExceptionKind>) -> Verdict {
        let step = to.register - from.register;
        match doubt {
            Some(kind @ ExceptionKind::DoubtfulRollover) => Verdict::Doubt(kind, step + self.modulus),
            Some(kind) => Verdict::Doubt(kind, step),
            None => self.judge(from, to, || Some(RecentUse { largest_day: f64::INFINITY, mean_day: 0.0 })),
        }
    }

    /// The exception for a doubtful step, with the likely slip.
    pub(super) fn exception(&self, case: Doubtful, kind: ExceptionKind, counts: f64) -> ReadingException {
        let Doubtful { before, from, to, recent } = case;
        let seconds = self.seconds(from, to);
        let mut most = (self.per_s * seconds + self.slack).min(self.per_day * (seconds / DAY_S).max(self.least_days));
        let mut usual = 0.0;
        if let Some(recent) = recent {
            let days = seconds / DAY_S;
            most = most.min(RECENT_FACTOR * recent.largest_day * days.max(1.0) / self.scale);
            usual = recent.mean_day * days / self.scale;
        }
        let suggestion = if kind == ExceptionKind::DoubtfulRollover {
            Some(Suggestion::rollover())
        } else {
            let doubt = slip::Doubt { from: from.register, typed: to.register, most, usual, modulus: self.modulus };
            slip::suggest(&doubt, self.facts, before.map(|point| point.register))
        };
        ReadingException {
            from: from.reading(),
            to: to.reading(),
            kind,
            amount_if_accepted: counts * self.scale,
            suggestion,
        }
    }

    #[expect(clippy::cast_precision_loss, reason = "seconds between two readings stay far below 2^52")]
    fn seconds(&self, from: Point, to: Point) -> f64 {
        (to.t - from.t) as f64
    }
}

/// A doubtful step with what stood before it.
pub(super) struct Doubtful {
    /// The reading before the step, on the same register.
    pub(super) before: Option<Point>,
    pub(super) from: Point,
    pub(super) to: Point,
    pub(super) recent: Option<RecentUse>,
}
