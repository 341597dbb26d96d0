//! Read periods as reports have them, worked out by hand.

use super::*;
use crate::facts::Amounts;
use crate::period_facts::PeriodFact;
use crate::report::SavingsReport;
use crate::report::tests::{LOOP, inputs, subject};
use crate::uncertainty::quantity::{Cause, Key};
use crate::water::statement::Statement;
use crate::water::term::Term;
use crate::zone::Month;

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

/// A read period with 2 % of standard uncertainty of each meter.
fn period(of: &str, from: &str, to: &str, volumes: &[(Part, Stream, f64)]) -> ReadStretch {
    let mut amounts = Amounts::default();
    let mut parts = Parts::default();
    for (part, stream, litres) in volumes {
        amounts.add(*stream, *litres);
        let key = Key::new(format!("{of}, {}", stream.as_str()), Cause::Scale);
        parts = parts.with(*part, Quantity::exact(*litres).with_relative(key, 0.02), Source::Metered);
    }
    let statement = Statement { all: parts.clone(), whole: parts, ..Statement::default() };
    let fact = PeriodFact { from: at(from), to: at(to), grade: amounts.grade(), amounts };
    ReadStretch { fact, statement: Some(statement) }
}

fn makeup(of: &str, from: &str, to: &str, litres: f64) -> ReadStretch {
    period(of, from, to, &[(Part::Makeup, Stream::Makeup, litres)])
}

fn text(words: &str) -> String {
    words.replace(['\u{a0}', '\u{202f}'], " ")
}

/// By hand: 2,900 and 1,100 L between rounds on 29 December, 14 and 27 January: 4,000 L, off by 2 %
/// of it, twice. What ended before or after January is in another month's report.
#[test]
fn periods_that_follow_one_another_are_one_and_nothing_of_them_is_divided() {
    let mut unit = subject(1, &[Stream::Makeup], Vec::new());
    unit.periods = vec![
        makeup("a", "2025-11-29T18:00:00Z", "2025-12-29T18:00:00Z", 9_000.0),
        makeup("a", "2025-12-29T18:00:00Z", "2026-01-14T18:00:00Z", 2_900.0),
        makeup("a", "2026-01-14T18:00:00Z", "2026-01-27T18:00:00Z", 1_100.0),
        makeup("a", "2026-01-27T18:00:00Z", "2026-02-03T18:00:00Z", 700.0),
    ];
    let report = SavingsReport::of(&inputs(vec![unit]));
    let readings = report.readings.unwrap();
    let [span] = readings.spans.as_slice() else { panic!("{readings:?}") };
    assert_eq!(
        (span.from.to_string(), span.to.to_string(), span.rounds.len()),
        ("2025-12-29".into(), "2026-01-27".into(), 3)
    );
    let fresh = span.printed(Name::FreshUsed).unwrap();
    assert_eq!((fresh.value, fresh.expanded), (Value::Litres(4_000.0), Some(160.0)));
    assert_eq!((fresh.coverage, fresh.estimated_share), (1.0, 0.0));
    assert!(span.printed(Name::Recycled).is_none() && span.printed(Name::FreshAvoided).is_none());
    assert_eq!(
        text(&readings.sentence),
        "From 29 December 2025 to 27 January 2026, from reading to reading, 4.00 m³ of fresh water was used (Unit 1, \
         North yard)."
    );
}

/// Midnight between two months, by the site's clock (Denver), ends the first of them.
#[test]
fn a_period_that_is_a_calendar_month_is_that_month() {
    let mut unit = subject(1, &[Stream::Makeup], Vec::new());
    unit.periods = vec![
        makeup("a", "2025-12-01T07:00:00Z", "2026-01-01T07:00:00Z", 1_000.0),
        makeup("a", "2026-01-01T07:00:00Z", "2026-02-01T07:00:00Z", 2_000.0),
    ];
    let readings = SavingsReport::of(&inputs(vec![unit])).readings.unwrap();
    assert_eq!(readings.spans[0].printed(Name::FreshUsed).unwrap().value, Value::Litres(2_000.0));
}

