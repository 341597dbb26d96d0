use super::invent::oddity::Metering;
use super::*;
use domain::metering::stream::Stream;
use domain::spell::SpellState;

const SMALL: Size = Size { units: 24, months: 6 };

fn fleet(size: Size) -> Fleet {
    Fleet::invent(size, "2026-05-04T09:30:00Z".parse().unwrap())
}

#[test]
fn the_same_size_and_instant_give_the_same_fleet() {
    let (one, other) = (fleet(SMALL), fleet(SMALL));
    for ((plan, meters), (_, again)) in one.units.iter().zip(&other.units) {
        assert_eq!(meters, again, "{}", label(plan.number));
    }
    // A unit's luck does not hang on how many there are.
    let more = fleet(Size { units: 30, ..SMALL });
    assert_eq!(one.units[23].1, more.units[23].1);
}

#[test]
fn forty_eight_units_are_metered_as_such_fleets_are() {
    let fleet = fleet(Size { units: 48, months: 3 });
    let count = |metering| fleet.units.iter().filter(|(plan, _)| plan.metering == metering).count();
    assert_eq!([Metering::Full, Metering::Telemetry, Metering::Hand, Metering::Without].map(count), [6, 12, 24, 6]);
    assert_eq!(cases(Size { units: 48, months: 3 }).len(), Oddity::ALL.len());
}

/// What a unit's meter of a stream showed.
fn read(fleet: &Fleet, oddity: Oddity, stream: Stream) -> (&UnitPlan, Vec<(i64, f64)>) {
    let (plan, meters) = fleet.units.iter().find(|(plan, _)| plan.oddity == Some(oddity)).unwrap();
    let meter = meters.iter().rev().find(|meter| meter.stream == stream).unwrap();
    (plan, meter.readings.clone())
}

fn falls(readings: &[(i64, f64)]) -> usize {
    readings.windows(2).filter(|pair| pair[1].1 < pair[0].1).count()
}

/// What passed in a window of days after the oddity's begin.
fn passed(plan: &UnitPlan, readings: &[(i64, f64)], days: std::ops::Range<i64>) -> f64 {
    let day = |day: i64| plan.odd_s + day * 86_400;
    let at = |at_s| readings.iter().find(|(read, _)| *read >= at_s).unwrap().1;
    at(day(days.end)) - at(day(days.start))
}

#[test]
fn registers_show_what_befell_them() {
    let fleet = fleet(Size { units: 24, months: 14 });
    for oddity in [Oddity::Backwards, Oddity::RolledOver, Oddity::Exchanged] {
        assert_eq!(falls(&read(&fleet, oddity, Stream::Makeup).1), 1, "{oddity:?}");
    }
    assert!(falls(&read(&fleet, Oddity::Mistyped, Stream::Makeup).1) > 0);
    assert_eq!(falls(&read(&fleet, Oddity::LaidUp, Stream::Makeup).1), 0);
    let (plan, makeup) = read(&fleet, Oddity::Bypassed, Stream::Makeup);
    let (_, bypass) = read(&fleet, Oddity::Bypassed, Stream::Bypass);
    assert!(passed(plan, &makeup, 0..14) == 0.0 && passed(plan, &bypass, 0..14) > 10.0);
    assert!(passed(plan, &makeup, -14..0) > 1.0 && passed(plan, &bypass, 15..29) == 0.0);
    let (plan, makeup) = read(&fleet, Oddity::PassingValve, Stream::Makeup);
    let (before, after) = (passed(plan, &makeup, -28..0), passed(plan, &makeup, 0..28));
    assert!(after > before + 10.0, "{before} {after}");
    let (plan, silent) = read(&fleet, Oddity::Silent, Stream::Makeup);
    assert_eq!(silent.last().unwrap().0, plan.odd_s);
}

#[test]
fn odd_units_have_their_stays_states_and_meters() {
    let fleet = fleet(SMALL);
    let of = |oddity| fleet.units.iter().find(|(plan, _)| plan.oddity == Some(oddity)).unwrap();
    assert_eq!(of(Oddity::Moved).0.stays.len(), 2);
    let moved_s = of(Oddity::Moved).0.odd_s;
    assert!(of(Oddity::Moved).1.iter().all(|meter| meter.readings.iter().any(|(at_s, _)| *at_s == moved_s)));
    assert_eq!(of(Oddity::LaidUp).0.turns[1].state, SpellState::LaidUp);
    assert_eq!(of(Oddity::CleanedOut).0.turns.len(), 3);
    assert!(of(Oddity::SharedMeter).1[0].of_site && of(Oddity::SharesMeter).1.is_empty());
    assert_eq!(of(Oddity::SharedMeter).0.stays[0].site, of(Oddity::SharesMeter).0.stays[0].site);
    assert!(of(Oddity::PulsesApart).1[1].pulses && of(Oddity::Exchanged).1[0].exchange.is_some());
}

#[test]
fn a_sound_unit_reuses_most_of_its_water() {
    let fleet = fleet(Size { units: 48, months: 14 });
    for (plan, meters) in fleet.units.iter().filter(|(plan, _)| plan.metering == Metering::Full) {
        let sum = |stream| {
            let readings = &meters.iter().find(|meter| meter.stream == stream).unwrap().readings;
            readings.last().unwrap().1 - readings[0].1
        };
        let (fresh, wash) = (sum(Stream::Makeup) + sum(Stream::Rinse), sum(Stream::Wash));
        let reused = (wash + sum(Stream::Rinse) - fresh) / (wash + sum(Stream::Rinse));
        let least = if plan.oddity == Some(Oddity::PassingValve) { 0.5 } else { 0.7 };
        assert!((least..0.92).contains(&reused), "{} {reused}", label(plan.number));
    }
}
