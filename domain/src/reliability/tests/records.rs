use crate::component::{Component, OutWhy, RunBasis};
use crate::component::{Duty, TakenOut};
use crate::ids::UnitId;
use crate::reliability::life::End;
use crate::reliability::life::Life;
use crate::reliability::records::*;
use chrono::{DateTime, Utc};
use uuid::Uuid;

fn at(text: &str) -> DateTime<Utc> {
    format!("{text}T00:00:00Z").parse().unwrap()
}

/// A part fitted on the first of January that ages by days.
fn part(out: Option<(&str, OutWhy)>) -> Component {
    Component {
        unit_id: UnitId(Uuid::from_u128(1)),
        kind: "aerator_membrane".to_owned(),
        model: None,
        serial_number: None,
        duty: Duty::Continuous,
        run_basis: RunBasis::Days,
        rated_life: None,
        assumed_per_day: None,
        age_at_fitting: 0.0,
        fitted_at: at("2025-01-01"),
        tracked_from: None,
        last_good_at: None,
        out: out.map(|(day, why)| TakenOut { at: at(day), why }),
        warranty_until: None,
    }
}

fn unknown(_from: DateTime<Utc>, _to: DateTime<Utc>) -> Option<f64> {
    None
}

fn record(component: &Component) -> Record<'_, u8> {
    Record { component, place: 1, watched_from: None, failed_calibration_at: None, run: &unknown }
}

fn lives_of(records: Vec<Record<'_, u8>>) -> Lives {
    Lives::of(records, at("2025-12-31"))
}

#[test]
fn what_ends_a_life_and_what_only_ends_the_watch() {
    let seen = |part: Component| Component { last_good_at: Some(at("2025-02-01")), ..part };
    let cases = [
        (part(None), End::Running, 364.0),
        (part(Some(("2025-03-02", OutWhy::Failed))), End::Failed, 60.0),
        (seen(part(Some(("2025-03-02", OutWhy::Failed)))), End::FailedSince { last_good: 31.0 }, 60.0),
        (part(Some(("2025-03-02", OutWhy::WornOutFound))), End::FailedSince { last_good: 0.0 }, 60.0),
        (seen(part(Some(("2025-03-02", OutWhy::WornOutFound)))), End::FailedSince { last_good: 31.0 }, 60.0),
        (part(Some(("2025-03-02", OutWhy::Preventive))), End::Running, 60.0),
        (part(Some(("2025-03-02", OutWhy::Upgrade))), End::Running, 60.0),
        (part(Some(("2025-03-02", OutWhy::External))), End::Running, 60.0),
        (part(Some(("2025-03-02", OutWhy::FaultyNew))), End::Running, 60.0),
        (part(Some(("2025-03-02", OutWhy::Unknown))), End::Running, 60.0),
        // Taken out after the day for which it is asked.
        (part(Some(("2026-03-02", OutWhy::Failed))), End::Running, 364.0),
    ];
    for (component, end, age) in &cases {
        let found = lives_of(vec![record(component)]);
        assert_eq!((found.lives[0].end(), found.lives[0].age()), (*end, *age), "{component:?}");
    }
    let all = lives_of(cases.iter().map(|(component, _, _)| record(component)).collect());
    let expected = Ends {
        failed: 2,
        worn_out_found: 2,
        running: 2,
        preventive: 1,
        upgrade: 1,
        external: 1,
        external_events: 1,
        faulty_new: 1,
        unknown: 1,
        ..Ends::default()
    };
    assert_eq!((all.ends, all.lives.len()), (expected, 11));
}

#[test]
fn a_failed_calibration_ends_a_life_in_place() {
    let probe = Component { last_good_at: Some(at("2025-04-01")), ..part(None) };
    let failed = Record { failed_calibration_at: Some(at("2025-06-01")), ..record(&probe) };
    let found = lives_of(vec![failed]);
    assert_eq!((found.lives[0].end(), found.lives[0].age()), (End::FailedSince { last_good: 90.0 }, 151.0));
    assert_eq!((found.ends.failed_calibration, found.ends.running), (1, 0));
}

/// A pump that was old when fitted, and one that was fitted before anybody wrote things down.
#[test]
fn parts_already_old_enter_late() {
    let second_hand = Component { age_at_fitting: 400.0, ..part(None) };
    let found = lives_of(vec![record(&second_hand)]);
    assert_eq!((found.lives[0].entry(), found.lives[0].age()), (400.0, 764.0));
    let early = part(Some(("2025-03-02", OutWhy::Failed)));
    let watched = |day| Record { watched_from: Some(at(day)), ..record(&early) };
    let found = lives_of(vec![watched("2025-02-01"), watched("2024-02-01"), watched("2025-03-02")]);
    assert_eq!(found.lives.iter().map(Life::entry).collect::<Vec<_>>(), [31.0, 0.0]);
    assert_eq!(found.ends.without_length, 1);
}

#[test]
fn counters_give_ages_and_unknown_ones_are_counted() {
    let pump = Component { run_basis: RunBasis::Hours, age_at_fitting: 12.0, ..part(None) };
    let known = |from: DateTime<Utc>, to: DateTime<Utc>| Some((to - from).as_seconds_f64() / 86_400.0 * 6.0);
    let counted = Record { run: &known, ..record(&pump) };
    let found = lives_of(vec![counted, record(&pump)]);
    assert_eq!((found.lives.len(), found.lives[0].age()), (1, 12.0 + 364.0 * 6.0));
    assert_eq!(found.ends.without_age, 1);
}

#[test]
fn a_night_of_frost_is_one_event_at_one_place() {
    let frosts: Vec<Component> = ["2025-01-10", "2025-01-11", "2025-01-13", "2025-02-20"]
        .into_iter()
        .map(|day| part(Some((day, OutWhy::External))))
        .collect();
    let here: Vec<_> = frosts.iter().map(record).collect();
    assert_eq!(lives_of(here).ends.external_events, 2);
    let apart = frosts.iter().zip(0..).map(|(component, place)| Record { place, ..record(component) });
    let found = lives_of(apart.collect());
    assert_eq!((found.ends.external, found.ends.external_events), (4, 4));
}