/// A step that waits for a decision leaves no period over it, and what lies on both sides is no one span.
#[test]
fn a_hole_parts_what_lies_around_it() {
    let mut unit = subject(1, &[Stream::Makeup], Vec::new());
    unit.periods = vec![
        makeup("a", "2026-01-02T18:00:00Z", "2026-01-09T18:00:00Z", 700.0),
        makeup("a", "2026-01-16T18:00:00Z", "2026-01-23T18:00:00Z", 800.0),
    ];
    let readings = SavingsReport::of(&inputs(vec![unit])).readings.unwrap();
    assert_eq!(readings.spans.len(), 2);
    assert_eq!(readings.fresh_used.printed().unwrap().value, Value::Litres(1_500.0));
    assert_eq!(
        text(&readings.sentence),
        "By the readings that ended in January 2026, from 2 January 2026 to 23 January 2026, the wash bays of Harbour \
         Haulage that are read by hand used 1.500 m³ of fresh water. Days between readings that were not accepted are \
         not in it."
    );
}

/// The first unit was bypassed without a meter: of the two 2,900 L are the second's alone, and of the first
/// alone nothing is known, though it is read by hand.
#[test]
fn what_is_not_known_of_one_is_said_beside_the_sum_of_the_others() {
    let unit = |n: u128, name: &str| {
        let mut unit = subject(n, &[Stream::Makeup], Vec::new());
        unit.periods = vec![makeup(name, "2025-12-30T18:00:00Z", "2026-01-27T18:00:00Z", 2_900.0)];
        unit
    };
    let mut bypassed = unit(1, "a");
    let statement = bypassed.periods[0].statement.as_mut().unwrap();
    statement.all = statement.all.clone().with_term("a", Part::Bypass, Term::UNKNOWN);
    let both = SavingsReport::of(&inputs(vec![bypassed.clone(), unit(2, "b")])).readings.unwrap();
    assert_eq!(both.fresh_used.printed().unwrap().value, Value::Litres(2_900.0));
    assert!(!both.have_hole());
    assert!(both.sentence.ends_with("Bays whose fresh water is not known are not in it."), "{}", both.sentence);
    let alone = SavingsReport::of(&inputs(vec![bypassed])).readings.unwrap();
    let Figure::Withheld(why) = &alone.fresh_used else { panic!("{alone:?}") };
    assert_eq!((why.reason, alone.spans.len()), (Reason::PartNotMeasured, 1));
    assert!(text(&alone.sentence).contains("it is not known how much fresh water"), "{}", alone.sentence);
}

/// By hand: 5,000 L through the site's dial and 3,000 L through the unit's own, with 2,000 L by hose that are
/// noted at the unit and so for its site too: 10,000 L. Had the site been read for fewer days, the hose might
/// not be in its statement.
#[test]
fn what_was_noted_at_a_unit_counts_once_beside_its_site() {
    let hose = |mut of: ReadStretch| {
        let statement = of.statement.as_mut().unwrap();
        let fill = Term::new(2_000.0, 0.0, Source::Declared);
        statement.all = statement.all.clone().plus_term("hose", Part::HandFill, fill);
        of
    };
    let mut unit = subject(1, &[Stream::Makeup], Vec::new());
    unit.periods = vec![hose(makeup("a", "2026-01-02T18:00:00Z", "2026-01-27T18:00:00Z", 3_000.0))];
    let mut site = Subject { unit: None, ..subject(9, &[Stream::Makeup], Vec::new()) };
    site.periods = vec![hose(makeup("b", "2026-01-02T18:00:00Z", "2026-01-27T18:00:00Z", 5_000.0))];
    let both = SavingsReport::of(&inputs(vec![unit.clone(), site])).readings.unwrap();
    assert_eq!(both.fresh_used.printed().unwrap().value, Value::Litres(10_000.0));
    assert_eq!(both.spans[0].printed(Name::FreshUsed).unwrap().value, Value::Litres(5_000.0), "each by itself");
    let alone = SavingsReport::of(&inputs(vec![unit])).readings.unwrap();
    assert_eq!(alone.fresh_used.printed().unwrap().value, Value::Litres(5_000.0));
}

