//! Read-period facts: what a subject used between two rounds at which all its meters were
//! read by hand. Where readings are months apart these are the figures that nobody estimated.

use crate::facts::{Amounts, Served};
use crate::metering::accuracy::{Flow, ScaleKnown};
use crate::metering::days::SpanShare;
use crate::metering::meter::MeterFacts;
use crate::metering::step::{Exchange, Step};
use crate::metering::stream::Stream;
use crate::uncertainty::figures::MeterShare;
use crate::uncertainty::register::{Meter, Passed};
use crate::water::grade::Grade;
use crate::water::period::{Round, cuts, periods, rounds};
use crate::water::statement::WATER_C;
use chrono::{DateTime, Duration, Utc};
use std::collections::BTreeMap;

/// Meters of one round are read within this time of each other (common practice, no source:
/// one visit, or the evening before and the morning after).
pub const ROUND_HOURS: i64 = 24;

/// One meter of a subject.
#[derive(Debug, Clone)]
pub struct HandRead {
    /// What it measures.
    pub stream: Stream,
    /// The share of it that belongs to the subject, 0 to 1.
    pub share: f64,
    /// When it measured the subject.
    pub served: Served,
    /// Its accepted steps, in order; none of a meter that people do not read.
    pub steps: Option<Vec<Step>>,
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
    /// What each meter passed between its own readings, with its place among the meters that were given.
    pub own: Vec<(usize, OwnReadings)>,
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

/// The read periods of a subject, in order: those in which every meter is covered whole. A period is of the meters
/// that measured in most of it: where one comes or goes between two rounds that lie hours apart, no period is told
/// without what it passed but for these hours. While a meter measures that nobody reads by hand there are none.
#[must_use]
pub fn of_subject(meters: &[HandRead]) -> Vec<ReadPeriod> {
    let mut bounds: Vec<DateTime<Utc>> =
        meters.iter().flat_map(|meter| [meter.served.from, meter.served.to]).flatten().collect();
    bounds.sort_unstable();
    bounds.dedup();
    let ends = bounds.iter().copied().map(Some).chain([None]);
    let mut found: Vec<ReadPeriod> = Vec::new();
    let mut from = None;
    for to in ends {
        let here = Stretch { from, to };
        from = to;
        let last = found.last().map(|period| period.fact.to);
        let next = here.periods(meters).into_iter();
        found.extend(next.skip_while(|period| last.is_some_and(|last| period.fact.from < last)));
    }
    found
}

/// A time in which no meter comes or goes.
struct Stretch {
    from: Option<DateTime<Utc>>,
    to: Option<DateTime<Utc>>,
}

impl Stretch {
    fn begin(&self) -> DateTime<Utc> {
        self.from.unwrap_or(DateTime::<Utc>::MIN_UTC)
    }

    fn end(&self) -> DateTime<Utc> {
        self.to.unwrap_or(DateTime::<Utc>::MAX_UTC)
    }

    fn periods(&self, meters: &[HandRead]) -> Vec<ReadPeriod> {
        let (from, to) = (self.begin(), self.end());
        let here: Vec<(usize, &HandRead)> =
            meters.iter().enumerate().filter(|(_, meter)| meter.served.meets(from, to)).collect();
        let Some(steps) = here.iter().map(|(_, meter)| meter.steps.as_deref()).collect::<Option<Vec<&[Step]>>>() else {
            return Vec::new();
        };
        let steps: Vec<&[Step]> = steps.into_iter().map(|steps| self.near(steps)).collect();
        let rounds = rounds_of(&steps);
        let mut found: BTreeMap<Between, (Amounts, Vec<(usize, OwnReadings)>)> = BTreeMap::new();
        for (place, ((of, meter), steps)) in here.iter().zip(&steps).enumerate() {
            let spans = spans(&cuts(&rounds, place), steps);
            for period in periods(&rounds, place, &spans).into_iter().filter(|period| period.coverage >= 1.0) {
                let (amounts, own) = found.entry((period.from, period.to)).or_default();
                amounts.add(meter.stream, period.amount * meter.share);
                let (from, to) = period.own;
                own.push((*of, OwnReadings { from, to, amount: period.amount, timing_u: period.timing_u }));
            }
        }
        let most =
            |from: DateTime<Utc>, to: DateTime<Utc>| (to.min(self.end()) - from.max(self.begin())) * 2 >= to - from;
        let whole = found.into_iter().filter(|((from, to), (_, own))| own.len() == here.len() && most(*from, *to));
        let period = |((from, to), (amounts, own)): (_, (Amounts, _))| ReadPeriod {
            fact: PeriodFact { from, to, grade: amounts.grade(), amounts },
            own,
        };
        whole.map(period).collect()
    }

    /// The steps that lie in it, or in a round at one of its ends.
    fn near<'s>(&self, steps: &'s [Step]) -> &'s [Step] {
        let round = Duration::hours(ROUND_HOURS);
        let first = steps.partition_point(|step| self.from.is_some_and(|from| step.from.at < from - round));
        let last = steps.partition_point(|step| self.to.is_none_or(|to| step.to.at <= to + round));
        steps.get(first..last).unwrap_or_default()
    }
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

