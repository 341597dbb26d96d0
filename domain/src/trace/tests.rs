//! Properties of traces: a replay of a few days comes to what the whole life came to, and what a
//! trace lists comes to what it sums.

use super::Window;
use super::meter::{MeterInput, MeterTrace, Stood};
use super::subject::{SubjectInput, SubjectTrace};
use crate::metering::fold::{Folded, MeterFold};
use crate::metering::history::History;
use crate::metering::meter::MeterFacts;
use crate::metering::spread::WorkingCalendar;
use crate::metering::step::{Doubted, Ruling};
use crate::metering::stream::{ReadBy, Stream};
use crate::units::RegisterUnit;
use crate::water::assembly::Notes;
use crate::zone::{Month, parse_zone};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use proptest::prelude::*;
use std::collections::BTreeMap;
use uuid::Uuid;

fn zone() -> Tz {
    parse_zone("America/New_York").unwrap()
}

pub(super) fn dial() -> MeterFacts {
    MeterFacts {
        digits: Some(5),
        multiplier: 10.0,
        max_flow_per_h: Some(20_000.0),
        ..MeterFacts::plain(Stream::Makeup, RegisterUnit::UsGal)
    }
}

/// Readings after these hours, each with what passed since the one before; now and then one is
/// typed 30,000 too high.
pub(super) fn readings(steps: &[(i64, f64, bool)]) -> Vec<Stood> {
    let mut at: DateTime<Utc> = "2025-10-20T13:20:00Z".parse().unwrap();
    let mut register = 95_000.0;
    let stood = |at, register| Stood { at, register, source: "hand" };
    let mut found = vec![stood(at, register)];
    for &(hours, passed, slipped) in steps {
        at += TimeDelta::hours(hours);
        register = (register + (passed * hours as f64).round()) % 100_000.0;
        found.push(stood(at, if slipped { (register + 30_000.0) % 100_000.0 } else { register }));
    }
    found
}

pub(super) fn meter(number: i32, facts: &MeterFacts, readings: &[Stood]) -> MeterInput {
    MeterInput {
        number,
        id: Uuid::from_u128(1),
        label: "Make-up".to_owned(),
        name: format!("Make-up (meter {number})"),
        position: None,
        facts: facts.clone(),
        share: 0.4,
        share_u: 0.0,
        checks: Vec::new(),
        dial: None,
        from: None,
        to: None,
        readings: readings.to_vec(),
        exchanges: Vec::new(),
        rulings: Vec::new(),
        doubted: Vec::new(),
        corrections: Vec::new(),
        sessions: Vec::new(),
        too_many: None,
    }
}

pub(super) fn subject(meters: Vec<MeterInput>) -> SubjectInput {
    let notes = Notes {
        zone: zone(),
        catchment: None,
        diverter: false,
        intakes: Vec::new(),
        rain: Vec::new(),
        events: Vec::new(),
        levels: Vec::new(),
        band: None,
        working_volume: None,
        tests: Vec::new(),
        derivations: Vec::new(),
        losses: Vec::new(),
        beside: Vec::new(),
        spells: Vec::new(),
    };
    SubjectInput {
        id: Uuid::from_u128(2),
        unit_id: None,
        site_id: Uuid::from_u128(2),
        zone: zone(),
        meters,
        notes,
        working: WorkingCalendar::default(),
        tallies: Vec::new(),
        fill: None,
        now: "2030-01-01T00:00:00Z".parse().unwrap(),
    }
}

/// The readings from the last one up to a time to the first one after it.
fn around(readings: &[Stood], (from, to): (DateTime<Utc>, DateTime<Utc>)) -> Vec<Stood> {
    let first = readings.partition_point(|reading| reading.at <= from).saturating_sub(1);
    let last = (readings.partition_point(|reading| reading.at < to) + 1).min(readings.len());
    readings[first..last].to_vec()
}

/// The whole life as the night run folds it.
fn lived(facts: &MeterFacts, rulings: &[Ruling], readings: &[Stood]) -> Folded {
    let mut fold = MeterFold::new(facts, zone(), &[], rulings).with_history(History::default());
    readings.iter().for_each(|reading| fold.push(reading.at, reading.register));
    fold.finish()
}

fn months(folded: &Folded) -> Vec<Month> {
    let mut months: Vec<Month> = folded.days.iter().map(|day| Month::of(day.date)).collect();
    months.dedup();
    months
}

/// By local day, what the listed steps give by registers and weights.
fn listed(meters: &[MeterTrace]) -> BTreeMap<chrono::NaiveDate, f64> {
    let mut days = BTreeMap::new();
    for meter in meters {
        for step in &meter.steps {
            let rolled = if step.formula.contains("10^digits") { 10_f64.powi(5) } else { 0.0 };
            let counts = step.to_register - step.from_register + rolled;
            let amount = counts * meter.multiplier * meter.inside_per_unit;
            for part in step.parts.iter().filter(|part| part.counts) {
                *days.entry(part.part.date).or_default() += amount * part.part.weight / part.part.of;
            }
        }
    }
    days
}

fn same(got: f64, want: f64, scale: f64) -> bool {
    (got - want).abs() <= 1e-9 * scale.max(1.0)
}

