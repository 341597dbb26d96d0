//! Reports of the cases that a dealer meets, each with its figures worked out by hand.

use super::figure::{Figure, Name, Printed, Reason, Value};
use super::flow::Side;
use super::inputs::{Inputs, MeterLine, OpenException, PlacedUnit, ReadStretch, Subject};
use super::model::{MeasuredBy, SavingsReport};
use super::style::ReportStyle;
use super::upkeep::Upkeep;
use crate::customer::UnitSystem;
use crate::facts::{Amounts, DayFact, months};
use crate::metering::low_flow::LowFlow;
use crate::metering::step::ExceptionKind;
use crate::metering::stream::{ReadBy, Stream};
use crate::period_facts::PeriodFact;
use crate::placement::Terms;
use crate::span::Span;
use crate::spell::{Spell, SpellState};
use crate::uncertainty::figures::Parts;
use crate::uncertainty::quantity::{Cause, Key, OneSided, Quantity};
use crate::units::Litres;
use crate::water::grade::Grade;
use crate::water::statement::Statement;
use crate::water::term::{Part, Source};
use crate::zone::{Month, parse_zone};
use chrono::{DateTime, Datelike, NaiveDate, Utc};
use chrono_tz::Tz;
use std::collections::HashMap;
use uuid::Uuid;

fn zone() -> Tz {
    parse_zone("America/Denver").unwrap()
}

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

pub(super) fn january() -> impl Iterator<Item = NaiveDate> {
    "2026-01-01".parse::<NaiveDate>().unwrap().iter_days().take(31)
}

pub(super) fn fact(date: NaiveDate, amounts: &[(Stream, f64)]) -> DayFact {
    let mut sums = Amounts::default();
    for (stream, amount) in amounts {
        sums.add(*stream, *amount);
    }
    DayFact { date, amounts: sums, coverage: 1.0, estimated_share: 0.0, open_exceptions: 0, sessions: None }
}

fn meter(stream: Stream) -> MeterLine {
    MeterLine {
        label: stream.as_str().to_owned(),
        stream,
        read_by: ReadBy::Telemetry,
        share: 1.0,
        last_read_at: Some(at("2026-01-31T12:00:00Z")),
    }
}

pub(super) fn subject(n: u128, streams: &[Stream], days: Vec<DayFact>) -> Subject {
    let unit = PlacedUnit {
        unit_id: Uuid::from_u128(n),
        label: format!("Unit {n}"),
        serial_number: format!("SN-{n}"),
        model: None,
        span: Span::parse(at("2025-06-01T00:00:00Z"), None).unwrap(),
        terms: Terms::Sold,
        spells: Vec::new(),
    };
    Subject {
        id: Uuid::from_u128(1000 + n),
        site_id: Uuid::from_u128(7),
        site: "North yard".to_owned(),
        zone: zone(),
        unit: Some(unit),
        fill: None,
        meters: streams.iter().map(|stream| meter(*stream)).collect(),
        months: months(zone(), &days),
        periods: Vec::new(),
        statement: statement(&format!("Unit {n}"), streams, &days),
        days,
        exceptions: Vec::new(),
    }
}

/// Each stream with 2 % of standard uncertainty, and nothing else known or there.
fn statement(of: &str, streams: &[Stream], days: &[DayFact]) -> Statement {
    let parts = |counts: fn(&&DayFact) -> bool| {
        let days: Vec<_> = days.iter().filter(counts).collect();
        let measured = streams.iter().filter_map(|stream| Some((*stream, Part::of(*stream)?)));
        measured.fold(Parts::default(), |parts, (stream, part)| {
            let sum = days.iter().filter_map(|day| day.amounts.get(stream)).sum();
            let key = Key::new(format!("{of}, {}", stream.as_str()), Cause::Scale);
            parts.with(part, Quantity::exact(sum).with_relative(key, 0.02), Source::Metered)
        })
    };
    // A unit that left at noon is whole on that day.
    Statement { all: parts(|_| true), whole: parts(|day| day.coverage >= 0.5), ..Statement::default() }
}

pub(super) fn inputs(subjects: Vec<Subject>) -> Inputs {
    Inputs {
        dealer: "Brookside Wash Systems".to_owned(),
        customer: "Harbour Haulage".to_owned(),
        month: Month::parse("2026-01").unwrap(),
        unit_system: UnitSystem::Metric,
        now: at("2026-02-05T12:00:00Z"),
        subjects,
        site_days: HashMap::new(),
        fresh: HashMap::new(),
        stays: HashMap::new(),
        money: Vec::new(),
        bills: Vec::new(),
        upkeep: Upkeep::default(),
        style: ReportStyle::default(),
        moved: HashMap::new(),
    }
}

