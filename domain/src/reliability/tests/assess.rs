use crate::reliability::assess::*;
use crate::reliability::estimate::{Estimate, NoEstimate};
use crate::reliability::fit;
use crate::reliability::forecast::any_of;
use crate::reliability::life::Life;
use crate::reliability::posterior::Posterior;
use crate::reliability::prior::{About, Prior};
use crate::reliability::tests::published::{list, lives, near, number, parsed, within};
use crate::reliability::tests::samples::mixed;
use chrono::NaiveDate;
use serde_json::Value;
use std::collections::BTreeMap;

/// A fleet of forty units with dated histories (generated; true parameters in its file): fits,
/// risks of every part and unit at 30 and 90 days, and the order of units at risk.
#[test]
fn a_fleet_comes_out_as_computed() {
    let fleet = parsed("fleet");
    let (groups, fitted) = fleet_groups(&fleet);
    for (kind, fits) in fleet["fits"].as_object().unwrap() {
        let fit = fit::weibull(&groups[kind.as_str()]).unwrap();
        assert_eq!((fit.lives as f64, fit.failures as f64), (number(&fits["n"]), number(&fits["failures"])));
        for (found, key) in [(fit.weibull.shape(), "beta"), (fit.weibull.scale(), "eta"), (fit.ln_likelihood, "loglik")]
        {
            near(found, number(&fits[key]), 1e-9);
        }
    }
    let mut ranking: Vec<(f64, &str)> = Vec::new();
    for unit in fleet["units"].as_array().unwrap() {
        let name = unit["unit"].as_str().unwrap();
        for (days, key, all) in [(30.0, "p30", "unit_risk_30"), (90.0, "p90", "unit_risk_90")] {
            let parts: Vec<f64> = unit["ages"]
                .as_object()
                .unwrap()
                .iter()
                .map(|(kind, age)| {
                    let forecaster = Forecaster::of(&groups[kind.as_str()], &Question::usual(None)).unwrap();
                    let p = forecaster.failure_ahead(number(age), days);
                    within(p, number(&unit[key][kind]), 1e-9);
                    p
                })
                .collect();
            within(any_of(parts.iter().copied()), number(&unit[all]), 1e-9);
            if days == 30.0 {
                ranking.push((any_of(parts), name));
            }
        }
    }
    assert_eq!(fitted, ranking.len());
    ranking.sort_by(|a, b| b.0.total_cmp(&a.0));
    let expected: Vec<&str> = fleet["ranking"].as_array().unwrap().iter().map(|name| name.as_str().unwrap()).collect();
    assert_eq!(ranking.iter().map(|(_, name)| *name).collect::<Vec<_>>(), expected);
    within(ranking.iter().map(|(risk, _)| risk).sum(), number(&fleet["expected_failing_units_30"]), 1e-8);
}

/// Lives by kind, and how many units there are.
fn fleet_groups(fleet: &Value) -> (BTreeMap<&str, Vec<Life>>, usize) {
    let day = |value: &Value| value.as_str().map(|text| text.parse::<NaiveDate>().unwrap());
    let snapshot = day(&fleet["snapshot"]).unwrap();
    let mut groups: BTreeMap<&str, Vec<Life>> = BTreeMap::new();
    for row in fleet["history"].as_array().unwrap() {
        let days = (day(&row[3]).unwrap_or(snapshot) - day(&row[2]).unwrap()).num_days() as f64;
        let life = if row[4] == "failed" { Life::failed(days) } else { Life::running(days) };
        groups.entry(row[1].as_str().unwrap()).or_default().extend(life);
    }
    (groups, fleet["units"].as_array().unwrap().len())
}