/// The site was read from the 5th to the 29th, the unit from the 2nd to the 27th: whether the hose of 2,000 L
/// that is noted at the unit is in the site's statement as well nobody knows. Without it 3,000 + 5,000 L.
#[test]
fn what_was_noted_at_a_unit_is_in_no_sum_with_a_site_read_on_other_days() {
    let of = |hose_l: Option<f64>| {
        let noted = |mut of: ReadStretch| {
            let statement = of.statement.as_mut().unwrap();
            let fill = hose_l.map_or(Term::ABSENT, |litres| Term::new(litres, 0.0, Source::Declared));
            statement.all = statement.all.clone().plus_term("hose", Part::HandFill, fill);
            of
        };
        let mut unit = subject(1, &[Stream::Makeup], Vec::new());
        unit.periods = vec![noted(makeup("a", "2026-01-02T18:00:00Z", "2026-01-27T18:00:00Z", 3_000.0))];
        let mut site = Subject { unit: None, ..subject(9, &[Stream::Makeup], Vec::new()) };
        site.periods = vec![noted(makeup("b", "2026-01-05T18:00:00Z", "2026-01-29T18:00:00Z", 5_000.0))];
        SavingsReport::of(&inputs(vec![unit, site])).readings.unwrap()
    };
    assert_eq!(of(None).fresh_used.printed().unwrap().value, Value::Litres(8_000.0));
    let noted = of(Some(2_000.0));
    let Figure::Withheld(why) = &noted.fresh_used else { panic!("{noted:?}") };
    assert_eq!(why.reason, Reason::PartNotMeasured);
    let each: Vec<_> = noted.spans.iter().map(|span| span.printed(Name::FreshUsed).unwrap().value).collect();
    assert_eq!(each, [Value::Litres(5_000.0), Value::Litres(7_000.0)], "each by itself");
}

/// A reading of a meter of no fresh water.
fn other(from: &str, to: &str, volumes: &[(Part, Stream, f64)]) -> ReadStretch {
    let mut of = period("o", from, to, volumes);
    let statement = of.statement.as_mut().unwrap();
    statement.all = statement.all.clone().with_term("o", Part::Makeup, Term::UNKNOWN);
    of
}

/// The site's dial shows all of its fresh water: a counter of hours at a unit behind it, which was not read all
/// the time, leaves nothing out. Nor does the site's wash dial beside the dials of its units. Beside a unit with
/// a dial of its own a counter of hours is a bay whose fresh water is not known.
#[test]
fn a_meter_of_no_fresh_water_leaves_none_out() {
    let said = |subjects| {
        let found = SavingsReport::of(&inputs(subjects)).readings.unwrap();
        assert!(found.fresh_used.printed().is_some(), "{found:?}");
        (found.have_hole(), found.have_unknown(), found.sentence.contains("not in it"))
    };
    let dial = |mut of: Subject| {
        of.periods = vec![makeup("b", "2026-01-02T18:00:00Z", "2026-01-27T18:00:00Z", 5_000.0)];
        of
    };
    let mut hours = subject(1, &[Stream::RunHours], Vec::new());
    hours.periods = vec![
        other("2026-01-02T18:00:00Z", "2026-01-09T18:00:00Z", &[]),
        other("2026-01-16T18:00:00Z", "2026-01-27T18:00:00Z", &[]),
    ];
    let site = |stream| Subject { unit: None, ..subject(9, &[stream], Vec::new()) };
    assert_eq!(said(vec![hours.clone(), dial(site(Stream::Makeup))]), (false, false, false));
    let mut washing = site(Stream::Wash);
    let wash = [(Part::Wash, Stream::Wash, 20_000.0)];
    washing.periods = vec![other("2026-01-02T18:00:00Z", "2026-01-27T18:00:00Z", &wash)];
    let units = || [1, 2].map(|n| dial(subject(n, &[Stream::Makeup], Vec::new())));
    assert_eq!(said(units().into_iter().chain([washing]).collect()), (false, false, false));
    let beside = Subject { id: Uuid::from_u128(5), ..hours };
    assert_eq!(said(units().into_iter().chain([beside]).collect()), (true, true, true));
}

