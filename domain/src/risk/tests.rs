//! A fleet whose lives are planted.

use super::costs::RiskCosts;
use super::finding::Followed;
use super::fleet::{Fleet, Part, UnitFacts};
use super::life_model::{GroupKey, Of};
use super::night::{Night, forecast};
use super::plan::{Plan, Replace};
use super::pooling;
use crate::component::{Component, Duty, OutWhy, RunBasis, TakenOut};
use crate::condition::test::Kind;
use crate::ids::{ComponentId, UnitId};
use crate::money::Currency;
use crate::reliability::assess::Forecaster;
use crate::reliability::counts::Counts;
use crate::reliability::fit;
use crate::reliability::forecast::any_of;
use crate::reliability::ratio::Counted;
use crate::reliability::replace::WhyRun;
use crate::reliability::tests::published::{Stream, list, lives, near, parsed};
use crate::reliability::weibull::Weibull;
use crate::site::{Fallback, SoilClass};
use crate::stock::idle::IdleDays;
use crate::template::failure::{Failure, PartsCostClass};
use crate::wear::age::AgeSource;
use crate::wear::line::{CountedMonth, UseLine};
use crate::zone::Month;
use chrono::{DateTime, Duration, NaiveDate, Utc};
use rust_decimal::Decimal;
use uuid::Uuid;

fn now() -> DateTime<Utc> {
    "2026-06-01T00:00:00Z".parse().unwrap()
}

/// A part that aged `days` until it was taken out, or until now.
fn part(n: u128, days: f64, why: Option<OutWhy>) -> Part {
    #[expect(clippy::cast_possible_truncation, reason = "the days of a test")]
    let life = Duration::seconds((days * 86_400.0).round() as i64);
    // Those taken out ended well before now.
    let end = if why.is_some() { now() - Duration::days(1) } else { now() };
    let component = Component {
        unit_id: UnitId(Uuid::from_u128(n % 4)),
        kind: "pump_tube".to_owned(),
        model: None,
        serial_number: None,
        duty: Duty::Timed,
        run_basis: RunBasis::Days,
        rated_life: None,
        age_at_fitting: 0.0,
        fitted_at: end - life,
        tracked_from: None,
        assumed_per_day: None,
        last_good_at: None,
        out: why.map(|why| TakenOut { at: end, why }),
        warranty_until: None,
    };
    Part {
        id: ComponentId(Uuid::from_u128(n)),
        component,
        place: Uuid::from_u128(n),
        soil: None,
        failure: None,
        own: None,
        failed_calibration_at: None,
    }
}

fn fleet(parts: Vec<Part>) -> Fleet {
    let unit = UnitFacts { kept: true, fallback: Some(Fallback::None), ..UnitFacts::default() };
    let units = (0..4).map(|n| (UnitId(Uuid::from_u128(n)), unit.clone())).collect();
    Fleet { parts, units, ..Fleet::default() }
}

fn night(fleet: &Fleet) -> Night {
    forecast(fleet, now(), &RiskCosts::default(), Currency::parse("EUR").unwrap())
}

/// NIST/SEMATECH e-Handbook 8.4.1.3 as parts of a fleet: the same lives, the same estimates.
#[test]
fn published_lives_come_out_as_published() {
    let nist = parsed("nist_8413")["data"].clone();
    let events = list(&nist["event"]);
    let parts = list(&nist["time"])
        .into_iter()
        .zip(&events)
        .zip(1..)
        .map(|((time, event), n)| part(n, time, (*event == 1.0).then_some(OutWhy::Failed)));
    let night = night(&fleet(parts.collect()));
    let model = night.models.values().next().unwrap();
    let published = fit::weibull(&lives(&nist)).unwrap();
    let Ok(Forecaster::Fitted(found)) = &model.forecaster else { panic!("{:?}", model.forecaster) };
    near(found.fit.weibull.shape(), published.weibull.shape(), 1e-6);
    near(found.fit.weibull.scale(), published.weibull.scale(), 1e-6);
    assert_eq!((night.models.len(), night.parts.len(), model.tally.failures), (1, 10, 10));
    let first = &night.parts[0];
    near(first.ahead[0].chance.unwrap().p, published.weibull.failure_ahead(500.0, 30.0), 1e-6);
    assert!(first.ahead[0].chance.unwrap().bounds.contains(first.ahead[0].chance.unwrap().p));
    // All that lived are 500 days old: 10 of 20 had failed by then, and nobody is known beyond.
    assert_eq!((first.alike.failed, first.alike.known, first.age.source), (10, 10, AgeSource::Calendar));
}

