//! Nothing is lost or made where a step is divided by a working calendar or by pulses: its parts come
//! to the step, and the days to all steps, over random registers, exchanges, rollovers and zones.

use super::properties::{RECENT, Shown, Truth, facts, truth};
use super::*;
use crate::measures::days::Days;
use crate::metering::spread::{SpreadBy, WorkingCalendar};
use crate::metering::step::ExceptionKind;
use crate::metering::stream::Stream;
use crate::units::RegisterUnit;
use crate::zone::{day_bounds, next_day};
use chrono::NaiveTime;
use proptest::prelude::*;

/// The parts of every step lie side by side from its beginning to its end, one for each day, and come
/// to it to 1e-9; so do the days to all steps.
fn conserved(zone: Tz, folded: &Folded) -> Result<(), TestCaseError> {
    let mut rest = folded.parts.as_slice();
    for step in &folded.steps {
        let end = rest.iter().position(|part| part.to == step.to.at).map_or(rest.len(), |place| place + 1);
        let (parts, others) = rest.split_at(end);
        rest = others;
        let sum: f64 = parts.iter().map(|part| part.amount).sum();
        prop_assert!((sum - step.amount).abs() <= 1e-9 * step.amount.abs(), "{sum} {step:?}");
        let weights: f64 = parts.iter().map(|part| part.weight).sum();
        prop_assert!((weights - parts[0].of).abs() <= 1e-9 * parts[0].of, "{weights} {step:?}");
        prop_assert_eq!((parts[0].from, parts[parts.len() - 1].to), (step.from.at, step.to.at));
        prop_assert!(parts.windows(2).all(|pair| pair[0].to == pair[1].from), "{:?}", parts);
        for part in parts {
            let (start, end) = day_bounds(zone, part.date);
            prop_assert!(start <= part.from && part.to <= end.max(start), "{:?}", part);
            prop_assert!(part.weight >= 0.0 && part.amount * step.amount >= 0.0, "{part:?}");
        }
    }
    prop_assert!(rest.is_empty(), "every part is of a step");
    let (days, size): (f64, f64) =
        folded.days.iter().fold((0.0, 0.0), |(sum, size), day| (sum + day.amount, size + day.amount.abs()));
    prop_assert!((days - folded.accepted).abs() <= 1e-9 * size, "{days} {}", folded.accepted);
    prop_assert!(folded.days.windows(2).all(|pair| pair[1].date == next_day(pair[0].date)));
    Ok(())
}

/// How a step is divided says nothing about it. Only whether a register rolled over is judged by what
/// passed on the largest of recent days, which is another day by another rule: there the two may differ.
fn judged_alike(even: &Folded, other: &Folded) -> Result<(), TestCaseError> {
    let doubted = |folded: &Folded| folded.exceptions.iter().any(|e| e.kind == ExceptionKind::DoubtfulRollover);
    if doubted(even) == doubted(other) {
        prop_assert_eq!((even.accepted, &even.steps), (other.accepted, &other.steps));
    }
    Ok(())
}

fn run(truth: &Truth, shown: &Shown, facts: &MeterFacts, spread: Spread<'_>) -> Folded {
    let mut fold = MeterFold::new(facts, truth.zone, &shown.exchanges, &[])
        .with_recent_use(Some(RECENT))
        .with_spread(spread)
        .with_parts();
    shown.readings.iter().for_each(|&(t, register)| fold.push(DateTime::from_timestamp(t, 0).unwrap(), register));
    fold.finish()
}

/// A stretch of each weekday, Monday first, in hours of the clock; at least one.
fn week() -> impl Strategy<Value = [Option<(NaiveTime, NaiveTime)>; 7]> {
    let day = prop::option::of((0_u32..23, 1_u32..24)).prop_map(|hours| {
        let at = |hour: u32| NaiveTime::from_hms_opt(hour.min(23), 59 * u32::from(hour > 23), 0).unwrap();
        hours.map(|(opens, length)| (at(opens), at((opens + length).min(24)))).filter(|(opens, closes)| opens < closes)
    });
    prop::array::uniform7(day).prop_filter("a working day", |days| days.iter().any(Option::is_some))
}

#[expect(clippy::cast_possible_truncation, reason = "seconds within some years")]
fn whole(seconds: f64) -> i64 {
    seconds as i64
}

