//! What a subject used by the hour, from the same replay as the trace of its days.
//!
//! Hours are counted from the beginning of the local day, so that a day's hours add up to it; where a
//! day is not made of whole hours, its last one is shorter.

use super::meter::{Replayed, replay};
use super::subject::SubjectInput;
use crate::facts::{Amounts, Needed};
use crate::metering::spread::{SpreadBy, StepPart};
use crate::zone::day_bounds;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

/// A subject's hour.
#[derive(Debug, Clone, PartialEq)]
pub struct HourFact {
    /// The local day it belongs to.
    pub date: NaiveDate,
    /// Where it begins.
    pub from: DateTime<Utc>,
    /// Where it ends.
    pub to: DateTime<Utc>,
    /// What was used.
    pub amounts: Amounts,
    /// Share of the hour between accepted readings, 0 to 1, of the stream that was seen least.
    pub coverage: f64,
    /// Share of the hour, 0 to 1, spread by assumption from steps longer than an hour, of the meter with
    /// most.
    pub estimated_share: f64,
    /// Open exceptions whose step touches the hour.
    pub open_exceptions: u32,
}

/// A subject's hours in the local days from the first to the last, as far as anything is known of them.
#[must_use]
pub fn hours(input: &SubjectInput, (first, last): (NaiveDate, NaiveDate)) -> Vec<HourFact> {
    let empty = bounds(input.zone, first, last);
    let cuts: Vec<DateTime<Utc>> = empty.iter().map(|hour| hour.from).chain(empty.last().map(|hour| hour.to)).collect();
    let replayed = replay(input.zone, &input.working, &input.meters, &cuts);
    let followed = replayed.iter().zip(replayed.iter().skip(1).map(Some).chain([None]));
    let meters: Vec<Metered<'_>> = followed
        .filter(|(own, _)| own.counts)
        .map(|(own, next)| Metered::of(own, next.filter(|next| !next.counts), &empty))
        .collect();
    let streams = meters.iter().map(|one| (one.own.input.facts.stream, one.own.served));
    let needed = Needed::of(input.zone, streams);
    let known = |(place, hour): (usize, HourFact)| filled(hour, place, (&meters, &needed));
    empty.into_iter().enumerate().filter_map(known).collect()
}

/// The hours of some local days, in order, with nothing in them.
fn bounds(zone: Tz, first: NaiveDate, last: NaiveDate) -> Vec<HourFact> {
    let dates = first.iter_days().take_while(|date| *date <= last);
    let of_day = |date: NaiveDate| {
        let (start, end) = day_bounds(zone, date);
        let begins = std::iter::successors(Some(start), |from| Some(*from + TimeDelta::hours(1)));
        begins.take_while(move |from| *from < end).map(move |from| HourFact {
            date,
            from,
            to: (from + TimeDelta::hours(1)).min(end),
            amounts: Amounts::default(),
            coverage: 0.0,
            estimated_share: 0.0,
            open_exceptions: 0,
        })
    };
    dates.flat_map(of_day).collect()
}

/// What one meter passed in an hour.
#[derive(Debug, Clone, Copy, Default)]
struct Share {
    amount: f64,
    covered_s: i64,
    estimated_s: i64,
    open_exceptions: u32,
}

/// A meter that counts, joined with the pulses that spread it, by hours.
struct Metered<'a> {
    own: &'a Replayed<'a>,
    hours: Vec<Share>,
}

impl<'a> Metered<'a> {
    fn of(own: &'a Replayed<'a>, pulses: Option<&Replayed<'_>>, hours: &[HourFact]) -> Self {
        let mut metered = Self { own, hours: vec![Share::default(); hours.len()] };
        metered.add(own, hours, |_, _| true);
        if let Some(pulses) = pulses {
            // While the dial was read it counts, and the pulses before and after that.
            let outside = |from, to| pulses.dial_counts.is_none_or(|(begins, ends)| to <= begins || from >= ends);
            metered.add(pulses, hours, outside);
        }
        metered
    }

    /// Adds the parts of steps and the open steps of a register that lie where `counts` says.
    fn add(
        &mut self,
        register: &Replayed<'_>,
        hours: &[HourFact],
        counts: impl Fn(DateTime<Utc>, DateTime<Utc>) -> bool,
    ) {
        for part in register.folded.parts.iter().filter(|part| counts(part.from, part.to)) {
            // The fold was cut at every hour, so a part lies within one.
            let place = hours.partition_point(|hour| hour.to <= part.from);
            let within = hours.get(place).is_some_and(|hour| hour.from <= part.from);
            if let Some(share) = self.hours.get_mut(place).filter(|_| within) {
                let seconds = (part.to - part.from).num_seconds();
                share.amount += part.amount;
                share.covered_s += seconds;
                share.estimated_s += if is_assumed(part) { seconds } else { 0 };
            }
        }
        for open in register.folded.exceptions.iter().filter(|open| counts(open.from.at, open.to.at)) {
            let first = hours.partition_point(|hour| hour.to <= open.from.at);
            let end = hours.partition_point(|hour| hour.from < open.to.at);
            for share in self.hours.get_mut(first..end).unwrap_or_default() {
                share.open_exceptions += 1;
            }
        }
    }
}