pub(super) fn report(subjects: Vec<Subject>) -> SavingsReport {
    SavingsReport::of(&inputs(subjects))
}

fn printed(report: &SavingsReport, name: Name) -> Printed {
    *report.figure(name).unwrap().printed().unwrap_or_else(|| panic!("{name:?}: {:?}", report.figure(name)))
}

fn reason(report: &SavingsReport, name: Name) -> Reason {
    match report.figure(name).unwrap() {
        Figure::Withheld(withheld) => withheld.reason,
        Figure::Printed(printed) => panic!("{name:?} is printed: {printed:?}"),
    }
}

fn text(words: &str) -> String {
    words.replace(['\u{a0}', '\u{202f}'], " ")
}

pub(super) const LOOP: [Stream; 2] = [Stream::Makeup, Stream::Wash];

#[test]
fn a_month_of_daily_readings_is_summed_then_divided() {
    // 31 days of 4,000 L washing; fills of 6,000 L on the 7th, 14th, 21st and 28th.
    let days = january().map(|date| {
        let fill = if date.day() % 7 == 0 { 6_000.0 } else { 0.0 };
        fact(date, &[(Stream::Wash, 4_000.0), (Stream::Makeup, fill), (Stream::Energy, 62.0), (Stream::WashCount, 8.0)])
    });
    let mut unit = subject(1, &[Stream::Makeup, Stream::Wash, Stream::Energy, Stream::WashCount], days.collect());
    unit.fill = Some(Litres(1_500.0));
    let report = report(vec![unit]);
    assert_eq!(printed(&report, Name::FreshUsed).value, Value::Litres(24_000.0));
    assert_eq!(printed(&report, Name::Recycled).value, Value::Litres(100_000.0));
    // W 124,000 L and F 24,000 L, each with 2 %: 2 sqrt(2480^2 + 480^2) = 5052.05.
    assert_eq!(printed(&report, Name::Recycled).expanded, Some(5052.049));
    assert_eq!(printed(&report, Name::ReuseShare).value, Value::Share(0.80645));
    assert_eq!(printed(&report, Name::Washes).value, Value::Count(248.0));
    assert_eq!(printed(&report, Name::FreshPerWash).value, Value::LitresPerWash(96.774));
    assert_eq!(printed(&report, Name::EnergyPerVolume).value, Value::KwhPerM3(15.5));
    assert_eq!(reason(&report, Name::MoneySaved), Reason::NoBaseline);
    assert_eq!(printed(&report, Name::Recycled).grade, Grade::Measured);
    assert_eq!(report.by_day.as_ref().unwrap().points.len(), 31);
    assert_eq!(report.by_month.len(), 13);
    assert!(report.missing.is_empty() && report.period.complete);
    assert_eq!(
        text(&report.sentence),
        "In January 2026, Harbour Haulage washed with 124.0 m³ of treated water, 100.0 m³ of it recycled \
         (81 % of all water to the washers), and used 24.00 m³ of fresh water."
    );
}

#[test]
fn a_month_without_a_reading_claims_nothing() {
    let report = report(vec![subject(1, &LOOP, Vec::new())]);
    assert!(text(&report.sentence).starts_with("January 2026 was not read"), "{}", report.sentence);
    assert!(report.reckoning.iter().all(|line| line.figure.printed().is_none()));
    assert_eq!(reason(&report, Name::FreshUsed), Reason::NotRead);
    assert_eq!(report.missing.len(), 1);
    assert_eq!((report.missing[0].days, report.by_day.is_none()), (31, true));
}

#[test]
fn a_month_in_which_nothing_stood_says_so_and_can_be_issued() {
    let report = report(Vec::new());
    assert_eq!(text(&report.sentence), "No unit stood at a site of Harbour Haulage in January 2026.");
    assert_eq!(report.issuable(false), Ok(()));
}