/// By hand: in each of two stretches 1,500 L through the unit's dial and 10 L through its meter of fills, and
/// 2,000 L by hose that the site's statement has as well; with the site's 5,000 L 3,000 + 20 + 4,000 + 5,000.
#[test]
fn what_was_noted_beside_a_meter_of_fills_counts_once_beside_its_site() {
    let hose = |mut of: ReadStretch, litres| {
        let statement = of.statement.as_mut().unwrap();
        let fill = Term::new(litres, 0.0, Source::Declared);
        statement.all = statement.all.clone().plus_term("hose", Part::HandFill, fill);
        of
    };
    let passed = [(Part::Makeup, Stream::Makeup, 1_500.0), (Part::HandFill, Stream::HandFill, 10.0)];
    let of_unit = |from, to| hose(period("a", from, to, &passed), 2_000.0);
    let mut unit = subject(1, &[Stream::Makeup, Stream::HandFill], Vec::new());
    unit.periods = vec![
        of_unit("2026-01-02T18:00:00Z", "2026-01-14T18:00:00Z"),
        of_unit("2026-01-14T18:00:00Z", "2026-01-27T18:00:00Z"),
    ];
    let mut site = Subject { unit: None, ..subject(9, &[Stream::Makeup], Vec::new()) };
    site.periods = vec![hose(makeup("b", "2026-01-02T18:00:00Z", "2026-01-27T18:00:00Z", 5_000.0), 4_000.0)];
    let both = SavingsReport::of(&inputs(vec![unit, site])).readings.unwrap();
    assert_eq!(both.fresh_used.printed().unwrap().value, Value::Litres(12_020.0));
}

/// The site's dial shows 5,000 L, and a unit behind it has a meter of rinse: the dial is not all.
#[test]
fn beside_other_fresh_water_a_dial_is_not_all_of_it() {
    let mut site = Subject { unit: None, ..subject(9, &[Stream::Makeup], Vec::new()) };
    site.periods = vec![makeup("b", "2026-01-02T18:00:00Z", "2026-01-27T18:00:00Z", 5_000.0)];
    let found = SavingsReport::of(&inputs(vec![subject(1, &[Stream::Rinse], Vec::new()), site])).readings.unwrap();
    let Figure::Withheld(why) = &found.fresh_used else { panic!("{found:?}") };
    assert_eq!(why.reason, Reason::PartNotMeasured);
    assert!(found.spans[0].printed(Name::FreshUsed).is_none());
}

/// By hand: 2,000 L in and 20,000 L out recycle 18,000, nine tenths of it. The other way round it is a
/// loss, shown as it is.
#[test]
fn a_loop_has_its_balance_and_a_loss_keeps_its_sign() {
    let of = |fresh: f64, wash: f64| {
        let mut unit = subject(1, &LOOP, Vec::new());
        let volumes = [(Part::Makeup, Stream::Makeup, fresh), (Part::Wash, Stream::Wash, wash)];
        unit.periods = vec![period("a", "2025-12-30T18:00:00Z", "2026-01-27T18:00:00Z", &volumes)];
        SavingsReport::of(&inputs(vec![unit])).readings.unwrap()
    };
    let good = of(2_000.0, 20_000.0);
    assert_eq!(good.spans[0].printed(Name::Recycled).unwrap().value, Value::Litres(18_000.0));
    assert_eq!(good.spans[0].printed(Name::ReuseShare).unwrap().value, Value::Share(0.9));
    assert!(text(&good.sentence).contains("(90 % of all water to the washers)"), "{}", good.sentence);
    let bad = of(20_000.0, 2_000.0);
    assert_eq!(bad.spans[0].printed(Name::Recycled).unwrap().value, Value::Litres(-18_000.0));
    assert!(bad.sentence.contains("which is a loss"), "{}", bad.sentence);
}