/// What a logger on the same pipe counts: a register of pulses every so many seconds, some of them lost,
/// with a pause in which it sent nothing.
fn pulses(shown: &Shown, every_s: i64, kept: f64, silent: (f64, f64)) -> Vec<(i64, f64)> {
    let (first, last) = (shown.readings[0].0, shown.readings[shown.readings.len() - 1].0);
    let length = (last - first) as f64;
    let passed = |t: i64| -> f64 {
        let until = |&(from, to, counts): &(i64, i64, f64)| {
            if to <= from { 0.0 } else { counts * (t.clamp(from, to) - from) as f64 / (to - from) as f64 }
        };
        shown.parts.iter().map(until).sum()
    };
    let silent = (first + whole(silent.0 * length), first + whole((silent.0 + silent.1) * length));
    let step = every_s.max((last - first) / 3000).max(1);
    let times = (0..).map(|n| first - 60 + n * step).take_while(|t| *t <= last + step);
    times.filter(|t| !(silent.0..silent.1).contains(t)).map(|t| (t, (passed(t) * kept).floor())).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(250))]

    #[test]
    fn a_working_calendar_loses_nothing(
        truth in truth(),
        week in week(),
        known_from in 0.0..1.0_f64,
        closed in prop::collection::vec(0.0..1.0_f64, 0..5),
    ) {
        let shown = truth.shown();
        let (first, last) = (shown.readings[0].0, shown.readings[shown.readings.len() - 1].0);
        let date = |part: f64| {
            let at = DateTime::from_timestamp(first + whole((last - first) as f64 * part), 0).unwrap();
            crate::zone::local_date(truth.zone, at)
        };
        let calendar = WorkingCalendar::parse(week, closed.into_iter().map(date).collect()).unwrap();
        // Of the days before, nobody said when the site works: steps there are divided evenly.
        let known = Days::since(date(known_from * 0.5));
        let calendar = WorkingCalendar::following(vec![(known, calendar)]);
        let facts = facts(ReadBy::Technician);
        let (even, worked) =
            (run(&truth, &shown, &facts, Spread::Even), run(&truth, &shown, &facts, Spread::Calendar(&calendar)));
        conserved(truth.zone, &worked)?;
        judged_alike(&even, &worked)?;
        for part in worked.parts.iter().filter(|part| part.by == SpreadBy::WorkingCalendar) {
            let works = calendar.working_days(part.date, next_day(part.date)) == Some(1);
            prop_assert!(works || part.weight == 0.0, "{part:?}");
        }
    }

    #[test]
    fn pulses_lose_nothing_of_their_dial(
        truth in truth(),
        every_s in 600_i64..20_000,
        kept in 0.5..1.1_f64,
        silent in (0.0..1.0_f64, 0.0..0.1_f64),
    ) {
        let shown = truth.shown();
        let counted = pulses(&shown, every_s, kept, silent);
        let plain = MeterFacts::plain(Stream::Wash, RegisterUnit::UsGal);
        let cuts: Vec<_> = shown.readings.iter().map(|&(t, _)| DateTime::from_timestamp(t, 0).unwrap()).collect();
        let mut fold = MeterFold::new(&plain, truth.zone, &[], &[]).with_cuts(&cuts);
        counted.iter().for_each(|&(t, register)| fold.push(DateTime::from_timestamp(t, 0).unwrap(), register));
        let counted = fold.finish();
        let spans: f64 = counted.spans.iter().map(|span| span.amount).sum();
        let between: f64 = counted
            .pieces
            .iter()
            .filter(|piece| piece.from_s >= cuts[0].timestamp() && piece.to_s <= cuts[cuts.len() - 1].timestamp())
            .map(|piece| piece.amount)
            .sum();
        prop_assert!((spans - between).abs() <= 1e-9 * spans.abs().max(1.0), "{spans} {between}");
        let facts = facts(ReadBy::Technician);
        let dial = run(&truth, &shown, &facts, Spread::Pulses(&counted.pieces));
        conserved(truth.zone, &dial)?;
        judged_alike(&run(&truth, &shown, &facts, Spread::Even), &dial)?;
    }
}

/// The two rules are used, and not the even one alone: 10 days of which one is worked, and a dial whose
/// pulses all came on one day.
#[test]
fn both_rules_divide() {
    let facts = facts(ReadBy::Technician);
    let at = |day: i64| DateTime::from_timestamp(day * 86_400, 0).unwrap();
    let hours = NaiveTime::from_hms_opt(8, 0, 0).zip(NaiveTime::from_hms_opt(9, 0, 0));
    // 1 January 1970 was a Thursday.
    let calendar = WorkingCalendar::parse([None, None, None, hours, None, None, None], vec![]).unwrap();
    let fold = |spread: Spread<'_>| {
        let mut fold = MeterFold::new(&facts, Tz::UTC, &[], &[]).with_spread(spread).with_parts();
        fold.push(at(1), 0.0);
        fold.push(at(11), 100.0);
        fold.finish()
    };
    let litres = 100.0 * RegisterUnit::UsGal.factor();
    let worked = fold(Spread::Calendar(&calendar));
    let on = |folded: &Folded, day: usize| folded.days[day].amount;
    assert_eq!((on(&worked, 6), on(&worked, 5)), (litres, 0.0), "the Thursday of the second week");
    let piece = |day: i64| DayPiece {
        from_s: day * 86_400,
        to_s: (day + 1) * 86_400,
        amount: if day == 3 { 7.0 } else { 0.0 },
        covered_s: 86_400,
    };
    let pieces: Vec<DayPiece> = (1..11).map(piece).collect();
    let pulsed = fold(Spread::Pulses(&pieces));
    assert_eq!((on(&pulsed, 2), on(&pulsed, 1)), (litres, 0.0));
    assert!(pulsed.parts.iter().all(|part| part.by == SpreadBy::Pulses));
    assert_eq!(pulsed.days[2].estimated_s, 0, "measured");
}
