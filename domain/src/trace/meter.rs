//! One meter in a trace: its facts, the readings used, what happened to its register, its steps,
//! and the part of each that falls into the time asked for.

use super::Window;
use crate::facts::Served;
use crate::metering::accuracy::{MeterCheck, ScaleKnown, Wear};
use crate::metering::days::DayShare;
use crate::metering::fold::{Folded, MeterFold};
use crate::metering::low_flow::LowFlow;
use crate::metering::meter::{AccuracyClass, MeterFacts};
use crate::metering::pulses::{self, Measuring};
use crate::metering::sessions::{DaySessions, SessionRule};
use crate::metering::spread::{Spread, StepPart, WorkingCalendar};
use crate::metering::step::{Counted, Doubted, Exchange, ReadingException, Ruling, Step};
use crate::metering::stream::ReadBy;
use crate::units::Dimension;
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde::Serialize;
use uuid::Uuid;

/// A reading that was used.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Stood {
    /// When it was read.
    pub at: DateTime<Utc>,
    /// What the register showed, in counts.
    pub register: f64,
    /// `telemetry`, `hand`, `customer` or `import`.
    pub source: &'static str,
}

/// A reading that a person set right.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Corrected {
    /// Its instant.
    pub at: DateTime<Utc>,
    /// What stood there; null where it had been taken out.
    pub was: Option<f64>,
    /// What stands there now; null where it was taken out.
    pub became: Option<f64>,
    /// Why.
    pub why: String,
}

/// One meter while it measures a subject, with its readings from the last one before the time
/// asked for to the first one after it.
#[derive(Debug, Clone)]
pub struct MeterInput {
    /// Its number within the dealer.
    pub number: i32,
    /// Its id.
    pub id: Uuid,
    /// What it is called.
    pub label: String,
    /// Its name in what is said about errors.
    pub name: String,
    /// Where it sits, and what else passes it.
    pub position: Option<String>,
    /// What its readings are judged by.
    pub facts: MeterFacts,
    /// The declared share of it that belongs to the subject, 0 to 1.
    pub share: f64,
    /// Standard uncertainty of that share.
    pub share_u: f64,
    /// Checks against known volumes.
    pub checks: Vec<MeterCheck>,
    /// The dial whose pulses it counts.
    pub dial: Option<i32>,
    /// From when on it measures the subject.
    pub from: Option<DateTime<Utc>>,
    /// Up to and including which instant.
    pub to: Option<DateTime<Utc>>,
    /// Its readings, in order.
    pub readings: Vec<Stood>,
    /// Registers exchanged.
    pub exchanges: Vec<Exchange>,
    /// Steps that a person accepted.
    pub rulings: Vec<Ruling>,
    /// Steps that the night run doubted, the accepted ones too.
    pub doubted: Vec<Doubted>,
    /// Readings of the time that people set right.
    pub corrections: Vec<Corrected>,
    /// When it serves a single gun, and which pause tells washes apart there: its readings begin a day
    /// earlier then.
    pub sessions: Vec<SessionRule>,
    /// How many readings the time has at least, where these are more than one answer takes: then
    /// none are given.
    pub too_many: Option<usize>,
}

/// Steps and readings of one meter that an answer lists; sums are of all of them.
pub const LISTED_MAX: usize = 1500;

impl MeterInput {
    /// When it measures the subject.
    pub(super) fn served(&self) -> Served {
        Served { from: self.from, to: self.to }
    }
}

/// A meter with what its readings came to.
pub(super) struct Replayed<'a> {
    pub(super) input: &'a MeterInput,
    pub(super) folded: Folded,
    /// The days that count, joined with those of the pulses where the dial was not read.
    pub(super) days: Vec<DayShare>,
    /// Whether its days count for the subject: not those of a register that spreads another's.
    pub(super) counts: bool,
    /// When it measures the subject, or the pulses do in its place.
    pub(super) served: Served,
    /// The meter whose pulses spread its steps.
    pub(super) spread_by: Option<i32>,
    /// Of pulses, between which instants the dial counts instead.
    pub(super) dial_counts: Option<(DateTime<Utc>, DateTime<Utc>)>,
}