/// Meters of several units err by themselves; each unit has its own days.
#[test]
fn units_keep_their_own_days_and_are_summed_with_their_errors() {
    let of = |n: u128, name: &str, from: &str, to: &str| {
        let mut unit = subject(n, &[Stream::Makeup], Vec::new());
        unit.periods = vec![makeup(name, from, to, 3_000.0)];
        unit
    };
    let two = vec![
        of(1, "a", "2025-12-30T18:00:00Z", "2026-01-27T18:00:00Z"),
        of(2, "b", "2026-01-04T18:00:00Z", "2026-01-29T18:00:00Z"),
    ];
    let readings = SavingsReport::of(&inputs(two)).readings.unwrap();
    let both = readings.fresh_used.printed().unwrap();
    assert_eq!((both.value, both.units_covered), (Value::Litres(6_000.0), 2));
    assert!((both.expanded.unwrap() - 2.0 * 60.0 * 2_f64.sqrt()).abs() < 1e-3, "{both:?}");
    let days: Vec<_> = readings.spans.iter().map(|span| span.from.to_string()).collect();
    assert_eq!(days, ["2025-12-30", "2026-01-04"]);
}

#[test]
fn where_nothing_is_read_by_hand_there_is_none() {
    assert_eq!(SavingsReport::of(&inputs(vec![subject(1, &LOOP, Vec::new())])).readings, None);
}

/// By hand: 40 washes at 300 L before the unit less 4,000 L used: 8,000 L avoided, and 100 L of fresh
/// water for each wash. A second unit there, read by itself, leaves no site to hold a baseline against.
#[test]
fn what_was_avoided_is_of_the_days_between_the_readings() {
    use crate::accounts::site_money::tests::money;
    use crate::baseline::history::Baselines;
    use crate::baseline::record::tests::baseline;
    use crate::ids::SiteId;
    let of = |first_day: &str, second: bool| {
        let mut unit = subject(1, &[Stream::Makeup, Stream::WashCount], Vec::new());
        let mut read = makeup("a", "2025-12-30T18:00:00Z", "2026-01-27T18:00:00Z", 4_000.0);
        read.statement.as_mut().unwrap().washed = Washes::Counter { washes: 40.0 };
        unit.periods = vec![read];
        let mut money = money(&[("2025-01-01", None)]);
        money.site_id = SiteId(Uuid::from_u128(7));
        let held = Baseline { first_day: first_day.parse().unwrap(), ..baseline() };
        money.baselines = Baselines::parse(vec![held]).unwrap();
        let other = second.then(|| subject(2, &[Stream::Makeup], Vec::new()));
        let subjects = std::iter::once(unit).chain(other).collect();
        SavingsReport::of(&Inputs { money: vec![money], ..inputs(subjects) }).readings.unwrap()
    };
    let found = of("2025-01-01", false);
    let span = &found.spans[0];
    assert_eq!(span.printed(Name::FreshAvoided).unwrap().value, Value::Litres(8_000.0));
    assert_eq!(span.printed(Name::FreshPerWash).unwrap().value, Value::LitresPerWash(100.0));
    assert_eq!(span.printed(Name::Washes).unwrap().value, Value::Count(40.0));
    let why = |of: &Readings| {
        let line = of.spans[0].lines.iter().find(|line| line.name == Name::FreshAvoided).unwrap();
        match &line.figure {
            Figure::Withheld(why) => why.reason,
            Figure::Printed(printed) => panic!("{printed:?}"),
        }
    };
    assert_eq!(why(&of("2026-01-10", false)), Reason::BaselineChanges, "it begins between the readings");
    let two = of("2025-01-01", true);
    assert_eq!(why(&two), Reason::PartNotMeasured);
    assert!(two.spans[0].printed(Name::Washes).is_some(), "its own counter counts its own washes");
}

