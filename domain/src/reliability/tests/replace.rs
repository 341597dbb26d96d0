use crate::money::{Currency, Money};
use crate::reliability::estimate::Estimate;
use crate::reliability::fit::bounded_weibull;
use crate::reliability::life::Life;
use crate::reliability::posterior::Posterior;
use crate::reliability::prior::Prior;
use crate::reliability::replace::*;
use crate::reliability::tests::published::{lives, near, number, parsed, within};
use crate::reliability::weibull::Weibull;
use proptest::prelude::*;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

fn eur(amount: &str) -> Money {
    Money { amount: amount.parse().unwrap(), currency: Currency::parse("EUR").unwrap() }
}

/// Ages and costs computed at high precision, the textbook example among them: System Analysis
/// Reference, "Optimum Replacement Time Example" (answer 493.0470 h from memory).
#[test]
fn ages_of_least_cost_are_those_published() {
    for case in parsed("age_replacement")["cases"].as_array().unwrap() {
        let weibull = Weibull::new(number(&case["beta"]), number(&case["eta"])).unwrap();
        let (planned, failure) = (number(&case["cost_planned"]), number(&case["cost_failure"]));
        let (found, result) = (optimum(&weibull, planned, failure), &case["result"]);
        if result["T"].is_null() {
            assert_eq!(found, None);
            near(failure / weibull.mean().unwrap(), number(&result["cost_rate_run_to_failure"]), 1e-10);
            continue;
        }
        let found = found.unwrap();
        near(found.age, number(&result["T"]), 1e-8);
        near(found.cost_rate, number(&result["cost_rate"]), 1e-10);
        near(found.cost_rate_to_failure, number(&result["cost_rate_run_to_failure"]), 1e-10);
        within(weibull.survival(found.age), number(&result["S_at_T"]), 1e-8);
        near(weibull.mean_up_to(found.age), number(&result["mean_cycle"]), 1e-8);
    }
    let example = optimum(&Weibull::new(2.5, 1000.0).unwrap(), 1.0, 5.0).unwrap();
    within(example.age, 493.0470, 1e-3);
}

#[test]
fn only_wear_that_is_shown_is_replaced_early() {
    let costs = Costs { planned: eur("80"), failure: eur("950") };
    let shown = lives(&parsed("lieblein_zelen")["data"]);
    let Estimate::Found(fit) = bounded_weibull(&shown, 0.9) else { panic!("it has a fit") };
    let Advice::ReplaceAt { age, reached, cost_per_1000, saving_per_1000 } = by_fit(&fit, &costs) else {
        panic!("the bearings wear")
    };
    let best = optimum(&fit.fit.weibull, 80.0, 950.0).unwrap();
    assert_eq!(age, best.age);
    near(reached, fit.fit.weibull.survival(age), 1e-12);
    near(cost_per_1000.amount.to_f64().unwrap(), 1000.0 * best.cost_rate, 1e-4);
    assert!(saving_per_1000.amount > Decimal::ZERO);

    let chance = lives(&parsed("larynx")["data"]);
    let Estimate::Found(fit) = bounded_weibull(&chance, 0.9) else { panic!("it has a fit") };
    assert_eq!(by_fit(&fit, &costs), Advice::RunToFailure { why: WhyRun::WearNotShown });
    // The usual prior alone does not show wear; many worn bearings do.
    let prior = Prior::for_rated_life(100.0, 2.0).unwrap();
    let held = |lives: &[Life]| by_posterior(&Posterior::of(lives, &prior), &costs);
    assert_eq!(held(&[]), Advice::RunToFailure { why: WhyRun::WearNotShown });
    assert!(matches!(held(&shown), Advice::ReplaceAt { .. }));
}

#[test]
fn costs_that_cannot_be_compared_are_told() {
    let weibull = Weibull::new(3.0, 100.0).unwrap();
    let usd = Money { currency: Currency::parse("USD").unwrap(), ..eur("950") };
    for (planned, failure, why) in [
        (eur("80"), usd, WhyRun::CostsUnclear),
        (eur("0"), eur("950"), WhyRun::CostsUnclear),
        (eur("80"), eur("-1"), WhyRun::CostsUnclear),
        (eur("80"), eur("80"), WhyRun::PlannedCostsAsMuch),
        (eur("80"), eur("80.50"), WhyRun::NothingToGain),
    ] {
        assert_eq!(advise(&weibull, true, &Costs { planned, failure }), Advice::RunToFailure { why });
    }
}

proptest! {
    /// No age on either side costs less, and no age at all costs more than running to failure.
    #[test]
    fn no_other_age_costs_less(shape in 1.05..20.0_f64, scale in 1e-3..1e6_f64, times in 1.01..1e4_f64) {
        let weibull = Weibull::new(shape, scale).unwrap();
        let Some(best) = optimum(&weibull, 1.0, times) else { return Ok(()) };
        let cost = |age: f64| {
            let failed = 1.0 - weibull.survival(age);
            (1.0 - failed + times * failed) / weibull.mean_up_to(age)
        };
        for factor in [0.5, 0.9, 0.99, 1.01, 1.1, 2.0] {
            prop_assert!(cost(best.age * factor) >= best.cost_rate * (1.0 - 1e-12));
        }
        prop_assert!(best.cost_rate <= best.cost_rate_to_failure * (1.0 + 1e-9));
    }
}