#[test]
fn a_unit_is_at_the_risk_of_all_its_parts_and_ranked_by_its_loss() {
    let mut parts: Vec<Part> = (1..=12).map(|n| part(n, 100.0 * n as f64, Some(OutWhy::Failed))).collect();
    parts.extend((13..=24).map(|n| part(n, 90.0 * (n - 12) as f64, None)));
    let mut fleet = fleet(parts);
    fleet.units.get_mut(&UnitId(Uuid::from_u128(2))).unwrap().fallback = None;
    let night = night(&fleet);
    assert_eq!(night.units.iter().map(|unit| unit.rank).collect::<Vec<_>>(), [1, 2, 3, 4]);
    let losses: Vec<Option<Decimal>> =
        night.units.iter().map(|unit| unit.expected_loss.map(|loss| loss.amount)).collect();
    assert!(losses.is_sorted_by(|a, b| a >= b), "{losses:?}");
    assert_eq!((losses[3], night.units[3].unit), (None, UnitId(Uuid::from_u128(2))));
    for unit in &night.units {
        let parts = night.parts.iter().filter(|part| part.unit == unit.unit);
        near(unit.chances[1], any_of(parts.map(|part| part.ahead[1].chance.unwrap().p)), 1e-12);
        assert!(unit.chances[0] < unit.chances[1] && unit.not_forecast == 0);
    }
}

/// Two units alike but for what follows when the older part of each fails, and one in which the process
/// may upset: each part brings its own loss.
#[test]
fn a_unit_s_loss_is_the_sum_of_its_parts_own() {
    let mut parts: Vec<Part> = (1..=12).map(|n| part(n, 100.0 * n as f64, Some(OutWhy::Failed))).collect();
    parts.extend([(20, 900.0), (24, 300.0), (21, 900.0), (25, 300.0)].map(|(n, age)| part(n, age, None)));
    let minor = Failure {
        parts_cost: PartsCostClass::Low,
        call_out: false,
        down_town_water_d: 0.0,
        down_second_unit_d: 0.0,
        down_none_d: 0.0,
    };
    let stops = Failure { call_out: true, down_none_d: 3.0, ..minor };
    let of = |n: u128| ComponentId(Uuid::from_u128(n));
    for one in &mut parts {
        one.failure = match one.id {
            id if id == of(20) => Some(minor),
            id if id == of(21) => Some(stops),
            _ => None,
        };
    }
    let mut fleet = fleet(parts);
    let begin = now() - Duration::days(1000);
    let history = &mut fleet.units.get_mut(&UnitId(Uuid::from_u128(1))).unwrap().history;
    (history.stays, history.upsets) = (vec![(begin, now())], vec![begin + Duration::days(400)]);
    let night = night(&fleet);
    let unit = |n: u128| night.units.iter().find(|unit| unit.unit == UnitId(Uuid::from_u128(n))).unwrap();
    let p = |n: u128| night.parts.iter().find(|part| part.component == of(n)).unwrap().ahead[0].chance.unwrap().p;
    let loss = |n: u128| unit(n).expected_loss.unwrap().amount.to_string().parse::<f64>().unwrap();
    let upset = |n: u128| unit(n).upset.as_ref().unwrap().chances[0];
    assert!((loss(0) - (p(24) * 850.0 + upset(0) * 850.0)).abs() < 0.01, "what follows is nothing: {}", loss(0));
    assert!((loss(1) - (p(21) * 2050.0 + p(25) * 850.0 + upset(1) * 850.0)).abs() < 0.01, "{}", loss(1));
    assert!(p(20) == p(21) && unit(1).rank < unit(0).rank);
    let of_part = |n: u128| night.parts.iter().find(|part| part.component == of(n)).unwrap();
    let amount = |n: u128| of_part(n).loss.map(|loss| loss.amount);
    assert_eq!([20, 21, 25].map(amount), [0, 2050, 850].map(|amount| Some(Decimal::from(amount))));
    // What is planned for a part counts its own loss too.
    assert_eq!(of_part(20).plan, Some(Plan::RunToFailure(WhyRun::PlannedCostsAsMuch)));
    let near_zero = unit(0).by_constant_rate;
    assert!(near_zero[0] > 0.0 && near_zero[0] < near_zero[1] && near_zero[1] < 1.0);
}