/// Folds the readings of a subject's meters again; the pulses that spread a dial follow it, and do not count.
/// Steps are divided at these instants too.
pub(super) fn replay<'a>(
    zone: Tz,
    working: &WorkingCalendar,
    meters: &'a [MeterInput],
    at: &[DateTime<Utc>],
) -> Vec<Replayed<'a>> {
    let measuring = |one: &MeterInput| Measuring {
        number: one.number,
        dial: one.dial,
        by_hand: one.facts.read_by.by_hand(),
        from: one.from,
        to: one.to,
    };
    let pairs = pulses::pairs(&meters.iter().map(measuring).collect::<Vec<_>>());
    let of_dial = |place: usize| pairs.iter().find(|pair| pair.1 == place).map(|pair| pair.0);
    let is_pulses = |place: usize| pairs.iter().any(|pair| pair.0 == place);
    let mut replayed = Vec::with_capacity(meters.len());
    for (place, dial) in meters.iter().enumerate().filter(|(place, _)| !is_pulses(*place)) {
        let Some(by) = of_dial(place).and_then(|pulses| meters.get(pulses)) else {
            // What people read once in a while passed in the hours in which the site works.
            let by_hand = dial.facts.read_by.by_hand();
            let spread = if by_hand { Spread::Calendar(working) } else { Spread::Even };
            let folded = filled(fold(zone, dial).with_cuts(at).with_spread(spread), dial);
            let days = folded.days.clone();
            let (input, counts) = (dial, true);
            let served = dial.served();
            replayed.push(Replayed { input, folded, days, counts, served, spread_by: None, dial_counts: None });
            continue;
        };
        let mut cuts = pulses::cuts(dial.readings.iter().map(|reading| reading.at), &dial.exchanges);
        cuts.extend_from_slice(at);
        let pulses = filled(fold(zone, by).with_cuts(&cuts), by);
        let spread = Spread::Pulses(&pulses.pieces);
        let mut folded = filled(fold(zone, dial).with_cuts(&cuts).with_spread(spread), dial);
        // The pulses see the pauses; a dial that people read does not.
        folded.sessions.clone_from(&pulses.sessions);
        let days = pulses::joined(zone, &folded, &pulses);
        let dial_counts = folded.first.zip(folded.last).map(|(first, last)| (first.at, last.at));
        let spread_by = Some(by.number);
        let served = dial.served().and(by.served());
        replayed.push(Replayed { input: dial, folded, days, counts: true, served, spread_by, dial_counts: None });
        let days = pulses.days.clone();
        let (served, counts) = (by.served(), false);
        replayed.push(Replayed { input: by, folded: pulses, days, counts, served, spread_by: None, dial_counts });
    }
    replayed
}

fn fold(zone: Tz, meter: &MeterInput) -> MeterFold<'_> {
    MeterFold::new(&meter.facts, zone, &meter.exchanges, &meter.rulings)
        .with_verdicts(&meter.doubted)
        .with_sessions(meter.sessions.clone())
        .with_low_flows(&meter.facts)
        .with_parts()
}

fn filled(mut fold: MeterFold<'_>, meter: &MeterInput) -> Folded {
    meter.readings.iter().for_each(|reading| fold.push(reading.at, reading.register));
    fold.finish()
}

