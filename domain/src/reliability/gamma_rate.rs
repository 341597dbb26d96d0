//! A rate by Bayes in closed form: the gamma prior, whose posterior is a gamma again.
//!
//! Failures at a constant rate, `failures` in `time`: Gamma(a, b) becomes Gamma(a + failures,
//! b + time). A Weibull of known shape is the same in the time age^shape. NIST/SEMATECH
//! e-Handbook 8.4.6.

use super::estimate::Bounds;
use super::special::{chi_square_quantile, level};
use serde::Serialize;

/// A rate held as Gamma(a, b): a pseudo-failures in a pseudo-time b.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct GammaRate {
    a: f64,
    b: f64,
}

impl GammaRate {
    /// `None` unless both are positive and finite.
    #[must_use]
    pub fn new(a: f64, b: f64) -> Option<Self> {
        let positive = |x: f64| x > 0.0 && x.is_finite();
        (positive(a) && positive(b)).then_some(Self { a, b })
    }

    /// Pseudo-failures.
    #[must_use]
    pub fn failures(&self) -> f64 {
        self.a
    }

    /// Pseudo-time.
    #[must_use]
    pub fn time(&self) -> f64 {
        self.b
    }

    /// What is held after failures in a time; a time that is none changes nothing.
    #[must_use]
    pub fn after(&self, failures: usize, time: f64) -> Self {
        let time = if time.is_finite() { time.max(0.0) } else { 0.0 };
        Self { a: self.a + failures as f64, b: self.b + time }
    }

    /// Mean of the rate.
    #[must_use]
    pub fn mean(&self) -> f64 {
        self.a / self.b
    }

    /// The rate below which it lies with probability `p`.
    #[must_use]
    pub fn quantile(&self, p: f64) -> f64 {
        chi_square_quantile(2.0 * self.a, p) / (2.0 * self.b)
    }

    /// Bounds of the mean time between failures, the rate's reciprocal.
    #[must_use]
    pub fn mean_time_between(&self, of_level: f64) -> Bounds {
        let tail = (1.0 - level(of_level)) / 2.0;
        Bounds::both(1.0 / self.quantile(1.0 - tail), 1.0 / self.quantile(tail))
    }

    /// Probability of a failure within `time`, the rate being unknown.
    #[must_use]
    pub fn failure_within(&self, time: f64) -> f64 {
        -(-self.a * (time.max(0.0) / self.b).ln_1p()).exp_m1()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reliability::tests::published::{list, near, number, parsed};

    /// NIST/SEMATECH e-Handbook 8.4.6 (formulas as printed, example's figures from memory and
    /// recomputed).
    #[test]
    fn the_handbook_s_example() {
        let all = parsed("bayes");
        let (nist, computed) = (&all["nist"], &all["nist"]["computed"]);
        let held = GammaRate::new(number(&nist["prior"]["a"]), number(&nist["prior"]["b"])).unwrap().after(2, 1909.0);
        assert_eq!((held.failures(), held.time()), (4.0, 3309.0));
        near(1.0 / held.quantile(0.5), number(&computed["mtbf_median"]), 1e-9);
        near(1.0 / held.quantile(0.8), number(&computed["mtbf_lower80"]), 1e-9);
        let bounds = held.mean_time_between(0.8);
        near(bounds.lower, number(&computed["mtbf_lower90"]), 1e-9);
        near(bounds.upper.unwrap(), number(&computed["mtbf_upper90"]), 1e-9);
        near(1.0 / held.mean(), number(&computed["reciprocal_mean"]), 1e-12);
        for (found, printed) in
            [(1.0 / held.quantile(0.5), 901.0), (bounds.lower, 495.0), (bounds.upper.unwrap(), 1897.0)]
        {
            assert!((found - printed).abs() < 1.0, "{found}: the handbook has {printed}");
        }
    }

    /// A Weibull of known shape in the time age^shape, against an independent computation.
    #[test]
    fn a_known_shape_is_a_rate_in_powers_of_age() {
        for case in parsed("bayes")["known_shape"]["cases"].as_array().unwrap() {
            let (shape, strength) = (number(&case["beta"]), number(&case["prior_strength"]));
            let prior = GammaRate::new(strength, strength * number(&case["eta0"]).powf(shape)).unwrap();
            let failures = list(&case["event"]).iter().filter(|event| **event == 1.0).count();
            let held = prior.after(failures, list(&case["times"]).iter().map(|age| age.powf(shape)).sum());
            near(held.time(), number(&case["b_post"]), 1e-12);
            near(held.mean(), number(&case["lambda_mean"]), 1e-10);
            for (p, scale) in [0.05, 0.5, 0.95].iter().zip(list(&case["eta_q05_q50_q95"])) {
                near(held.quantile(1.0 - p).powf(-1.0 / shape), scale, 1e-10);
            }
            for ahead in case["predictive"].as_array().unwrap() {
                let (age, horizon) = (number(&ahead["age"]), number(&ahead["horizon"]));
                let found = held.failure_within((age + horizon).powf(shape) - age.powf(shape));
                near(found, number(&ahead["p_fail_predictive"]), 1e-10);
                assert!(found < number(&ahead["p_fail_plugin"]), "Jensen's inequality");
            }
        }
    }
}
