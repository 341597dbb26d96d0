//! Whatever the lives: no estimator panics or gives a figure that is none, and a change of unit
//! changes ages alone.

use crate::reliability::assess::{Forecaster, Question, assess};
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

    /// So are those that are served, by whichever of fit and rated life.
    #[test]
    fn served_forecasts_are_probabilities(
        lives in prop::collection::vec(any_life(), 0..40), rated in prop::option::of(1e-6..1e9_f64),
        age in 0.0..1e6_f64, ahead in 0.0..1e6_f64,
    ) {
        if let Ok(forecaster) = Forecaster::of(&lives, &Question::usual(rated)) {
            let (p, bounds) = forecaster.failure_ahead_within(age, ahead, 0.9);
            prop_assert!((0.0..=1.0).contains(&p) && bounds.lower >= 0.0, "{p} {bounds:?}");
            prop_assert!(bounds.upper.is_some_and(|upper| upper >= bounds.lower && upper <= 1.0), "{p} {bounds:?}");
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

/// Ages at the ends of what is taken, and beyond.
fn any_age() -> impl Strategy<Value = f64> {
    prop_oneof![4 => any::<f64>(), 2 => 0.0..1e4_f64, 1 => Just(0.0), 1 => Just(-1.0), 1 => Just(f64::NAN), 1 => Just(1e15), 1 => Just(1e-9)]
}

fn numbers(bounds: &crate::reliability::estimate::Bounds) -> bool {
    !bounds.lower.is_nan() && bounds.upper.is_none_or(|upper| !upper.is_nan() && upper >= bounds.lower)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Whatever is typed in is a life or has its reason; nothing is taken that is not a number.
    #[test]
    fn what_is_no_age_is_refused(age in any_age(), good in any_age(), entry in any_age()) {
        for life in [Life::failed(age), Life::running(age), Life::failed_between(good, age)].into_iter().flatten() {
            prop_assert!(life.age().is_finite() && life.age() > 0.0, "{life:?}");
            if let Ok(late) = life.watched_from(entry) {
                prop_assert!(late.entry() >= 0.0 && late.entry() <= late.age(), "{late:?}");
            }
        }
    }

    /// Of one age alone, or of two, in any mixture of ends: an answer or its reason.
    #[test]
    fn ties_have_an_answer(ages in prop::collection::vec(any_age(), 1..3), failures in 0_usize..40, good in 0_usize..400) {
        let of = |end: fn(f64) -> Result<Life, crate::reliability::life::LifeError>, count: usize| {
            (0..count).filter_map(|n| end(ages[n % ages.len()]).ok()).collect::<Vec<_>>()
        };
        let lives = [of(Life::failed, failures), of(Life::running, good)].concat();
        if let Ok(fit) = weibull(&lives) {
            prop_assert!(sound(&fit), "{fit:?}");
            prop_assert!(numbers(&fit.shape_bounds(&lives, 0.9)));
        }
        let shown = serde_json::to_value(assess(&lives, &Question::usual(Some(100.0)))).unwrap();
        no_null_but_for_upper_bounds(&shown, "");
    }

    /// A few failures among thousands, from one in a hundred to one in two thousand.
    #[test]
    fn few_failures_among_many_have_an_answer(
        failures in prop::collection::vec(1.0..900.0_f64, 1..4), many in 100_u32..2000, longest in 1000.0..5000.0_f64,
    ) {
        let good = (1..=many).map(|n| Life::running(longest * f64::from(n) / f64::from(many)).unwrap());
        let lives: Vec<Life> = failures.iter().map(|age| Life::failed(*age).unwrap()).chain(good).collect();
        let fit = weibull(&lives).unwrap();
        prop_assert!(sound(&fit), "{fit:?}");
        let bounds = fit.failure_ahead_bounds(500.0, 30.0, 0.9);
        prop_assert!(numbers(&bounds) && bounds.lower >= 0.0, "{bounds:?}");
    }

    #[test]
    fn units_that_are_repaired_have_numbers(times in prop::collection::vec(any_age(), 0..12), end in any_age()) {
        use crate::reliability::repairable::{History, laplace, rate};
        for history in [History::to_time(times.clone(), end), History::to_last_failure(times)].into_iter().flatten() {
            if let Some(trend) = laplace(std::slice::from_ref(&history)) {
                prop_assert!(trend.z.is_finite() && (0.0..=1.0).contains(&trend.p), "{trend:?}");
            }
            if let Ok(law) = history.power_law() {
                prop_assert!(law.beta.is_finite() && law.lambda.is_finite() && law.mtbf.is_finite(), "{law:?}");
                let bounds = [law.beta_bounds(0.9), law.mtbf_bounds(0.9)];
                prop_assert!(bounds.iter().flatten().all(numbers), "{bounds:?}");
            }
        }
        if let Some(rate) = rate(3, end, 0.9) {
            prop_assert!(numbers(&rate.bounds) && numbers(&rate.mean_time_bounds), "{rate:?}");
        }
    }

    #[test]
    fn ages_of_least_cost_are_numbers(shape in any_age(), scale in any_age(), planned in any_age(), failure in any_age()) {
        use crate::reliability::replace::{cost_rate, optimum};
        if let Some(weibull) = crate::reliability::weibull::Weibull::new(shape, scale)
            && let Some(best) = optimum(&weibull, planned, failure)
        {
            prop_assert!(best.age > 0.0 && best.age.is_finite() && best.cost_rate.is_finite(), "{best:?}");
            let later = cost_rate(&weibull, planned, failure, best.age * 1.1);
            prop_assert!(later.is_nan() || later >= best.cost_rate * (1.0 - 1e-6), "{later} at an age further on, {best:?}");
        }
    }

    #[test]
    fn scores_of_anything_are_numbers(forecasts in prop::collection::vec((any_age(), any::<bool>()), 0..40), level in any_age()) {
        use crate::reliability::score::{Bins, Scored, score};
        let scored: Vec<Scored> = forecasts.iter().filter_map(|(p, failed)| Scored::new(*p, *failed)).collect();
        if let Some(found) = score(&scored, Bins::OfEqualCount(10), level) {
            let shown = serde_json::to_value(found).unwrap();
            no_null_but_for_upper_bounds(&shown, "");
        }
    }
}

/// Two lives so far apart, and so far from the rated one, that the likelihood leaves the numbers.
#[test]
fn lives_beyond_all_measure_have_an_answer() {
    let ages = [1e15, 7911.038400207173];
    let of = |end: fn(f64) -> Result<Life, crate::reliability::life::LifeError>, count: usize| {
        (0..count).map(move |n| end(ages[n % 2]).unwrap())
    };
    let lives: Vec<Life> = of(Life::failed, 2).chain(of(Life::running, 273)).collect();
    let shown = serde_json::to_value(assess(&lives, &Question::usual(Some(100.0)))).unwrap();
    no_null_but_for_upper_bounds(&shown, "");
}