/// A meter in an answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeterTrace {
    /// Its number within the dealer.
    pub number: i32,
    /// Its id.
    pub id: Uuid,
    /// What it is called.
    pub label: String,
    /// Where it sits, and what else passes it.
    pub position: Option<String>,
    /// What it measures.
    pub stream: &'static str,
    /// What one count stands for, before the multiplier.
    pub unit: &'static str,
    /// Painted zeros: units that one count stands for.
    pub multiplier: f64,
    /// How much one unit is in `inside_unit`.
    pub inside_per_unit: f64,
    /// `l`, `kwh`, `h` or `count`: the unit of every amount.
    pub inside_unit: &'static str,
    /// Digits of the register; it rolls over at 10^digits. Null: never.
    pub digits: Option<u8>,
    /// Smallest change that the register shows, in counts; null is taken as one.
    pub resolution: Option<f64>,
    /// Accuracy class, where known.
    pub accuracy_class: Option<i16>,
    /// State of a displacement meter, which has limits of its own.
    pub displacement: Option<Wear>,
    /// Permissible error in service over that of a new meter.
    pub in_service_factor: f64,
    /// Whether its scale error stands on a check, on the limits of displacement meters or on its plate.
    pub scale_error: ScaleKnown,
    /// Who reads it.
    pub read_by: ReadBy,
    /// The declared share of it that belongs to the subject, 0 to 1.
    pub share: f64,
    /// Standard uncertainty of that share.
    pub share_u: f64,
    /// From when on it measures the subject; null: ever since.
    pub measures_from: Option<DateTime<Utc>>,
    /// Until when; null: it goes on.
    pub measures_to: Option<DateTime<Utc>>,
    /// Whether its amount counts; that of pulses beside a dial only where the dial was not read.
    pub counts: bool,
    /// The meter whose pulses spread its steps.
    pub spread_by: Option<i32>,
    /// The readings used.
    pub readings: Vec<Stood>,
    /// Registers exchanged between them.
    pub exchanges: Vec<ExchangeTrace>,
    /// Readings of the time that people set right.
    pub corrections: Vec<Corrected>,
    /// The steps that count and reach into the time.
    pub steps: Vec<StepTrace>,
    /// Steps that wait for a decision and count nothing.
    pub open_exceptions: Vec<OpenStep>,
    /// What it passed by local day; empty for a read period.
    pub days: Vec<MeterDay>,
    /// Which pause tells washes apart at its only gun, in which days.
    pub pauses: Vec<PauseTrace>,
    /// Sessions that began in each local day all of which was seen: water that comes after such a pause.
    pub sessions: Vec<DaySessions>,
    /// The most that can have passed below its lower flows on these days: of each step no more than the
    /// flow times its time. Null where the plate or the readings do not tell.
    pub low_flow: Option<LowFlow>,
    /// What it passed in the time, before its share.
    pub amount: f64,
    /// How that follows.
    pub formula: &'static str,
    /// What is not listed, and how to see it.
    pub cut: Option<Cut>,
}

/// Some days in which a meter serves a single gun.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct PauseTrace {
    /// The first local day.
    pub from: NaiveDate,
    /// The day after the last; null while it goes on.
    pub to: Option<NaiveDate>,
    /// Seconds without water after which what comes is another wash.
    pub pause_s: i64,
}

/// A new register.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ExchangeTrace {
    /// When.
    pub at: DateTime<Utc>,
    /// The old register's last value, in counts.
    pub old_final: f64,
    /// The new one's first.
    pub new_start: f64,
}

/// A step between two register values.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StepTrace {
    /// Instant of the earlier value.
    pub from_at: DateTime<Utc>,
    /// The earlier value, in counts.
    pub from_register: f64,
    /// Instant of the later value.
    pub to_at: DateTime<Utc>,
    /// The later value.
    pub to_register: f64,
    /// `plain`, `rollover`, or `accepted` by a person.
    pub how: &'static str,
    /// Whether an exchange of the register closes it.
    pub closes_register: bool,
    /// What passed, in counts.
    pub counts: f64,
    /// What passed, in the meter's unit.
    pub amount_in_unit: f64,
    /// What passed, in the inside unit.
    pub amount: f64,
    /// How that follows from the registers.
    pub formula: &'static str,
    /// The parts that fall into the time.
    pub parts: Vec<PartOfStep>,
}

/// A part of a step.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PartOfStep {
    /// How it was divided, and what it comes to: `amount` of the step times `weight` over `of`.
    #[serde(flatten)]
    pub part: StepPart,
    /// Whether it is in the sums.
    pub counts: bool,
}

/// A step that waits for a decision.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct OpenStep {
    /// Instant of the earlier reading.
    pub from_at: DateTime<Utc>,
    /// Instant of the later one.
    pub to_at: DateTime<Utc>,
    /// What is wrong.
    pub kind: &'static str,
    /// What an acceptance would count, in the inside unit.
    pub amount_if_accepted: f64,
}

/// A local day of a meter.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MeterDay {
    /// The local day.
    pub date: NaiveDate,
    /// What passed, in the inside unit, before the meter's share.
    pub amount: f64,
    /// Seconds of the day within accepted steps.
    pub covered_s: i32,
    /// Of these, seconds spread by assumption.
    pub estimated_s: i32,
    /// Open exceptions whose step touches the day.
    pub open_exceptions: u32,
}