proptest! {
    /// Whatever was doubted or accepted, rolled over or typed wrongly.
    #[test]
    fn a_month_replayed_alone_is_the_month_of_the_whole_life(
        steps in prop::collection::vec((1_i64..900, 0.0..8.0_f64, prop::bool::weighted(0.1)), 2..14),
        accept in any::<bool>(),
    ) {
        let (facts, readings) = (dial(), readings(&steps));
        let mut folded = lived(&facts, &[], &readings);
        let mut rulings = Vec::new();
        let mut doubted: Vec<Doubted> = Vec::new();
        let mut note = |folded: &Folded| {
            let doubts = folded.exceptions.iter().map(|one| Doubted { from: one.from.at, to: one.to.at, kind: one.kind });
            doubted.extend(doubts);
        };
        note(&folded);
        if let Some(first) = folded.exceptions.first().filter(|_| accept) {
            rulings.push(Ruling::Accept { from: first.from.at, to: first.to.at });
            folded = lived(&facts, &rulings, &readings);
            // What the acceptance lets pass later is doubted no more; the accepted step still is.
            let accepted = doubted[0];
            doubted.clear();
            doubted.push(accepted);
            doubted.extend(folded.exceptions.iter().map(|one| Doubted { from: one.from.at, to: one.to.at, kind: one.kind }));
        }
        for month in months(&folded) {
            let mut one = meter(7, &facts, &around(&readings, month.bounds(zone())));
            (one.rulings, one.doubted) = (rulings.clone(), doubted.clone());
            let trace = SubjectTrace::of(&subject(vec![one]), Window::Month(month)).unwrap();
            let (days, of_steps) = (&trace.meters[0].days, listed(&trace.meters));
            let lived: Vec<_> = folded.days.iter().filter(|day| Month::of(day.date) == month).collect();
            for want in lived.into_iter().filter(|day| day.covered_s > 0) {
                let got = days.iter().find(|day| day.date == want.date).unwrap();
                prop_assert!(same(got.amount, want.amount, 1e6), "{} {got:?} {want:?}", month);
                prop_assert_eq!((got.covered_s, got.estimated_s), (want.covered_s, want.estimated_s));
                prop_assert_eq!(got.open_exceptions, want.open_exceptions);
                let by_steps = of_steps.get(&want.date).copied().unwrap_or(0.0);
                prop_assert!(same(by_steps, want.amount, 1e6), "{by_steps} {want:?}");
            }
            let sum: f64 = days.iter().map(|day| day.amount * 0.4).sum();
            let traced = trace.amounts.first().map_or(0.0, |stream| stream.amount);
            prop_assert!(same(sum, traced, 1e6), "{sum} {traced}");
        }
    }

    /// A dial is spread by its pulses, and these count by themselves before and after it.
    #[test]
    fn parts_of_dial_and_pulses_are_its_days(
        passed in prop::collection::vec(0.0..50.0_f64, 60..160),
        from in 0_usize..20,
        to in 30_usize..60,
    ) {
        let start: DateTime<Utc> = "2026-02-15T03:10:00Z".parse().unwrap();
        let mut register = 0.0;
        let pulses: Vec<Stood> = passed.iter().enumerate().map(|(n, litres)| {
            register += litres.round();
            Stood { at: start + TimeDelta::hours(6 * i64::try_from(n).unwrap()), register, source: "telemetry" }
        }).collect();
        let read = [from, to].map(|n| Stood { at: pulses[n].at + TimeDelta::minutes(40), ..pulses[n] });
        let facts = MeterFacts { digits: Some(6), ..MeterFacts::plain(Stream::Makeup, RegisterUnit::L) };
        let logged = MeterFacts { read_by: ReadBy::Telemetry, read_every_h: Some(6.0), ..facts.clone() };
        let dial = meter(1, &facts, &read);
        let pulser = MeterInput { dial: Some(1), ..meter(2, &logged, &pulses) };
        for month in ["2026-02", "2026-03"].map(|month| Month::parse(month).unwrap()) {
            let input = subject(vec![dial.clone(), pulser.clone()]);
            let trace = SubjectTrace::of(&input, Window::Month(month)).unwrap();
            let of_steps = listed(&trace.meters);
            let of_dial = trace.meters.iter().find(|meter| meter.number == 1).unwrap();
            prop_assert_eq!(of_dial.spread_by, Some(2));
            for day in of_dial.days.iter().filter(|day| day.covered_s > 0) {
                let by_steps = of_steps.get(&day.date).copied().unwrap_or(0.0);
                prop_assert!(same(by_steps, day.amount, 1e3), "{by_steps} {day:?}");
            }
        }
    }
}

/// A day of a month by hand: 31 tens of gallons in 31 days, a share of 0.4.
#[test]
fn a_day_is_its_part_of_the_month() {
    let stood = |at: &str, register| Stood { at: at.parse().unwrap(), register, source: "hand" };
    let read = [stood("2026-01-05T12:00:00Z", 100.0), stood("2026-02-05T12:00:00Z", 131.0)];
    let input = subject(vec![meter(7, &dial(), &read)]);
    let trace = SubjectTrace::of(&input, Window::Day("2026-01-20".parse().unwrap())).unwrap();
    let part = trace.meters[0].steps[0].parts[0].part;
    assert_eq!((part.weight, part.of), (86_400.0, 31.0 * 86_400.0));
    let want = 10.0 * 3.785_411_784;
    assert!(same(trace.meters[0].amount, want, 1.0), "a gallon is 3.785411784 L (NIST SP 811, B.8)");
    assert!(same(trace.amounts[0].amount, want * 0.4, 1.0));
    let day = trace.balances.iter().find(|balance| balance.over == "day").unwrap();
    let fresh = day.figures.iter().find(|figure| figure.figure == "fresh_used").unwrap();
    assert_eq!((fresh.value, fresh.in_symbols.as_str()), (Some(trace.amounts[0].amount), "fresh_used = F + H + R + X"));
    let none = Window::Period { from: read[0].at, to: read[0].at + TimeDelta::days(1) };
    assert_eq!(SubjectTrace::of(&input, none), None);
    let period = Window::Period { from: read[0].at, to: read[1].at };
    let whole = SubjectTrace::of(&input, period).unwrap();
    assert!(same(whole.amounts[0].amount, want * 31.0 * 0.4, 1.0));
}