fn rounds_of(meters: &[&[Step]]) -> Vec<Round> {
    let instants: Vec<Vec<DateTime<Utc>>> = meters.iter().map(|steps| instants(steps)).collect();
    rounds(&instants, Duration::hours(ROUND_HOURS))
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
        HandRead { stream, share: 1.0, served: Served::default(), steps: Some(steps.collect()) }
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
        dial.steps.as_mut().unwrap().remove(0);
        assert_eq!(of_subject(&[dial]).len(), 1);
        assert_eq!(of_subject(&[]), []);
    }

    /// By hand: 400 L by the meter that is taken out on the 10th, 300 L by the one that takes over and is read half
    /// an hour later; the wash meter goes on through both, with 4,000 L and 3,000 L.
    #[test]
    fn a_meter_takes_over_where_another_is_taken_out() {
        let swapped = at(10, 8);
        let old = meter(Stream::Makeup, &[(at(1, 8), 0.0), (swapped, 400.0)]);
        let old = HandRead { served: Served { from: None, to: Some(swapped) }, ..old };
        let new = meter(Stream::Makeup, &[(swapped, 0.0), (at(20, 8), 300.0)]);
        let new = HandRead { served: Served { from: Some(swapped), to: None }, ..new };
        let wash = meter(Stream::Wash, &[(at(1, 8), 0.0), (at(10, 9), 4000.0), (at(20, 8), 7000.0)]);
        let found = of_subject(&[new.clone(), wash.clone(), old.clone()]);
        let amounts = |stream| found.iter().map(|period| period.fact.amounts.get(stream)).collect::<Vec<_>>();
        assert_eq!(amounts(Stream::Makeup), [Some(400.0), Some(300.0)]);
        assert_eq!(amounts(Stream::Wash), [Some(4000.0), Some(3000.0)]);
        let places = |period: &ReadPeriod| period.own.iter().map(|(place, _)| *place).collect::<Vec<_>>();
        assert_eq!(found.iter().map(places).collect::<Vec<_>>(), [[1, 2], [0, 1]]);
        assert_eq!(found[0].fact.to, found[1].fact.from, "nothing lies between them");

        let logged = HandRead { steps: None, ..new };
        let before = of_subject(&[logged, wash, old]);
        assert_eq!(before.len(), 1, "what was read by hand before a logger took over stays");
    }

    /// Read daily at eight. By hand: a bypass meter that is fitted at ten on the 3rd passes 11 L until the 4th, and
    /// the day from the 3rd to the 4th is told with it; a meter that is out for half an hour is missed by no day.
    #[test]
    fn a_day_in_which_a_meter_comes_is_told_with_it() {
        let daily = |stream, litres: f64| {
            let readings: Vec<_> = (1..=6).zip(0..).map(|(date, n)| (at(date, 8), litres * f64::from(n))).collect();
            meter(stream, &readings)
        };
        let (makeup, wash) = (daily(Stream::Makeup, 100.0), daily(Stream::Wash, 900.0));
        let fitted = at(3, 10);
        let bypass = meter(Stream::Bypass, &[(fitted, 0.0), (at(4, 8), 11.0), (at(5, 8), 23.0), (at(6, 8), 35.0)]);
        let bypass = HandRead { served: Served { from: Some(fitted), to: None }, ..bypass };
        let found = of_subject(&[wash.clone(), makeup, bypass]);
        let passed: Vec<_> = found.iter().map(|period| period.fact.amounts.get(Stream::Bypass)).collect();
        assert_eq!(passed, [None, None, Some(11.0), Some(12.0), Some(12.0)]);
        let washed: Vec<_> = found.iter().map(|period| period.fact.amounts.get(Stream::Wash)).collect();
        assert_eq!(washed, [Some(900.0); 5], "nothing is in two periods, and nothing in none");

        let swapped = |minute: u32| format!("2026-03-03T10:{minute:02}:00Z").parse().unwrap();
        let old = meter(Stream::Makeup, &[(at(1, 8), 0.0), (at(2, 8), 100.0), (at(3, 8), 200.0), (swapped(0), 208.0)]);
        let old = HandRead { served: Served { from: None, to: Some(swapped(0)) }, ..old };
        let new = meter(Stream::Makeup, &[(swapped(30), 0.0), (at(4, 8), 90.0), (at(5, 8), 190.0), (at(6, 8), 290.0)]);
        let new = HandRead { served: Served { from: Some(swapped(30)), to: None }, ..new };
        let found = of_subject(&[wash, old, new]);
        let made_up: Vec<_> = found.iter().map(|period| period.fact.amounts.get(Stream::Makeup)).collect();
        assert_eq!(made_up, [Some(100.0), Some(100.0), Some(90.0), Some(100.0), Some(100.0)]);
    }
}