/// The simple rule is held against the same parts as the forecast: a part of which nothing is forecast is in
/// neither.
#[test]
fn what_is_not_forecast_is_in_no_rule() {
    let tubes = || (1..=12).map(|n| part(n, 100.0 * n as f64, Some(OutWhy::Failed))).chain([part(20, 900.0, None)]);
    let seal = |n, why| {
        let mut seal = part(n, 400.0, why);
        seal.component.kind = "pump_seal".to_owned();
        seal
    };
    let seals = [seal(24, Some(OutWhy::Failed)), seal(28, None)];
    let (alone, beside) = (night(&fleet(tubes().collect())), night(&fleet(tubes().chain(seals).collect())));
    assert_eq!((beside.units[0].not_forecast, beside.parts.len()), (1, 2));
    assert!(beside.parts.iter().any(|part| part.ahead[0].chance.is_none() && part.ahead[0].by_constant_rate > 0.0));
    assert_eq!(beside.units[0].by_constant_rate, alone.units[0].by_constant_rate);
}

/// Ten thousand parts of one kind that share a loss are planned once; another loss is another plan.
#[test]
fn plans_are_made_for_each_loss_and_not_for_each_part() {
    let worn = (1..=30).map(|n: u128| part(n, 200.0 + 4.0 * n as f64, Some(OutWhy::Failed)));
    let mut parts: Vec<Part> = worn.chain((31..=34).map(|n| part(n, 100.0, None))).collect();
    let dear = Failure {
        parts_cost: PartsCostClass::High,
        call_out: true,
        down_town_water_d: 0.0,
        down_second_unit_d: 0.0,
        down_none_d: 20.0,
    };
    parts[33].failure = Some(dear);
    let night = night(&fleet(parts));
    let ages: Vec<f64> = night.parts.iter().map(|part| part.plan.unwrap().replacement().unwrap().age).collect();
    let distinct: std::collections::BTreeSet<u64> = ages.iter().map(|age| age.to_bits()).collect();
    assert_eq!(distinct.len(), 2, "{ages:?}");
    let dear = night.parts.iter().position(|part| part.component == ComponentId(Uuid::from_u128(34))).unwrap();
    assert!(ages.iter().all(|age| ages[dear] <= *age), "the dearer the failure, the sooner: {ages:?}");
}

/// Thirty parts under earth that wear soon, thirty under road film that last; no model is known.
#[test]
fn soils_with_enough_failures_stand_alone() {
    let parts = (1..=60).map(|n: u128| {
        let (soil, life) = if n.is_multiple_of(2) { (SoilClass::Earth, 40.0) } else { (SoilClass::Light, 400.0) };
        let mut part = part(n, life + n as f64, (n <= 40).then_some(OutWhy::Failed));
        part.soil = Some(soil);
        part
    });
    let parts: Vec<Part> = parts.collect();
    let found = night(&fleet(parts.clone()));
    let groups: Vec<&Of> = found.models.keys().map(|key| &key.of).collect();
    assert_eq!(groups, [&Of::Kind, &Of::Soil(SoilClass::Light), &Of::Soil(SoilClass::Earth)]);
    let soil_of = |one: &super::night::PartForecast| parts.iter().find(|part| part.id == one.component).unwrap().soil;
    assert!(found.parts.iter().all(|part| part.group.soil() == soil_of(part)));
    assert_eq!(found.ends.failed, 40, "narrower groups are not counted again");
    // A maker's model says more than a soil.
    let named = parts.into_iter().map(|mut part| {
        let model = if part.id.0.as_u128() % 4 < 2 { "S" } else { "L" };
        part.component.model = Some(model.to_owned());
        part
    });
    assert!(night(&fleet(named.collect())).parts.iter().all(|part| part.group.model().is_some()));
    let few = (1..=12).map(|n: u128| {
        let mut part = part(n, 50.0 + n as f64, (n <= 9).then_some(OutWhy::Failed));
        part.soil = Some(if n.is_multiple_of(2) { SoilClass::Oily } else { SoilClass::Organic });
        part
    });
    assert_eq!(night(&fleet(few.collect())).models.len(), 1, "too few of each");
}