/// What an answer leaves out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Cut {
    /// Steps listed.
    pub listed: usize,
    /// Steps that there are; readings, where none were read.
    pub of: usize,
    /// How to see the others.
    pub words: String,
}

impl Replayed<'_> {
    /// Whether it measures the subject at some time between the two.
    pub(super) fn reaches(&self, (from, to): (DateTime<Utc>, DateTime<Utc>)) -> bool {
        self.input.served().meets(from, to)
    }

    /// What is known of the scale error of what it passed until `to`.
    pub(super) fn known(&self, to: DateTime<Utc>) -> ScaleKnown {
        self.input.facts.scale_known(&self.input.checks, &self.input.exchanges, to)
    }

    /// What it passed between two of its own readings.
    pub(super) fn between(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
        let within = |step: &&Step| step.from.at >= from && step.to.at <= to;
        self.folded.steps.iter().filter(within).map(|step| step.amount).sum()
    }

    /// The meter with what of it falls into the time; `own` are its readings that bound a read
    /// period.
    pub(super) fn trace(&self, window: Window, zone: Tz, own: Option<(DateTime<Utc>, DateTime<Utc>)>) -> MeterTrace {
        let facts = &self.input.facts;
        let days: Vec<MeterDay> = self.days.iter().filter(|day| window.has(day.date)).map(MeterDay::of).collect();
        let (from, to) = own.unwrap_or_else(|| window.bounds(zone));
        let amount = match own {
            Some((from, to)) => self.between(from, to),
            None => days.iter().map(|day| day.amount).sum(),
        };
        let (steps, cut) = self.steps(window, own);
        let open = self.folded.exceptions.iter().filter(|one| one.to.at > from && one.from.at < to);
        MeterTrace {
            number: self.input.number,
            id: self.input.id,
            label: self.input.label.clone(),
            position: self.input.position.clone(),
            stream: facts.stream.as_str(),
            unit: facts.unit.as_str(),
            multiplier: facts.multiplier,
            inside_per_unit: facts.unit.factor(),
            inside_unit: inside_unit(facts.unit.dimension()),
            digits: facts.digits,
            resolution: facts.resolution,
            accuracy_class: facts.class.map(AccuracyClass::number),
            displacement: facts.displacement,
            in_service_factor: facts.in_service_factor,
            scale_error: self.known(to),
            read_by: facts.read_by,
            share: self.input.share,
            share_u: self.input.share_u,
            measures_from: self.input.from,
            measures_to: self.input.to,
            counts: self.counts,
            spread_by: self.spread_by,
            readings: self.input.readings.iter().take(LISTED_MAX).copied().collect(),
            exchanges: self.exchanges(),
            corrections: self.input.corrections.clone(),
            steps,
            open_exceptions: open.map(OpenStep::of).collect(),
            pauses: self.input.sessions.iter().map(PauseTrace::of).collect(),
            sessions: self.folded.sessions.iter().filter(|day| window.has(day.date)).copied().collect(),
            low_flow: self.low_flow(window),
            days,
            amount,
            formula: self.formula(own.is_some()),
            cut,
        }
    }

    fn low_flow(&self, window: Window) -> Option<LowFlow> {
        let own = self.days.iter().filter(|day| window.has(day.date));
        LowFlow::of(&self.input.facts.flows, own, &self.folded.above)
    }

    fn formula(&self, period: bool) -> &'static str {
        match (period, self.counts, self.spread_by) {
            (true, ..) => "amount = sum of the steps between its two readings",
            (false, true, Some(_)) => {
                "amount = sum of the parts that count, its own and those of spread_by; each = step x weight / of"
            }
            (false, true, None) => "amount = sum of the parts of its steps; each = step x weight / of",
            (false, false, _) => "amount = sum of the parts of its steps; in no sum but where a part counts",
        }
    }

    /// Exchanges from the first reading used to the last.
    fn exchanges(&self) -> Vec<ExchangeTrace> {
        let (first, last) = (self.input.readings.first(), self.input.readings.last());
        let used = |exchange: &&Exchange| {
            first.is_some_and(|first| first.at <= exchange.at) && last.is_some_and(|last| exchange.at <= last.at)
        };
        let shown = |one: &Exchange| ExchangeTrace { at: one.at, old_final: one.old_final, new_start: one.new_start };
        self.input.exchanges.iter().filter(used).map(shown).collect()
    }

    /// The steps of the time, each with its parts in it.
    fn steps(&self, window: Window, own: Option<(DateTime<Utc>, DateTime<Utc>)>) -> (Vec<StepTrace>, Option<Cut>) {
        if let Some(of) = self.input.too_many {
            let words = format!("{of} readings and more are not replayed in one answer: ask for a shorter time.");
            return (Vec::new(), Some(Cut { listed: 0, of, words }));
        }
        let mut rest = self.folded.parts.as_slice();
        let mut found: Vec<StepTrace> = Vec::new();
        let mut count = 0;
        for step in &self.folded.steps {
            // The parts of a step end with the first that ends where it does.
            let end = rest.iter().position(|part| part.to == step.to.at).map_or(rest.len(), |place| place + 1);
            let (parts, others) = rest.split_at(end);
            rest = others;
            let in_period = own.is_some_and(|(from, to)| step.from.at >= from && step.to.at <= to);
            let inside = |part: &&StepPart| in_period || window.has(part.date);
            if !parts.iter().any(|part| inside(&part)) {
                continue;
            }
            count += 1;
            if found.len() < LISTED_MAX {
                let parts = parts.iter().filter(inside).map(|part| self.part(part)).collect();
                found.push(self.step(step, parts));
            }
        }
        let cut = (count > found.len()).then(|| Cut {
            listed: found.len(),
            of: count,
            words: "The first steps alone are listed, the sums and days are of all: ask for one day at a time.".into(),
        });
        (found, cut)
    }

    fn part(&self, part: &StepPart) -> PartOfStep {
        let beside_dial = self.dial_counts.is_none_or(|(first, last)| part.to <= first || part.from >= last);
        PartOfStep { part: *part, counts: self.counts || beside_dial }
    }

    fn step(&self, step: &Step, parts: Vec<PartOfStep>) -> StepTrace {
        let facts = &self.input.facts;
        let difference = step.to.register - step.from.register;
        let rolled = facts.modulus().map(|modulus| difference + modulus);
        let missed = |counts: f64| (step.amount - counts * facts.scale()).abs();
        let over_the_end = rolled.filter(|rolled| missed(*rolled) < missed(difference));
        let counts = over_the_end.unwrap_or(difference);
        let exchanged = |one: &Exchange| one.at == step.to.at && one.old_final == step.to.register;
        StepTrace {
            from_at: step.from.at,
            from_register: step.from.register,
            to_at: step.to.at,
            to_register: step.to.register,
            how: step.how.as_str(),
            closes_register: step.how != Counted::Rollover && self.input.exchanges.iter().any(exchanged),
            counts,
            amount_in_unit: counts * facts.multiplier,
            amount: step.amount,
            formula: if over_the_end.is_some() {
                "amount = (to_register - from_register + 10^digits) x multiplier x inside_per_unit"
            } else {
                "amount = (to_register - from_register) x multiplier x inside_per_unit"
            },
            parts,
        }
    }
}

impl PauseTrace {
    fn of(rule: &SessionRule) -> Self {
        Self { from: rule.days.from(), to: rule.days.to(), pause_s: rule.pause_s }
    }
}

impl MeterDay {
    fn of(day: &DayShare) -> Self {
        Self {
            date: day.date,
            amount: day.amount,
            covered_s: day.covered_s,
            estimated_s: day.estimated_s,
            open_exceptions: day.open_exceptions,
        }
    }
}

impl OpenStep {
    fn of(open: &ReadingException) -> Self {
        Self {
            from_at: open.from.at,
            to_at: open.to.at,
            kind: open.kind.as_str(),
            amount_if_accepted: open.amount_if_accepted,
        }
    }
}

/// The unit of amounts of a dimension.
pub(super) fn inside_unit(dimension: Dimension) -> &'static str {
    match dimension {
        Dimension::Volume => "l",
        Dimension::Energy => "kwh",
        Dimension::Duration => "h",
        Dimension::Events => "count",
    }
}