/// Poor input: nothing, one life, nothing failed, all of one age. Each has an answer, its reason
/// and, with a rated life, a forecast; what is shown has no NaN, which JSON would lose as null.
#[test]
fn poor_input_has_an_answer_and_its_reason() {
    let running = |age| Life::running(age).unwrap();
    let failed = |age| Life::failed(age).unwrap();
    for lives in [vec![], vec![running(5.0)], vec![failed(5.0)], vec![running(8760.0); 9], vec![failed(30.0); 9]] {
        let none = assess(&lives, &Question::usual(None));
        assert!(matches!(none.weibull, Estimate::None(_)), "{lives:?}");
        assert!(matches!(none.held, Estimate::None(NoEstimate::NoRatedLife)));
        assert_eq!(none.basis, Basis::Nothing);
        assert!(Forecaster::of(&lives, &Question::usual(None)).is_err());
        assert!(none.notes.contains(&Note::NoRatedLife));

        let rated = assess(&lives, &Question::usual(Some(1000.0)));
        assert_eq!(rated.basis, if lives.is_empty() { Basis::RatedLife } else { Basis::RatedLifeAndLives });
        let risk = Forecaster::of(&lives, &Question::usual(Some(1000.0))).unwrap().failure_ahead(500.0, 100.0);
        assert!(risk > 0.0 && risk < 1.0, "{risk}");
        serde_json::to_string(&rated).unwrap();
    }
    let wrong = assess(&[], &Question { rated_life: Some(-5.0), ..Question::usual(None) });
    assert_eq!(wrong.basis, Basis::Nothing);
}

#[test]
fn enough_failures_speak_for_themselves() {
    let nist = lives(&parsed("nist_8413")["data"]);
    let own = assess(&nist, &Question::usual(Some(300.0)));
    assert_eq!((own.basis, own.notes.as_slice()), (Basis::Lives, &[][..]));
    assert!(matches!(Forecaster::of(&nist, &Question::usual(None)), Ok(Forecaster::Fitted(_))));
    let few = assess(&nist[..9], &Question::usual(Some(300.0)));
    assert_eq!(few.basis, Basis::RatedLifeAndLives);
    assert!(few.notes.contains(&Note::FewFailures { failures: 9 }));
}

/// From ten failures on the fit is shown and advises; up to a hundred the chances of rated parts are means over
/// what the lives leave open, on which the rated life has next to no bearing.
#[test]
fn chances_are_means_until_failures_are_many() {
    let nist = lives(&parsed("nist_8413")["data"]);
    let rated = |life| Forecaster::of(&nist, &Question::usual(Some(life))).unwrap();
    let averaged = rated(600.0);
    let Forecaster::Averaged(fit, _) = &averaged else { panic!("{averaged:?}") };
    near(fit.fit.weibull.shape(), number(&parsed("nist_8413")["weibull"]["beta"]), 1e-9);
    assert_eq!(
        (assess(&nist, &Question::usual(Some(600.0))).basis, averaged.weibull()),
        (Basis::Lives, fit.fit.weibull)
    );
    let prior = Prior::for_rated_life(600.0, 2.0).unwrap();
    let open = Prior { scale: About { sd_ln: 2.0, ..prior.scale }, ..prior };
    let chance = averaged.failure_ahead(300.0, 100.0);
    assert_eq!(chance, Posterior::of(&nist, &open).failure_ahead(300.0, 100.0));
    assert!(averaged.failure_ahead_within(300.0, 100.0, 0.9).1.contains(chance));
    let by_fit = Forecaster::of(&nist, &Question::usual(None)).unwrap();
    assert!(chance != by_fit.failure_ahead(300.0, 100.0));
    near(rated(6000.0).failure_ahead(300.0, 100.0), chance, 0.05);
    let many: Vec<Life> = nist.iter().cycle().take(10 * nist.len()).copied().collect();
    let settled = Forecaster::of(&many, &Question::usual(Some(600.0))).unwrap();
    assert!(matches!(settled, Forecaster::Fitted(_)), "{settled:?}");
}

/// The shapes as they are shown: what is found, or the reason in one word.
#[test]
fn it_is_shown_as_json() {
    let shown = serde_json::to_value(assess(&mixed(), &Question::usual(Some(400.0)))).unwrap();
    within(number(&shown["weibull"]["found"]["shape"]), 1.179_357_7, 1e-6);
    assert_eq!(shown["kaplan_meier"]["none"], "has_intervals");
    assert!(shown["turnbull"]["masses"].is_array() && shown["held"]["found"]["shape"]["bounds"]["lower"].is_number());
    assert_eq!(shown["basis"], "rated_life_and_lives");
    let none = serde_json::to_value(assess(&[], &Question::usual(None))).unwrap();
    assert_eq!(none["weibull"]["none"], "no_failures");
    assert_eq!(list(&none["kaplan_meier"]["found"]["steps"]), Vec::<f64>::new());
}
