//! Whatever the lives: no estimator panics or gives a figure that is none, and a change of unit
//! changes ages alone.

use crate::reliability::assess::{Question, assess};
use crate::reliability::fit::{WeibullFit, weibull};
use crate::reliability::forecast::any_of;
use crate::reliability::life::Life;
use crate::reliability::posterior::Posterior;
use crate::reliability::prior::{About, Prior};
use crate::reliability::rivals::{exponential, lognormal};
use proptest::prelude::*;
use serde_json::Value;

/// Ages over many decades, with ties; some failed, some in intervals, some entered late.
fn any_life() -> impl Strategy<Value = Life> {
    let age =
        prop_oneof![1e-3..1e4_f64, (1_u8..6).prop_map(f64::from), (-8.0..14.0_f64).prop_map(|ln| 10_f64.powf(ln))];
    (age, 0.0..1.0_f64, 0.0..1.0_f64, 0_u8..6).prop_map(|(age, good, entry, kind)| {
        let good = if kind % 2 == 0 { age * good } else { 0.0 };
        let life = match kind {
            0 | 1 => Life::failed(age),
            2 | 3 => Life::failed_between(good, age),
            _ => Life::running(age),
        };
        let life = life.unwrap();
        if entry < 0.3 { life.watched_from(life.last_good() * entry).unwrap_or(life) } else { life }
    })
}

/// Ages as a fleet has them, told to differ by more than rounding.
fn plain_life() -> impl Strategy<Value = Life> {
    (1.0..5000.0_f64, any::<bool>())
        .prop_map(|(age, failed)| if failed { Life::failed(age).unwrap() } else { Life::running(age).unwrap() })
}

/// Numbers in what is shown: a NaN or an infinity becomes null, where no null may be.
fn no_null_but_for_upper_bounds(value: &Value, path: &str) {
    let may_lack = ["upper", "by", "first_failure", "aicc", "agreement", "misfit", "turnbull", "emptied_at"];
    let may_lack = [may_lack.as_slice(), &["standard_error", "bounds"]].concat();
    match value {
        Value::Object(fields) => fields.iter().for_each(|(name, value)| {
            assert!(!value.is_null() || may_lack.contains(&name.as_str()), "{path}/{name} is null");
            no_null_but_for_upper_bounds(value, &format!("{path}/{name}"));
        }),
        Value::Array(items) => items.iter().for_each(|item| no_null_but_for_upper_bounds(item, path)),
        _ => {}
    }
}

fn sound(fit: &WeibullFit) -> bool {
    [fit.weibull.shape(), fit.weibull.scale(), fit.se_shape, fit.se_scale].iter().all(|x| x.is_finite() && *x > 0.0)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn every_assessment_is_made_of_numbers(lives in prop::collection::vec(any_life(), 0..25), rated in prop::option::of(1e-6..1e9_f64)) {
        let shown = serde_json::to_value(assess(&lives, &Question::usual(rated))).unwrap();
        no_null_but_for_upper_bounds(&shown, "");
    }

    /// The decision that an estimate exists is kept: there is one, and it is a maximum.
    #[test]
    fn where_an_estimate_is_decided_to_exist_it_is_found(lives in prop::collection::vec(plain_life(), 2..60)) {
        let exists = crate::reliability::life::Tally::of(&lives).bounds_the_shape();
        let found = weibull(&lives);
        prop_assert_eq!(found.is_ok(), exists.is_ok(), "{:?}", found);
        if let Ok(fit) = found {
            prop_assert!(sound(&fit), "{fit:?}");
            let bounds = fit.shape_bounds(&lives, 0.9);
            prop_assert!(bounds.lower < fit.weibull.shape() && bounds.upper.is_some_and(|upper| upper > fit.weibull.shape()));
        }
    }

    #[test]
    fn a_change_of_unit_changes_ages_alone(lives in prop::collection::vec(any_life(), 2..25), ln_factor in -4.0..4.0_f64) {
        let factor = ln_factor.exp();
        let scaled = lives.iter().map(|life| {
            let age = life.age() * factor;
            let moved = match life.end() {
                crate::reliability::life::End::Failed => Life::failed(age),
                crate::reliability::life::End::FailedSince { last_good } => Life::failed_between(last_good * factor, age),
                crate::reliability::life::End::Running => Life::running(age),
            };
            moved.and_then(|moved| moved.watched_from(life.entry() * factor))
        });
        // Ages near the least are taken for zero: that is no change of unit.
        prop_assume!(lives.iter().all(|life| [life.last_good(), life.entry()].iter().all(|age| *age == 0.0 || *age > 1e-6)));
        let Ok(scaled) = scaled.collect::<Result<Vec<Life>, _>>() else { return Ok(()) };
        if let (Ok(one), Ok(other)) = (weibull(&lives), weibull(&scaled)) {
            prop_assume!(one.weibull.shape() > 1e-2);
            prop_assert!((other.weibull.shape() / one.weibull.shape() - 1.0).abs() < 1e-6, "{one:?} {other:?}");
            let moved = (other.weibull.scale() / one.weibull.scale()).ln() - ln_factor;
            prop_assert!((moved * one.weibull.shape()).abs() < 1e-6, "{moved}");
        }
        if let (Ok(one), Ok(other)) = (exponential(&lives), exponential(&scaled)) {
            prop_assert!((other.mean / one.mean / factor - 1.0).abs() < 1e-6);
        }
        let prior = |by: f64| Prior { shape: About::new(1.5, 0.5).unwrap(), scale: About::new(100.0 * by, 0.5).unwrap() };
        let one = Posterior::of(&lives, &prior(1.0)).failure_ahead(80.0, 30.0);
        let other = Posterior::of(&scaled, &prior(factor)).failure_ahead(80.0 * factor, 30.0 * factor);
        prop_assert!((other - one).abs() < 1e-7, "{one} {other}");
    }

    #[test]
    fn lognormals_are_numbers_where_they_exist(lives in prop::collection::vec(any_life(), 0..25)) {
        if let Ok(found) = lognormal(&lives) {
            prop_assert!([found.median, found.sigma, found.se_mu, found.se_sigma].iter().all(|x| x.is_finite() && *x > 0.0));
        }
    }

    /// Forecasts are probabilities that grow with the stretch, whatever is asked.
    #[test]
    fn forecasts_are_probabilities(lives in prop::collection::vec(any_life(), 0..15), age in 0.0..1e6_f64, ahead in 0.0..1e6_f64) {
        let held = Posterior::of(&lives, &Prior::for_rated_life(1000.0, 2.0).unwrap());
        let (one, more) = (held.failure_ahead(age, ahead), held.failure_ahead(age, ahead * 2.0));
        prop_assert!((0.0..=1.0).contains(&one) && more >= one - 1e-12);
        let within = held.failure_ahead_within(age, ahead, 0.9);
        prop_assert!(within.bounds.lower <= within.median && within.bounds.upper.is_some_and(|upper| upper >= within.median));
        prop_assert!((any_of([one, more]) - (1.0 - (1.0 - one) * (1.0 - more))).abs() < 1e-9);
    }
}