#[test]
fn most_days_print_their_volume_with_its_coverage_and_no_balance() {
    let of = |days: usize| {
        let facts =
            january().skip(8).take(days).map(|date| fact(date, &[(Stream::Makeup, 500.0), (Stream::Wash, 4_000.0)]));
        report(vec![subject(1, &LOOP, facts.collect())])
    };
    let most = of(16);
    let fresh = printed(&most, Name::FreshUsed);
    assert_eq!((fresh.value, fresh.coverage), (Value::Litres(8_000.0), 0.5161));
    assert_eq!(reason(&most, Name::Recycled), Reason::Gap);
    assert_eq!(reason(&most, Name::ReuseShare), Reason::Gap);
    let stretches: Vec<_> = most.missing.iter().map(|missing| missing.days).collect();
    assert_eq!(stretches, [8, 7]);
    assert!(text(&most.sentence).contains("readings cover 51 % of the time"), "{}", most.sentence);
    let one = of(1);
    assert_eq!(reason(&one, Name::FreshUsed), Reason::Gap, "a day's water is not the month's");
    assert!(text(&one.sentence).starts_with("Too little was read in January 2026"), "{}", one.sentence);
}

#[test]
fn a_hole_is_named_and_its_days_are_in_no_balance() {
    // On the 10th and 11th the make-up step is in doubt: counting the wash alone would credit it.
    let days = january().map(|date| match date.day() {
        10 | 11 => DayFact { coverage: 0.0, ..fact(date, &[(Stream::Wash, 4_000.0)]) },
        _ => fact(date, &[(Stream::Wash, 4_000.0), (Stream::Makeup, 1_000.0)]),
    });
    let mut unit = subject(1, &LOOP, days.collect());
    unit.exceptions.push(OpenException {
        meter: "Fill".to_owned(),
        stream: Stream::Makeup,
        kind: Some(ExceptionKind::Reversal),
        from: at("2026-01-10T07:00:00Z"),
        to: at("2026-01-12T07:00:00Z"),
    });
    let report = report(vec![unit]);
    assert_eq!(printed(&report, Name::Recycled).value, Value::Litres(29.0 * 3_000.0));
    let recycled = printed(&report, Name::Recycled);
    assert_eq!((recycled.coverage, recycled.open_exceptions), (0.9355, 1));
    let [missing] = &report.missing[..] else { panic!("{:?}", report.missing) };
    assert_eq!((missing.from.day(), missing.to.day(), missing.days), (10, 11, 2));
    assert_eq!((report.exceptions[0].kind.as_str(), report.exceptions[0].from.day()), ("reversal", 10));
    assert_eq!(report.by_day.unwrap().points[9].fresh_used_l, None, "a gap stays a gap");
}

#[test]
fn a_unit_without_a_meter_is_named_and_not_counted() {
    let measured =
        subject(1, &[Stream::Makeup], january().map(|date| fact(date, &[(Stream::Makeup, 100.0)])).collect());
    let report = report(vec![measured, subject(2, &[], Vec::new())]);
    let fresh = printed(&report, Name::FreshUsed);
    assert_eq!((fresh.units_covered, fresh.units, fresh.grade), (1, 2, Grade::MakeupOnly));
    assert_eq!(reason(&report, Name::Recycled), Reason::MetersDoNotSupport);
    assert_eq!(report.units[1].measured_by, MeasuredBy::Nothing);
    let sentence = text(&report.sentence);
    assert!(sentence.contains("do not show how much was recycled (read at 1 of 2 units)"), "{sentence}");
    let alone = super::SavingsReport::of(&inputs(vec![subject(2, &[], Vec::new())]));
    assert!(alone.sentence.starts_with("No meter measures the units"), "{}", alone.sentence);
}

#[test]
fn a_loss_is_shown_as_it_is() {
    let days = january().map(|date| fact(date, &[(Stream::Wash, 1_000.0), (Stream::Makeup, 1_500.0)])).collect();
    let report = report(vec![subject(1, &LOOP, days)]);
    assert_eq!(printed(&report, Name::Recycled).value, Value::Litres(-15_500.0));
    assert_eq!(printed(&report, Name::ReuseShare).value, Value::Share(-0.5));
    assert!(text(&report.sentence).contains("−15.5 m³ recycled, which is a loss"), "{}", report.sentence);
}

#[test]
fn a_share_needs_one_whole_fill() {
    let days = january().map(|date| fact(date, &[(Stream::Wash, 1_000.0), (Stream::Makeup, 10.0)])).collect();
    let mut unit = subject(1, &LOOP, days);
    unit.fill = Some(Litres(400.0));
    let report = report(vec![unit]);
    assert_eq!(printed(&report, Name::Recycled).value, Value::Litres(30_690.0));
    assert_eq!(reason(&report, Name::ReuseShare), Reason::NoFillCycle);
}

