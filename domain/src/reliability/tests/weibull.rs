use crate::reliability::tests::published::{near, number, parsed, within};
use crate::reliability::weibull::*;
use proptest::prelude::*;

/// Nelson's windings (Applied Life Data Analysis, pp. 69-70, secondary quotation) and Montgomery
/// and Runger's bearing, Example 4-25: as printed and as computed.
#[test]
fn conditional_life_is_that_of_the_textbooks() {
    let published = parsed("conditional_series");
    let nelson = &published["conditional"][0];
    let winding = Weibull::new(number(&nelson["beta"]), number(&nelson["eta"])).unwrap();
    let (age, computed) = (number(&nelson["age"]), &nelson["computed"]);
    let further = winding.mean_further_life(age).unwrap();
    within(further, number(&nelson["published"]["mean_residual_life"]), 0.05);
    within(further, number(&computed["mrl"]), 1e-9);
    within(winding.failure_ahead(age, 2.0), number(&computed["p_fail_next_2"]), 1e-9);
    within(winding.survival(13.0) / winding.survival(age), number(&computed["S_13_given_6p5"]), 1e-9);
    let median = winding.quantile(1.0 - winding.survival(age) / 2.0);
    within(median, number(&computed["median_age_at_failure"]), 1e-9);

    let bearing = Weibull::new(0.5, 5000.0).unwrap();
    near(bearing.mean().unwrap(), 10_000.0, 1e-12);
    near(bearing.survival(6000.0), number(&published["conditional"][1]["computed"]["P_gt_6000"]), 1e-9);
}

#[test]
fn parameters_are_positive_and_finite() {
    for (shape, scale) in [(0.0, 1.0), (1.0, 0.0), (-1.0, 1.0), (f64::NAN, 1.0), (1.0, f64::INFINITY)] {
        assert_eq!(Weibull::new(shape, scale), None);
    }
    near(Weibull::with_median(1.5, 1000.0).unwrap().median(), 1000.0, 1e-12);
}

/// Far out on the tail and over short stretches: exact values by mpmath at 30 digits.
#[test]
fn no_digits_are_lost_where_differences_vanish() {
    let worn = Weibull::new(2.5, 1000.0).unwrap();
    near(worn.failure_ahead(500.0, 1e-9), 8.838_834_764_841_196e-13, 1e-12);
    near(worn.failure_ahead(1e-9, 1e-12), 2.501_875_312_460_949e-33, 1e-12);
    // Deep in the tail the further life tends to the hazard's reciprocal.
    near(worn.mean_further_life(20_000.0).unwrap(), 1.0 / worn.hazard(20_000.0), 1e-3);
    let long = Weibull::new(2.0, 1.0).unwrap();
    // sqrt(pi)/2 erfc(z) e^(z^2), by mpmath: 22 lies before the change to the series, 23 after.
    near(long.mean_further_life(22.0).unwrap(), 0.022_703_866_530_806_8, 1e-9);
    near(long.mean_further_life(23.0).unwrap(), 0.021_718_641_041_879_7, 1e-9);
}

proptest! {
    #[test]
    fn nothing_is_ever_nan(
        shape in 1e-3..1e3_f64, ln_scale in -30.0..30.0_f64, age in 0.0..1e15_f64, ahead in 0.0..1e15_f64, p in 0.0..=1.0_f64,
    ) {
        let weibull = Weibull::new(shape, ln_scale.exp()).unwrap();
        for part in [weibull.survival(age), weibull.failure_ahead(age, ahead)] {
            prop_assert!((0.0..=1.0).contains(&part), "{part}");
        }
        prop_assert!(!weibull.quantile(p).is_nan() && !weibull.hazard(age).is_nan() && !weibull.mean_up_to(age).is_nan());
        prop_assert!(weibull.mean().is_none_or(f64::is_finite) && weibull.standard_deviation().is_none_or(f64::is_finite));
        prop_assert!(weibull.mean_further_life(age).is_none_or(|further| further >= 0.0));
    }

    /// 1 - S(a + h)/S(a) where that is safe to form.
    #[test]
    fn conditional_failure_is_the_ratio_of_survivals(shape in 0.3..6.0_f64, age in 0.1..2.0_f64, ahead in 0.01..2.0_f64) {
        let weibull = Weibull::new(shape, 1.0).unwrap();
        prop_assume!(weibull.survival(age) > 1e-6);
        let ratio = 1.0 - weibull.survival(age + ahead) / weibull.survival(age);
        prop_assert!((weibull.failure_ahead(age, ahead) - ratio).abs() < 1e-9);
    }

    /// Mean life is that up to an age, and that beyond it for those that reach it.
    #[test]
    fn mean_life_is_made_of_its_parts(shape in 0.4..8.0_f64, age in 0.01..3.0_f64) {
        let weibull = Weibull::new(shape, 1.0).unwrap();
        let beyond = weibull.survival(age) * weibull.mean_further_life(age).unwrap();
        prop_assert!((weibull.mean_up_to(age) + beyond - weibull.mean().unwrap()).abs() < 1e-9);
    }
}