/// By hand: the site's wash meter passed 90,000 L from 30 December to 27 January; the dials of its units, read
/// on the same days, 9,000 and 11,000 L: 70,000 L recycled, 7/9 of what went to the washers. The make-up water
/// of the units counts once in the sum of all readings.
#[test]
fn a_sites_wash_meter_is_held_against_the_dials_of_its_units() {
    let days = ("2025-12-30T18:00:00Z", "2026-01-27T18:00:00Z");
    let unit = |n: u128, name: &str, litres: f64| {
        let mut unit = subject(n, &[Stream::Makeup], Vec::new());
        unit.periods = vec![makeup(name, days.0, days.1, litres)];
        unit
    };
    let washed = [(Part::Wash, Stream::Wash, 90_000.0)];
    let mut site = Subject { unit: None, ..subject(9, &[Stream::Wash], Vec::new()) };
    site.periods = vec![period("wash", days.0, days.1, &washed)];
    let subjects = vec![unit(1, "a", 9_000.0), unit(2, "b", 11_000.0), site];
    let readings = SavingsReport::of(&inputs(subjects.clone())).readings.unwrap();
    let together: Vec<&ReadSpan> = readings.spans.iter().filter(|span| span.together).collect();
    let [span] = together.as_slice() else { panic!("{readings:?}") };
    assert_eq!((span.of.as_str(), span.rounds.len()), ("North yard (all units together)", 2));
    let value = |name: Name| span.printed(name).map(|printed| printed.value);
    assert_eq!(value(Name::Recycled), Some(Value::Litres(70_000.0)));
    assert_eq!(value(Name::ReuseShare), Some(Value::Share(0.77778)));
    assert_eq!(span.printed(Name::Recycled).unwrap().units, 2);
    assert_eq!(readings.fresh_used.printed().unwrap().value, Value::Litres(20_000.0));
    // A third stands there, and nobody reads it by hand.
    let third = subject(3, &[Stream::Makeup], Vec::new());
    let more = SavingsReport::of(&inputs([subjects, vec![third]].concat())).readings.unwrap();
    assert!(more.spans.iter().all(|span| !span.together));
}

/// By hand: everything was read on 20 December and on 20 January, the first unit on 30 December too: 90,000 -
/// (3,000 + 6,000) - 11,000 = 70,000 L. And a round in the last night of January, by the site's clock (Denver),
/// of which the last reading is of February: its middle, 20 minutes before midnight, is of January.
#[test]
fn what_was_read_of_a_site_in_other_months_is_in_its_period() {
    let site_of = |from: &str, to: &str| {
        let mut site = Subject { unit: None, ..subject(9, &[Stream::Wash], Vec::new()) };
        site.periods = vec![period("wash", from, to, &[(Part::Wash, Stream::Wash, 90_000.0)])];
        site
    };
    let unit = |n: u128, periods: &[(&str, &str, f64)]| {
        let mut unit = subject(n, &[Stream::Makeup], Vec::new());
        let name = format!("dial {n}");
        unit.periods = periods.iter().map(|(from, to, litres)| makeup(&name, from, to, *litres)).collect();
        unit
    };
    let together = |subjects: Vec<Subject>, month: &str| {
        let report = SavingsReport::of(&Inputs { month: Month::parse(month).unwrap(), ..inputs(subjects) });
        let spans = report.readings.map(|readings| readings.spans).unwrap_or_default();
        let together = spans.iter().filter(|span| span.together);
        together.map(|span| span.printed(Name::Recycled).unwrap().value).collect::<Vec<_>>()
    };
    let [first, between, last] = ["2025-12-20T18:00:00Z", "2025-12-30T18:00:00Z", "2026-01-20T18:00:00Z"];
    let more = unit(1, &[(first, between, 3_000.0), (between, last, 6_000.0)]);
    let all = vec![more, unit(2, &[(first, last, 11_000.0)]), site_of(first, last)];
    assert_eq!(together(all, "2026-01"), [Value::Litres(70_000.0)]);
    let night = ["2026-02-01T06:10:00Z", "2026-02-01T07:10:00Z"];
    let one = unit(1, &[(first, night[0], 9_000.0)]);
    let all = vec![one, unit(2, &[(first, night[0], 11_000.0)]), site_of(first, night[1])];
    assert_eq!(together(all.clone(), "2026-01"), [Value::Litres(70_000.0)]);
    assert_eq!(together(all, "2026-02"), [], "it is told once");
}