/// Parts of a known Weibull, of all ages when tracking began, watched for two hundred days: those that had
/// failed before were never written down. Who takes them as watched since they were new, takes the lives to be
/// longer than they are.
#[test]
fn parts_already_old_when_tracking_began_count_from_then_on() {
    let truth = Weibull::new(2.0, 300.0).unwrap();
    let scale = |tracked: bool| {
        let mut stream = Stream(8);
        let of = (1..=600).filter_map(|n: u128| {
            let (life, start) = (truth.quantile(stream.next()), 500.0 * stream.next());
            let age = life.min(start + 200.0);
            let mut part = (life > start).then(|| part(n, age, (life == age).then_some(OutWhy::Failed)))?;
            let watched = std::time::Duration::from_secs_f64((age - start) * 86_400.0);
            let watched = Duration::from_std(watched).unwrap();
            part.component.tracked_from = tracked.then(|| part.component.out.map_or(now(), |out| out.at) - watched);
            Some(part)
        });
        let night = night(&fleet(of.collect()));
        let model = night.models.values().next().unwrap();
        assert_eq!(model.tally.late_entries > 0, tracked);
        let Ok(Forecaster::Fitted(found)) = &model.forecaster else { panic!("{:?}", model.forecaster) };
        (found.fit.weibull.scale(), found.scale_bounds.contains(300.0))
    };
    let (tracked, since_new) = (scale(true), scale(false));
    assert!(tracked.1 && !since_new.1, "{tracked:?} {since_new:?}");
    assert!(since_new.0 > 1.15 * tracked.0, "{tracked:?} {since_new:?}");
}

/// Nothing failed here yet; elsewhere such parts last 80 days.
#[test]
fn counts_of_other_dealers_are_held_beside_the_rated_life() {
    let running = |rated: Option<f64>| {
        let parts = (1..=3).map(|n| {
            let mut part = part(n, 50.0, None);
            part.component.rated_life = rated;
            part
        });
        fleet(parts.collect())
    };
    let key = ("pump_tube".to_owned(), Duty::Timed, RunBasis::Days);
    let counts = Counts { lives: 60, failures: 40, time_at_risk: 3200.0 };
    let with = |mut fleet: Fleet, counts: Counts| {
        fleet.elsewhere.insert(key.clone(), counts);
        night(&fleet)
    };
    let first = |night: &Night| night.parts[0].ahead[0].chance.map(|chance| chance.p);
    let alone = first(&night(&running(Some(400.0)))).unwrap();
    let lent = first(&with(running(Some(400.0)), counts)).unwrap();
    let unrated = with(running(None), counts);
    assert!(lent > 1.5 * alone, "{lent} {alone}");
    assert_eq!(first(&night(&running(None))), None);
    assert!(first(&unrated).unwrap() > lent && unrated.models.values().next().unwrap().elsewhere == Some(counts));
    let nothing = Counts { failures: 0, ..counts };
    assert_eq!(first(&with(running(Some(400.0)), nothing)), Some(alone), "no failure elsewhere tells nothing");
    // With lives enough of one's own, counts from elsewhere change nothing.
    let own: Vec<Part> =
        (1..=24).map(|n: u128| part(n, 90.0 * n as f64, (n <= 12).then_some(OutWhy::Failed))).collect();
    assert_eq!(with(fleet(own.clone()), counts).parts, night(&fleet(own)).parts);
}