/// Two units took 310 L together, less than the 400 L of the one whose model is known.
#[test]
fn a_unit_of_unknown_model_spares_no_share_the_fill_of_the_others() {
    let days =
        || january().map(|date| fact(date, &[(Stream::Wash, 1_000.0), (Stream::Makeup, 5.0)])).collect::<Vec<_>>();
    let known = Subject { fill: Some(Litres(400.0)), ..subject(1, &LOOP, days()) };
    let report = report(vec![known, subject(2, &LOOP, days())]);
    assert_eq!(printed(&report, Name::Recycled).value, Value::Litres(61_690.0));
    assert_eq!(reason(&report, Name::ReuseShare), Reason::NoFillCycle);
}

#[test]
fn a_unit_that_moved_appears_for_its_days_only() {
    // It left at noon of 11 January, local time: ten and a half days.
    let days = january().take(11).map(|date| {
        let part = if date.day() == 11 { 0.5 } else { 1.0 };
        DayFact { coverage: part, ..fact(date, &[(Stream::Makeup, 200.0 * part), (Stream::Wash, 2_000.0 * part)]) }
    });
    let mut unit = subject(1, &LOOP, days.collect());
    let placed = unit.unit.as_mut().unwrap();
    placed.span = Span::parse(at("2025-06-01T00:00:00Z"), Some(at("2026-01-11T19:00:00Z"))).unwrap();
    let spell = |state, from: &str, to: Option<&str>| Spell {
        state,
        reason: None,
        span: Span::parse(at(from), to.map(at)).unwrap(),
    };
    placed.spells = vec![
        spell(SpellState::Running, "2025-06-01T00:00:00Z", Some("2026-01-11T07:00:00Z")),
        spell(SpellState::Workshop, "2026-01-11T13:00:00Z", None),
    ];
    let report = report(vec![unit]);
    let fresh = printed(&report, Name::FreshUsed);
    assert_eq!((fresh.value, fresh.coverage), (Value::Litres(2_100.0), 1.0));
    assert!(report.missing.is_empty(), "{:?}", report.missing);
    let [row] = &report.units[..] else { panic!() };
    assert_eq!(row.left_on, Some("2026-01-11".parse().unwrap()));
    let hours: Vec<_> = row.hours.iter().map(|row| (row.state, row.hours)).collect();
    assert_eq!(
        hours,
        [(Some(SpellState::Running), 240.0), (Some(SpellState::Workshop), 6.0), (None, 6.0)],
        "the workshop counts up to the end of the stay only"
    );
}

#[test]
fn days_are_charted_only_when_readings_are_daily() {
    let monthly = january().map(|date| DayFact { estimated_share: 1.0, ..fact(date, &[(Stream::Makeup, 100.0)]) });
    let report = report(vec![subject(1, &[Stream::Makeup], monthly.collect())]);
    assert!(report.by_day.is_none());
    assert_eq!(report.by_month.last().unwrap().fresh_used_l, Some(3_100.0));
    assert!(text(&report.sentence).contains("used 3.10 m³ of fresh water"), "within 0.12 m³: {}", report.sentence);
}

#[test]
fn a_running_month_is_reported_up_to_yesterday() {
    let days = january().take(14).map(|date| fact(date, &[(Stream::Makeup, 100.0)])).collect();
    let mut inputs = inputs(vec![subject(1, &[Stream::Makeup], days)]);
    inputs.now = at("2026-01-15T12:00:00Z");
    let report = SavingsReport::of(&inputs);
    assert_eq!((report.period.to, report.period.complete), (Some("2026-01-14".parse().unwrap()), false));
    assert_eq!(printed(&report, Name::FreshUsed).coverage, 1.0);
    assert!(report.missing.is_empty());
}

#[test]
fn units_on_one_meter_are_counted_through_their_site() {
    let days: Vec<_> = january().map(|date| fact(date, &[(Stream::Makeup, 300.0)])).collect();
    let site = Subject { unit: None, ..subject(9, &[Stream::Makeup], days) };
    let report = report(vec![subject(1, &[], Vec::new()), subject(2, &[], Vec::new()), site]);
    let fresh = printed(&report, Name::FreshUsed);
    assert_eq!((fresh.units_covered, fresh.units), (2, 2));
    assert!(report.units.iter().all(|row| row.measured_by == MeasuredBy::SiteMeters));
}

#[test]
fn what_is_stored_reads_back_the_same() {
    let days = january().map(|date| fact(date, &[(Stream::Wash, 1_000.1), (Stream::Makeup, 150.7)])).collect();
    let report = report(vec![subject(1, &LOOP, days), subject(2, &[], Vec::new())]);
    let stored = serde_json::to_value(&report).unwrap();
    assert_eq!(serde_json::from_value::<SavingsReport>(stored.clone()).unwrap(), report);
    assert_eq!(stored["reckoning"][0]["name"], "fresh_used");
    assert_eq!(stored["reckoning"][0]["state"], "printed");
    assert_eq!(stored["reckoning"][0]["value_l"], 4671.7);
}

