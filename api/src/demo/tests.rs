use super::invent::oddity::Metering;
use super::invent::parts;
use super::invent::rain;
use super::invent::stock::{self, Deed};
use super::*;
use domain::component::OutWhy;
use domain::metering::stream::{ReadBy, Stream};
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

/// Seconds since 1970 of the instant that the fleets here end at.
fn end_s(size: Size) -> i64 {
    fleet(size)
        .units
        .iter()
        .flat_map(|(_, meters)| meters)
        .filter_map(|meter| meter.readings.last())
        .map(|last| last.0)
        .max()
        .unwrap()
}

#[test]
fn parts_wear_out_and_some_work_is_late() {
    let size = Size { units: 48, months: 14 };
    let (fleet, to_s) = (fleet(size), end_s(size));
    let plans = || fleet.units.iter().map(|(plan, _)| plan);
    let swaps: Vec<_> = plans().flat_map(|plan| parts::of(plan, to_s)).flat_map(|part| part.swaps).collect();
    let out = |why| swaps.iter().filter(|(_, of)| *of == why).count();
    assert!(out(OutWhy::Failed) > 12 && out(OutWhy::Preventive) > 100 && out(OutWhy::WornOutFound) > 5);
    assert!((300..1000).contains(&swaps.len()), "{}", swaps.len());
    assert!(swaps.iter().all(|(at_s, _)| *at_s < to_s));
    let filters = |plan| parts::rounds(plan, "Change the bag filter", to_s);
    let late = plans().filter(|plan| filters(plan).last().is_none_or(|last| to_s - last > 66 * 86_400)).count();
    assert!((1..24).contains(&late), "{late}");
    for model in &super::invent::names::MODELS {
        let template = parts::template(model).checked().unwrap();
        assert_eq!((template.parts.len(), template.routines.len()), (10, 5));
    }
}

#[test]
fn it_rains_the_same_way_every_time_and_not_every_day() {
    for site in [3, 15] {
        let depths = rain::depths(site, 400);
        assert_eq!(depths, rain::depths(site, 400));
        let wet = depths.iter().filter(|depth| **depth > 0.0).count();
        assert!((60..180).contains(&wet) && depths.iter().all(|depth| *depth < 60.0), "{depths:?}");
    }
    assert_ne!(rain::depths(3, 400), rain::depths(15, 400));
}

#[test]
fn stores_run_low_and_are_counted_short() {
    let (from_s, to_s) = (1_740_000_000, 1_740_000_000 + 400 * 86_400);
    let lines = stock::ledger(from_s, to_s, &(0..48).collect::<Vec<_>>());
    assert!((200..1000).contains(&lines.len()), "{}", lines.len());
    assert!(lines.windows(2).all(|pair| pair[0].at_s <= pair[1].at_s));
    // What lies in the warehouse, by item.
    let mut there = [0_i64; stock::ITEMS.len()];
    let mut missing = 0;
    for line in &lines {
        let quantity = i64::from(line.quantity);
        match line.deed {
            Deed::Receive => there[line.item] += quantity,
            Deed::Load { .. } => there[line.item] -= quantity,
            Deed::Use { .. } => {}
            Deed::Count => missing = std::mem::replace(&mut there[line.item], quantity) - quantity,
        }
        assert!(there[line.item] >= 0, "{line:?}");
    }
    assert_eq!(missing, 2);
    let short = i64::from(stock::ITEMS[stock::SHORT].pack);
    assert!(there[stock::SHORT] < short, "less than a pack: {there:?}");
}

#[test]
fn two_readings_of_two_customers_come_late() {
    for size in [SMALL, Size { units: 48, months: 14 }] {
        let fleet = fleet(size);
        let [small, large] = fleet.late.as_slice() else { panic!("{:?}", fleet.late) };
        let site = |late: &Late| fleet.units[late.unit].0.stays[0].site;
        assert_ne!(site(small), site(large));
        for late in [small, large] {
            assert!(fleet.units[late.unit].1[0].readings.iter().all(|(at_s, _)| *at_s != late.at_s));
        }
    }
}

#[test]
fn customers_read_some_meters_and_people_tally_washes() {
    let fleet = fleet(Size { units: 48, months: 14 });
    let read = fleet.units.iter().flat_map(|(_, meters)| meters).filter(|meter| meter.read_by == ReadBy::Customer);
    assert_eq!(read.count(), 3);
    for months in &fleet.work {
        assert!((12..=14).contains(&months.len()), "{}", months.len());
    }
    // A wash takes 320 L, and a few hundredths more of fresh water to rinse.
    let sound = &fleet.work[8 * 2 + 3];
    let each = sound.iter().map(|one| one.washed_l).sum::<f64>() / sound.iter().map(|one| one.washes).sum::<f64>();
    assert!((300.0..380.0).contains(&each), "{each}");
}
