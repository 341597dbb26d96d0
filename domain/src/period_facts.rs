//! Read-period facts: what a subject used between two rounds at which all its meters were
//! read by hand. Where readings are months apart these are the figures that nobody estimated.

use crate::facts::Amounts;
use crate::metering::accuracy::{Flow, ScaleKnown};
use crate::metering::days::SpanShare;
use crate::metering::meter::MeterFacts;
use crate::metering::step::{Exchange, Step};
use crate::metering::stream::Stream;
use crate::uncertainty::figures::MeterShare;
use crate::uncertainty::register::{Meter, Passed};
use crate::water::grade::Grade;
use crate::water::period::{ReadInstants, Round, cuts, periods, rounds};
use crate::water::statement::WATER_C;
use chrono::{DateTime, Duration, Utc};
use std::collections::BTreeMap;

/// Meters of one round are read within this time of each other (common practice, no source:
/// one visit, or the evening before and the morning after).
pub const ROUND_HOURS: i64 = 24;

/// One meter of a subject, read by hand.
#[derive(Debug, Clone)]
pub struct HandRead {
    /// What it measures.
    pub stream: Stream,
    /// The share of it that belongs to the subject, 0 to 1.
    pub share: f64,
    /// Its accepted steps, in order.
    pub steps: Vec<Step>,
}

/// A subject between two rounds.
#[derive(Debug, Clone, PartialEq)]
pub struct PeriodFact {
    /// Middle of the earlier round.
    pub from: DateTime<Utc>,
    /// Middle of the later round.
    pub to: DateTime<Utc>,
    /// What its meters support.
    pub grade: Grade,
    /// What was used.
    pub amounts: Amounts,
}

/// A read period with the readings behind it.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadPeriod {
    /// What it came to.
    pub fact: PeriodFact,
    /// What each meter passed between its own readings, in the order the meters were given.
    pub own: Vec<OwnReadings>,
}

/// What one meter passed in a read period, between its own two readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OwnReadings {
    /// Instant of the earlier one.
    pub from: DateTime<Utc>,
    /// Instant of the later one.
    pub to: DateTime<Utc>,
    /// What passed, in the inside unit.
    pub amount: f64,
    /// Standard uncertainty from their not lying in the middle of their rounds, in the inside unit.
    pub timing_u: f64,
}

/// The instants that a period lies between.
type Between = (DateTime<Utc>, DateTime<Utc>);

/// The read periods of a subject, in order: those in which every meter is covered whole.
#[must_use]
pub fn of_subject(meters: &[HandRead]) -> Vec<ReadPeriod> {
    let rounds = rounds_of(meters);
    let mut found: BTreeMap<Between, (Amounts, Vec<OwnReadings>)> = BTreeMap::new();
    for (place, meter) in meters.iter().enumerate() {
        let spans = spans(&cuts(&rounds, place), &meter.steps);
        for period in periods(&rounds, place, &spans).into_iter().filter(|period| period.coverage >= 1.0) {
            let (amounts, own) = found.entry((period.from, period.to)).or_default();
            amounts.add(meter.stream, period.amount * meter.share);
            let (from, to) = period.own;
            own.push(OwnReadings { from, to, amount: period.amount, timing_u: period.timing_u });
        }
    }
    let whole = found.into_iter().filter(|(_, (_, own))| own.len() == meters.len());
    let period = |((from, to), (amounts, own)): (_, (Amounts, _))| ReadPeriod {
        fact: PeriodFact { from, to, grade: amounts.grade(), amounts },
        own,
    };
    whole.map(period).collect()
}

impl OwnReadings {
    /// The same as a meter's part of the balance between the middles of the two rounds; `declared` is
    /// the share of the meter that counts, with its standard uncertainty.
    #[must_use]
    pub fn meter_share<'m>(
        &self,
        (name, facts): (&'m str, &'m MeterFacts),
        known: ScaleKnown,
        declared: (f64, f64),
        (from, to): (DateTime<Utc>, DateTime<Utc>),
        exchanges: &[Exchange],
    ) -> MeterShare<'m> {
        let exchanged = exchanges.iter().filter(|exchange| exchange.at > self.from && exchange.at <= self.to);
        let passed = Passed {
            from,
            to,
            amount: self.amount,
            exchanges: u32::try_from(exchanged.count()).unwrap_or(u32::MAX),
            divided: &[],
            timing_u: self.timing_u,
        };
        let meter = Meter { name, facts, known, flow: Flow::Unknown, water_c: WATER_C };
        MeterShare { meter, passed, share: declared.0, u_share: declared.1 }
    }
}