/// Both sides of the picture come to the same: 40,000 in; 3,000 evaporated, 2,000 carried off, 1,000
/// more in the tanks, so 34,000 are not accounted for.
#[test]
fn the_picture_of_the_balance_has_two_equal_sides() {
    let days = january().map(|date| fact(date, &[(Stream::Makeup, 40_000.0 / 31.0), (Stream::Wash, 4_000.0)]));
    let mut unit = subject(1, &LOOP, days.collect());
    let declared = [(Part::Evaporation, 3_000.0), (Part::CarryOff, 2_000.0), (Part::StorageChange, 1_000.0)];
    unit.statement.whole = declared.into_iter().fold(unit.statement.whole, |parts, (part, litres)| {
        parts.with(part, Quantity::exact(litres), Source::Declared)
    });
    let report = report(vec![unit]);
    let flow = report.flow.clone().unwrap();
    assert!((flow.sum(Side::In) - flow.sum(Side::Out) - flow.residual_l).abs() < 0.01, "{flow:?}");
    assert_eq!((flow.residual_l, flow.washed_l, flow.not_counted.len()), (34_000.0, Some(124_000.0), 0));
    let sides: Vec<_> = flow.parts.iter().map(|part| (part.part, part.side)).collect();
    assert_eq!(sides.iter().filter(|(part, side)| *part == Part::StorageChange && *side == Side::Out).count(), 1);
    assert_eq!(sides.len(), 4, "{sides:?}");
}

#[test]
fn what_is_read_monthly_is_shown_by_read_period() {
    let sparse = january().map(|date| DayFact { estimated_share: 1.0, ..fact(date, &[(Stream::Makeup, 100.0)]) });
    let mut unit = subject(1, &[Stream::Makeup], sparse.collect());
    let period = |from: &str, to: &str| {
        let mut amounts = Amounts::default();
        amounts.add(Stream::Makeup, 2_900.0);
        let fact = PeriodFact { from: at(from), to: at(to), grade: Grade::MakeupOnly, amounts };
        ReadStretch { fact, statement: None }
    };
    unit.periods = vec![
        period("2025-12-29T18:00:00Z", "2026-01-27T18:00:00Z"),
        period("2026-01-27T18:00:00Z", "2026-02-24T18:00:00Z"),
    ];
    let report = report(vec![unit]);
    assert_eq!(report.by_day, None);
    let [series] = report.by_period.as_slice() else { panic!("{:?}", report.by_period) };
    assert_eq!(series.points.len(), 1, "the second ended after the month");
    assert_eq!((series.points[0].fresh_used_l, series.points[0].washed_l), (Some(2_900.0), None));
    assert_eq!(
        (series.points[0].from.to_string(), series.points[0].to.to_string()),
        ("2025-12-29".into(), "2026-01-27".into())
    );
}

#[test]
fn slow_flow_is_noted_in_short_and_told_with_the_method_in_the_readers_units() {
    let days = january().map(|date| fact(date, &[(Stream::Makeup, 500.0), (Stream::Wash, 4_000.0)]));
    let mut unit = subject(1, &LOOP, days.collect());
    let low = LowFlow { q1_l_per_h: 40.0, q2_l_per_h: 64.0, below_q1_share: 0.02, below_q2_share: 0.1 };
    for parts in [&mut unit.statement.all, &mut unit.statement.whole] {
        let (makeup, source) = parts.get(Part::Makeup);
        let makeup = makeup.with_one_sided(OneSided::flow("Fill", Some(low)));
        *parts = std::mem::take(parts).with(Part::Makeup, makeup, source);
    }
    let mut inputs = inputs(vec![unit]);
    inputs.unit_system = UnitSystem::Us;
    let report = SavingsReport::of(&inputs);
    let note = |name: Name| report.reckoning.iter().find(|line| line.name == name).unwrap().note.as_str();
    assert_eq!(note(Name::FreshUsed), "Meters miss some of a very slow flow: the figure may be higher.");
    assert_eq!(note(Name::Recycled), "Meters miss some of a very slow flow: the figure may be lower.");
    assert_eq!(
        text(report.made.method.last().unwrap()),
        "Of what Fill showed at most 2 % passed below its lowest flow of 10.6 gal/h, where a meter registers too little, \
         and at most 10 % below 16.9 gal/h, where its wider limit of error holds."
    );
}