/// Whether a part was given to its hour by assumption: of a step that was divided, by working hours or,
/// where it is longer than an hour, evenly.
fn is_assumed(part: &StepPart) -> bool {
    part.weight < part.of
        && match part.by {
            SpreadBy::ElapsedTime => part.of > 3600.0,
            SpreadBy::WorkingCalendar => true,
            SpreadBy::Pulses => false,
        }
}

/// An hour with what the subject's meters passed in it; `None` where nothing is known of it.
#[expect(clippy::cast_precision_loss, reason = "seconds of an hour are exact")]
fn filled(hour: HourFact, place: usize, (meters, needed): (&[Metered<'_>], &Needed)) -> Option<HourFact> {
    let time = (hour.from, hour.to);
    let reaching = meters.iter().filter(|one| one.own.served.meets(time.0, time.1));
    let shares: Vec<(&Replayed<'_>, Share)> =
        reaching.filter_map(|one| Some((one.own, *one.hours.get(place)?))).collect();
    if shares.iter().all(|(_, share)| share.covered_s == 0 && share.open_exceptions == 0) {
        return None;
    }
    let length_s = (hour.to - hour.from).num_seconds().max(1) as f64;
    let of_hour = |seconds: Option<i64>| (seconds.unwrap_or(0) as f64 / length_s).min(1.0);
    let mut amounts = Amounts::default();
    for (meter, share) in shares.iter().filter(|(_, share)| share.covered_s > 0) {
        amounts.add(meter.input.facts.stream, share.amount * meter.input.share);
    }
    let covered = |(meter, share): &(&Replayed<'_>, Share)| (meter.input.facts.stream, meter.served, share.covered_s);
    Some(HourFact {
        amounts,
        coverage: of_hour(Some(needed.seen(time, shares.iter().map(covered).collect()))),
        estimated_share: of_hour(shares.iter().map(|(_, share)| share.estimated_s).max()),
        open_exceptions: shares.iter().map(|(_, share)| share.open_exceptions).sum(),
        ..hour
    })
}

#[cfg(test)]
mod tests {
    use super::super::Window;
    use super::super::meter::{MeterInput, Stood};
    use super::super::subject::SubjectTrace;
    use super::super::tests::{dial, meter, readings, subject};
    use super::*;
    use crate::metering::meter::MeterFacts;
    use crate::metering::stream::{ReadBy, Stream};
    use crate::units::RegisterUnit;
    use proptest::prelude::*;

    fn at(text: &str) -> DateTime<Utc> {
        format!("{text}:00Z").parse().unwrap()
    }

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn litres() -> MeterFacts {
        MeterFacts { read_by: ReadBy::Telemetry, ..MeterFacts::plain(Stream::Makeup, RegisterUnit::L) }
    }

    fn stood(rows: &[(&str, f64)]) -> Vec<Stood> {
        rows.iter().map(|(time, register)| Stood { at: at(time), register: *register, source: "telemetry" }).collect()
    }

    /// By hand: 100 L within an hour, then 250 L in two and a half, of which the meter's share of 0.4
    /// counts: 40 L, twice 40 L spread evenly, and 20 L in half an hour.
    #[test]
    fn a_step_is_spread_over_its_hours() {
        let rows = [("2026-03-02T13:00", 0.0), ("2026-03-02T14:00", 100.0), ("2026-03-02T16:30", 350.0)];
        let input = subject(vec![meter(1, &litres(), &stood(&rows))]);
        let found = hours(&input, (day("2026-03-01"), day("2026-03-03")));
        let said: Vec<_> = found
            .iter()
            .map(|hour| (hour.from, hour.amounts.get(Stream::Makeup), hour.coverage, hour.estimated_share))
            .collect();
        let wanted = [
            (at("2026-03-02T13:00"), Some(40.0), 1.0, 0.0),
            (at("2026-03-02T14:00"), Some(40.0), 1.0, 1.0),
            (at("2026-03-02T15:00"), Some(40.0), 1.0, 1.0),
            (at("2026-03-02T16:00"), Some(20.0), 0.5, 0.5),
        ];
        assert_eq!(said, wanted);
        assert!(found.iter().all(|hour| hour.date == day("2026-03-02") && hour.open_exceptions == 0));
    }

    /// Clocks in New York went forward on 8 March 2026 and back on 1 November (IANA tzdata).
    #[test]
    fn a_day_has_the_hours_of_its_clock() {
        let zone = crate::zone::parse_zone("America/New_York").unwrap();
        let count = |zone, date: &str| bounds(zone, day(date), day(date)).len();
        assert_eq!((count(zone, "2026-03-07"), count(zone, "2026-03-08"), count(zone, "2026-11-01")), (24, 23, 25));
        // Lord Howe moves its clock by half an hour: 24.5 hours on 5 April 2026.
        let lord_howe = crate::zone::parse_zone("Australia/Lord_Howe").unwrap();
        let hours = bounds(lord_howe, day("2026-04-05"), day("2026-04-05"));
        assert_eq!(hours.len(), 25);
        assert_eq!(hours[24].to - hours[24].from, TimeDelta::minutes(30));
    }

    /// 10 L on the dial in two hours; of 9 pulses of a litre 6 came in the first, and 2 more after the
    /// dial was last read.
    #[test]
    fn pulses_spread_the_dial_and_count_outside_it() {
        let facts = MeterFacts { read_by: ReadBy::Technician, ..litres() };
        let dial = meter(1, &facts, &stood(&[("2026-03-02T13:00", 500.0), ("2026-03-02T15:00", 510.0)]));
        let log = [
            ("2026-03-02T13:00", 0.0),
            ("2026-03-02T14:00", 6.0),
            ("2026-03-02T15:00", 9.0),
            ("2026-03-02T16:00", 11.0),
        ];
        let pulses = MeterInput { dial: Some(1), ..meter(2, &litres(), &stood(&log)) };
        let found = hours(&subject(vec![dial, pulses]), (day("2026-03-02"), day("2026-03-02")));
        let amounts: Vec<f64> = found.iter().filter_map(|hour| hour.amounts.get(Stream::Makeup)).collect();
        let wanted = [0.4 * 10.0 * 6.0 / 9.0, 0.4 * 10.0 * 3.0 / 9.0, 0.4 * 2.0];
        assert_eq!(amounts.len(), 3, "{found:?}");
        assert!(amounts.iter().zip(wanted).all(|(a, b)| (a - b).abs() < 1e-9), "{amounts:?}");
        assert!(found.iter().all(|hour| hour.estimated_share == 0.0), "as measured");
    }

    /// Both registers were exchanged, at other times: each dial goes with the pulses that spread it.
    #[test]
    fn each_dial_has_its_own_stretch_of_pulses() {
        let facts = MeterFacts { read_by: ReadBy::Technician, ..litres() };
        let noon = |text: &str| Some(at(text));
        let first = MeterInput {
            to: noon("2026-03-02T15:00"),
            ..meter(1, &facts, &stood(&[("2026-03-02T13:00", 500.0), ("2026-03-02T15:00", 510.0)]))
        };
        let second = MeterInput {
            from: noon("2026-03-02T15:00"),
            ..meter(1, &facts, &stood(&[("2026-03-02T17:00", 0.0), ("2026-03-02T19:00", 30.0)]))
        };
        let early = [("2026-03-02T13:00", 0.0), ("2026-03-02T14:00", 4.0), ("2026-03-02T15:00", 8.0)];
        let late = [("2026-03-02T17:00", 0.0), ("2026-03-02T18:00", 10.0), ("2026-03-02T19:00", 30.0)];
        let pulses = |log: &[(&str, f64)]| MeterInput { dial: Some(1), ..meter(2, &litres(), &stood(log)) };
        let before = MeterInput { to: noon("2026-03-02T16:00"), ..pulses(&early) };
        let after = MeterInput { from: noon("2026-03-02T16:00"), ..pulses(&late) };
        let input = subject(vec![first, second, before, after]);
        let found = hours(&input, (day("2026-03-02"), day("2026-03-02")));
        let amounts: Vec<f64> = found.iter().filter_map(|hour| hour.amounts.get(Stream::Makeup)).collect();
        let wanted = [0.4 * 5.0, 0.4 * 5.0, 0.4 * 10.0, 0.4 * 20.0];
        assert_eq!(amounts.len(), wanted.len(), "{found:?}");
        assert!(amounts.iter().zip(wanted).all(|(a, b)| (a - b).abs() < 1e-9), "{amounts:?}");
    }

    proptest! {
        /// Conservation: the hours of a day add up to the day, and cover as much of it.
        #[test]
        fn hours_add_up_to_the_day(
            steps in prop::collection::vec((1..90_i64, 0.0..40.0_f64, prop::bool::weighted(0.1)), 1..30),
        ) {
            let input = subject(vec![meter(1, &dial(), &readings(&steps))]);
            let days = (day("2025-10-25"), day("2025-11-03"));
            let hours = hours(&input, days);
            for date in days.0.iter_days().take_while(|date| *date <= days.1) {
                let of_day = SubjectTrace::of(&input, Window::Day(date)).unwrap();
                let day: f64 = of_day.amounts.iter().map(|one| one.amount).sum();
                let of_date = || hours.iter().filter(|hour| hour.date == date);
                let sum: f64 = of_date().filter_map(|hour| hour.amounts.get(Stream::Makeup)).sum();
                prop_assert!((sum - day).abs() <= 1e-9 * day.abs() + 1e-6, "{date}: {sum} {day}");
                let covered: f64 = of_date().map(|hour| hour.coverage * (hour.to - hour.from).as_seconds_f64()).sum();
                let (from, to) = day_bounds(input.zone, date);
                prop_assert!((covered / (to - from).as_seconds_f64() - of_day.coverage).abs() < 1e-9);
            }
        }
    }
}