#[test]
fn what_is_lent_is_counts_by_kind_alone() {
    let parts = (1..=60).map(|n: u128| {
        let mut part = part(n, 40.0 + n as f64, (n <= 40).then_some(OutWhy::Failed));
        part.component.model = Some(if n.is_multiple_of(2) { "S" } else { "L" }.to_owned());
        part
    });
    let night = night(&fleet(parts.collect()));
    assert!(night.models.len() > 1, "models stand alone");
    let lent: Vec<_> = pooling::lent(&night.models).into_iter().collect();
    let [((kind, duty, basis), counts)] = &lent[..] else { panic!("{lent:?}") };
    assert_eq!((kind.as_str(), *duty, *basis), ("pump_tube", Duty::Timed, RunBasis::Days));
    assert_eq!((counts.lives, counts.failures), (60, 40));
    near(counts.time_at_risk, (1..=60).map(|n| 40.0 + f64::from(n)).sum(), 1e-9);
    assert_eq!(serde_json::from_str::<pooling::Pooling>(r#"{"lends":false}"#).unwrap(), pooling::Pooling::default());
}

#[test]
fn a_part_that_failed_its_calibration_is_a_failure_and_no_longer_forecast() {
    let mut parts: Vec<Part> = (1..=8).map(|n| part(n, 100.0 * n as f64, Some(OutWhy::Failed))).collect();
    parts.extend((9..=12).map(|n| part(n, 90.0 * (n - 8) as f64, None)));
    let running = night(&fleet(parts.clone()));
    parts[11].failed_calibration_at = Some(now() - Duration::days(3));
    let failed = night(&fleet(parts));
    assert_eq!((running.parts.len(), failed.parts.len()), (4, 3));
    let ends = |night: &Night| {
        let ends = night.models.values().next().unwrap().ends;
        (ends.failed_calibration, ends.running)
    };
    assert_eq!((ends(&running), ends(&failed)), ((0, 4), (1, 3)));
    assert_eq!(failed.models.values().next().unwrap().tally.failures, 9);
}

/// A frost at one place takes six parts of six kinds, another at another place two, and a wrong drum at the
/// first one a part a month later: three events, though each kind has one or two of its own.
#[test]
fn a_frost_that_takes_parts_of_six_kinds_is_one_event() {
    let lost = |n: u128, kind: &str, place: u128, days_ago: i64| {
        let mut part = part(n, 100.0, Some(OutWhy::External));
        part.component.kind = kind.to_owned();
        part.place = Uuid::from_u128(place);
        part.component.out = part.component.out.map(|out| TakenOut { at: now() - Duration::days(days_ago), ..out });
        part
    };
    let kinds = ["pump_tube", "ph_probe", "blower", "valve", "filter", "injector"];
    let mut parts: Vec<Part> = (1..).zip(kinds).map(|(n, kind)| lost(n, kind, 1, 40 + i64::from(n % 2 == 0))).collect();
    parts.extend([lost(7, "pump_tube", 2, 40), lost(8, "blower", 2, 41), lost(9, "pump_tube", 1, 10)]);
    parts.push(part(10, 80.0, Some(OutWhy::Unknown)));
    parts.push(part(11, 80.0, None));
    let night = night(&fleet(parts));
    let ends = night.ends;
    assert_eq!((ends.external, ends.external_events, ends.unknown, ends.running), (9, 3, 1, 1));
    let by_kind: usize = night.models.values().map(|model| model.ends.external_events).sum();
    assert_eq!(by_kind, 9, "each kind by itself has more");
}

/// A rated life that is worth more failures moves the forecast nearer to it.
#[test]
fn the_weight_of_a_rated_life_is_the_dealers() {
    let parts = (1..=9).map(|n: u128| {
        let mut part = part(n, 60.0 + n as f64, (n <= 5).then_some(OutWhy::Failed));
        part.component.rated_life = Some(400.0);
        part
    });
    let fleet = fleet(parts.collect());
    let by = |rated_life_weight| {
        let costs = RiskCosts { rated_life_weight, ..RiskCosts::default() };
        let night = forecast(&fleet, now(), &costs, Currency::parse("EUR").unwrap());
        night.parts[0].ahead[0].chance.unwrap().p
    };
    assert!(by(0.1) > by(2.0) && by(2.0) > 2.0 * by(100.0), "{} {} {}", by(0.1), by(2.0), by(100.0));
    assert_eq!(by(2.0), night(&fleet).parts[0].ahead[0].chance.unwrap().p);
}

/// Twelve of twenty-four failed: the fit is told with its standing whether parts are rated or not, and what
/// a rated life is said to weigh has no bearing.
#[test]
fn a_fit_of_few_failures_is_told_beside_chances_that_allow_for_it() {
    let with = |rated: Option<f64>, rated_life_weight| {
        let parts = (1..=24).map(|n: u128| {
            let mut part = part(n, 90.0 * n as f64, (n <= 12).then_some(OutWhy::Failed));
            part.component.rated_life = rated;
            part
        });
        let costs = RiskCosts { rated_life_weight, ..RiskCosts::default() };
        forecast(&fleet(parts.collect()), now(), &costs, Currency::parse("EUR").unwrap())
    };
    let (unrated, usual, heavy) = (with(None, 2.0), with(Some(900.0), 2.0), with(Some(900.0), 100.0));
    let figures = |night: &Night| {
        let model = night.models.values().next().unwrap();
        (model.standing, model.forecaster.as_ref().unwrap().fit().copied())
    };
    assert!(figures(&usual).0.is_some() && figures(&usual).1.is_some());
    assert_eq!(figures(&usual), figures(&unrated));
    assert_eq!(usual.parts, heavy.parts);
    let chance = |night: &Night| night.parts[0].ahead[1].chance.unwrap();
    assert!(chance(&usual) != chance(&unrated) && chance(&usual).bounds.contains(chance(&usual).p));
}

/// Early failures and wear in one group, as of two kinds of parts that are called by one name.
#[test]
fn a_group_that_the_weibull_does_not_fit_is_told() {
    let lives = |mixed: bool| {
        (1..=60).map(move |n: u128| {
            let days = if mixed && n.is_multiple_of(2) { n as f64 / 10.0 } else { 400.0 + n as f64 };
            part(n, days, (n <= 58).then_some(OutWhy::Failed))
        })
    };
    let standing = |parts: Vec<Part>| night(&fleet(parts)).models.values().next().unwrap().standing;
    assert!(standing(lives(true).collect()).unwrap().misfit.is_some());
    assert_eq!(standing(lives(true).take(9).collect()), None, "too few failures to tell");
}

#[test]
fn what_is_not_known_is_said() {
    let running: Vec<Part> = (1..=3).map(|n| part(n, 50.0, None)).collect();
    let nothing = night(&fleet(running.clone()));
    assert!(nothing.parts.iter().all(|part| part.ahead.iter().all(|ahead| ahead.chance.is_none())));
    assert_eq!((nothing.units[0].not_forecast, nothing.units[0].chances), (1, [0.0; 2]));
    assert_eq!(nothing.parts[0].plan, None);
    let rated = running.into_iter().map(|mut part| {
        part.component.rated_life = Some(400.0);
        part
    });
    let rated = night(&fleet(rated.collect()));
    let chance = rated.parts[0].ahead[1].chance.unwrap();
    assert!(
        chance.p > 0.0
            && chance.bounds.contains(chance.p)
            && matches!(rated.parts[0].plan, Some(Plan::RunToFailure(_)))
    );
}

/// Thirty parts of one model that last, thirty of another that don't.
#[test]
fn models_with_enough_failures_stand_alone() {
    let parts = (1..=60).map(|n: u128| {
        let (model, life) = if n.is_multiple_of(2) { ("S", 40.0) } else { ("L", 400.0) };
        let mut part = part(n, life + n as f64, (n <= 40).then_some(OutWhy::Failed));
        part.component.model = Some(model.to_owned());
        part
    });
    let night = night(&fleet(parts.collect()));
    let models: Vec<Option<&str>> = night.models.keys().map(GroupKey::model).collect();
    assert_eq!(models, [None, Some("L"), Some("S")]);
    assert!(night.parts.iter().all(|part| part.group.model().is_some()));
}

#[test]
fn counters_age_parts_and_their_mean_those_without() {
    let month = |text: &str, mean_day| CountedMonth { month: Month::parse(text).unwrap(), days: 28, mean_day };
    let day = |text: &str| text.parse::<NaiveDate>().unwrap();
    let months = [month("2026-04", 4.0), month("2026-05", 4.0)];
    let line = UseLine::counted(&months, &[], (day("2026-04-01"), day("2026-09-01")), day("2026-06-01")).unwrap();
    let parts = [1_u128, 2].map(|n| {
        let mut part = part(n, 61.0, None);
        part.component.run_basis = RunBasis::Hours;
        part.component.rated_life = Some(1000.0);
        part
    });
    let mut fleet = fleet(parts.to_vec());
    fleet.units.get_mut(&UnitId(Uuid::from_u128(1))).unwrap().lines = vec![(RunBasis::Hours, line)];
    let idle = IdleDays { first: day("2026-06-11"), last: day("2026-07-10") };
    fleet.units.get_mut(&UnitId(Uuid::from_u128(2))).unwrap().idle = vec![idle];
    let night = night(&fleet);
    let found: Vec<_> = night.parts.iter().map(|part| (part.age.value, part.age.source, part.ahead[0].use_)).collect();
    assert_eq!(found, [(244.0, AgeSource::UnitCounter, 120.0), (244.0, AgeSource::Assumed, 40.0)]);
}

#[test]
fn replacing_pays_where_wear_is_shown() {
    let worn: Vec<Part> = (1..=30)
        .map(|n: u128| part(n, 200.0 + 4.0 * n as f64, (n <= 25).then_some(OutWhy::Failed)))
        .chain((31..=34).map(|n| part(n, 100.0, None)))
        .collect();
    let night = night(&fleet(worn));
    let plan = night.parts.iter().find_map(|part| part.plan).unwrap();
    let Plan::Replace(Replace { age, saving_per_1000, visit }) = plan else { panic!("{plan:?}") };
    assert!(
        age > 100.0 && age < 320.0 && saving_per_1000.unwrap().amount > Decimal::ZERO && visit.is_none(),
        "{plan:?}"
    );
}

/// Twelve pumps failed after such findings where three were forecast, and as many as forecast
/// without: the hazard of a pump in a unit with such a finding is four times as high.
#[test]
fn a_finding_changes_a_chance_by_what_followed_such_findings() {
    let lived: Vec<Part> =
        (1..=24).map(|n: u128| part(n, 90.0 * n as f64, (n <= 12).then_some(OutWhy::Failed))).collect();
    let mut fleet = fleet(lived);
    let with = fleet.units.get_mut(&UnitId(Uuid::from_u128(1))).unwrap();
    with.findings = vec![Kind::FallingFlow];
    let before = night(&fleet);
    let counted = |failures, expected| Counted { failures, expected };
    let followed = |failures| Followed {
        finding: Kind::FallingFlow,
        part_kind: "pump_tube".to_owned(),
        with: counted(failures, 3.0),
        without: counted(50, 50.0),
    };
    fleet.followed = vec![followed(9)];
    assert_eq!(night(&fleet).parts, before.parts, "nine are not enough");
    fleet.followed = vec![followed(12)];
    let after = night(&fleet);
    for (was, is) in before.parts.iter().zip(&after.parts) {
        let (was, now) = (was.ahead[0].chance.unwrap().p, is.ahead[0].chance.unwrap());
        if is.unit == UnitId(Uuid::from_u128(1)) {
            near(now.p, 1.0 - (1.0 - was).powi(4), 1e-9);
            assert!(now.bounds.contains(now.p) && is.factor.is_some());
        } else {
            assert_eq!((was, is.factor), (now.p, None));
        }
    }
    let chance =
        |night: &Night| night.units.iter().find(|unit| unit.unit == UnitId(Uuid::from_u128(1))).unwrap().chances[0];
    assert!(chance(&after) > chance(&before));
}