fn rounds_of(meters: &[HandRead]) -> Vec<Round> {
    let instants: Vec<Vec<DateTime<Utc>>> = meters.iter().map(|meter| instants(&meter.steps)).collect();
    let read: Vec<ReadInstants<'_>> = instants.iter().map(|instants| ReadInstants::At(instants)).collect();
    rounds(&read, Duration::hours(ROUND_HOURS))
}

/// When a meter was read: the ends of its steps.
fn instants(steps: &[Step]) -> Vec<DateTime<Utc>> {
    let mut instants: Vec<DateTime<Utc>> = steps.iter().flat_map(|step| [step.from.at, step.to.at]).collect();
    instants.dedup();
    instants
}

/// What passed between each two cuts: cuts lie on readings, so no step is divided.
fn spans(cuts: &[DateTime<Utc>], steps: &[Step]) -> Vec<SpanShare> {
    let pairs = cuts.iter().zip(cuts.iter().skip(1));
    pairs
        .map(|(&from, &to)| {
            let within = || steps.iter().filter(|step| step.from.at >= from && step.to.at <= to);
            SpanShare {
                from,
                to,
                amount: within().map(|step| step.amount).sum(),
                covered_s: within().map(|step| (step.to.at - step.from.at).num_seconds()).sum(),
                open_exceptions: 0,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::step::{Counted, Reading};

    fn at(day: u32, hour: u32) -> DateTime<Utc> {
        format!("2026-03-{day:02}T{hour:02}:00:00Z").parse().unwrap()
    }

    fn meter(stream: Stream, readings: &[(DateTime<Utc>, f64)]) -> HandRead {
        let steps = readings.windows(2).map(|pair| {
            let reading = |(at, register)| Reading { at, register };
            let (from, to) = (reading(pair[0]), reading(pair[1]));
            Step { from, to, amount: to.register - from.register, how: Counted::Plain }
        });
        HandRead { stream, share: 1.0, steps: steps.collect() }
    }

    #[test]
    fn one_dial_gives_a_period_for_each_step() {
        let dial = meter(Stream::Makeup, &[(at(1, 8), 0.0), (at(15, 9), 700.0), (at(30, 8), 900.0)]);
        let found = of_subject(&[dial]);
        let amounts: Vec<_> = found.iter().map(|period| period.fact.amounts.get(Stream::Makeup)).collect();
        assert_eq!(amounts, [Some(700.0), Some(200.0)]);
        assert_eq!((found[0].fact.from, found[1].fact.to), (at(1, 8), at(30, 8)));
        assert_eq!(found[0].fact.grade, Grade::MakeupOnly);
    }

    #[test]
    fn a_period_lies_between_rounds_of_all_meters_and_loses_nothing() {
        let makeup = meter(Stream::Makeup, &[(at(1, 8), 0.0), (at(10, 8), 300.0), (at(30, 8), 900.0)]);
        let wash = meter(Stream::Wash, &[(at(1, 9), 0.0), (at(30, 7), 9000.0)]);
        let found = of_subject(&[makeup, wash]);
        assert_eq!(found.len(), 1, "the reading of the 10th has no partner");
        assert_eq!(found[0].fact.amounts.get(Stream::Makeup), Some(900.0));
        assert_eq!(found[0].fact.amounts.get(Stream::Wash), Some(9000.0));
        assert_eq!(found[0].fact.grade, Grade::Measured);
    }

    #[test]
    fn a_step_that_does_not_count_leaves_no_period_over_it() {
        let mut dial = meter(Stream::Makeup, &[(at(1, 8), 0.0), (at(15, 8), 700.0), (at(30, 8), 900.0)]);
        dial.steps.remove(0);
        assert_eq!(of_subject(&[dial]).len(), 1);
        assert_eq!(of_subject(&[]), []);
    }
}
