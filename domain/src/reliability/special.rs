//! The quantiles and tails that the estimators need, from `statrs`, each defined everywhere:
//! out of its range an argument gives the limit, never a panic.

use statrs::distribution::{ChiSquared, ContinuousCDF};
use statrs::function::beta::{checked_beta_reg, inv_beta_reg};
use statrs::function::erf::{erfc, erfc_inv};
use statrs::function::gamma::{checked_gamma_lr, checked_gamma_ur, gamma, ln_gamma};
use std::f64::consts::{LN_2, SQRT_2, TAU};

/// Part of cases that two-sided bounds cover; anything else than a part becomes one.
#[must_use]
pub(super) fn level(level: f64) -> f64 {
    if level.is_nan() { 0.9 } else { level.clamp(0.01, 0.9999) }
}

/// The normal quantile.
pub(super) fn normal_quantile(p: f64) -> f64 {
    -SQRT_2 * erfc_inv(2.0 * p.clamp(1e-300, 1.0 - f64::EPSILON))
}

/// The standard deviations that two-sided normal bounds of a level span to each side.
pub(super) fn two_sided_z(of_level: f64) -> f64 {
    normal_quantile(0.5 + level(of_level) / 2.0)
}

/// Probability that a standard normal lies above `z`.
pub(super) fn normal_tail(z: f64) -> f64 {
    erfc(z / SQRT_2) / 2.0
}

/// The logarithm of that probability; far out by its asymptotic series
/// (Abramowitz and Stegun 26.2.12, from memory).
pub(super) fn ln_normal_tail(z: f64) -> f64 {
    if z < -5.0 {
        (-normal_tail(-z)).ln_1p()
    } else if z < 25.0 {
        normal_tail(z).ln()
    } else {
        let w = 1.0 / (z * z);
        -z * z / 2.0 - z.ln() - TAU.ln() / 2.0 + (-w * (1.0 - w * (3.0 - w * (15.0 - 105.0 * w)))).ln_1p()
    }
}

/// The chi-square quantile.
pub(super) fn chi_square_quantile(degrees: f64, p: f64) -> f64 {
    ChiSquared::new(degrees).map_or(0.0, |chi_square| chi_square.inverse_cdf(p.clamp(0.0, 1.0)))
}

/// Probability that a chi-square lies above `x`.
pub(super) fn chi_square_tail(degrees: f64, x: f64) -> f64 {
    upper_gamma(degrees / 2.0, x / 2.0)
}

/// The regularised lower incomplete gamma function P(a, x).
pub(super) fn lower_gamma(a: f64, x: f64) -> f64 {
    if x <= 0.0 { 0.0 } else { checked_gamma_lr(a, x).unwrap_or(1.0) }
}

/// The regularised upper incomplete gamma function Q(a, x).
pub(super) fn upper_gamma(a: f64, x: f64) -> f64 {
    if x <= 0.0 { 1.0 } else { checked_gamma_ur(a, x).unwrap_or(0.0) }
}

/// The gamma function of 1 + x, x >= 0; infinite where it overflows.
pub(super) fn gamma_of_one_plus(x: f64) -> f64 {
    if x < 20.0 { gamma(1.0 + x) } else { ln_gamma(1.0 + x).exp() }
}

/// The logarithm of the gamma function, for positive arguments.
pub(super) fn ln_gamma_of(x: f64) -> f64 {
    ln_gamma(x)
}

/// Exact bounds of a probability after `hits` in `tries` (Clopper and Pearson 1934).
pub(super) fn binomial_bounds(hits: usize, tries: usize, of_level: f64) -> (f64, f64) {
    bounds_of_parts(hits as f64, tries.saturating_sub(hits) as f64, of_level)
}

/// The same of hits and misses that count in part, such as those that depend on one another.
pub(super) fn bounds_of_parts(hits: f64, misses: f64, of_level: f64) -> (f64, f64) {
    let alpha = (1.0 - level(of_level)) / 2.0;
    let lower = if hits == 0.0 { 0.0 } else { beta_quantile(hits, misses + 1.0, alpha) };
    let upper = if misses == 0.0 { 1.0 } else { beta_quantile(hits + 1.0, misses, 1.0 - alpha) };
    (lower, upper)
}

/// The beta quantile: the crate's, set right by a bracketed search where it is not exact.
fn beta_quantile(a: f64, b: f64, p: f64) -> f64 {
    let off = |x: f64| checked_beta_reg(a, b, x.clamp(0.0, 1.0)).map_or(f64::NAN, |cdf| cdf - p);
    let near = inv_beta_reg(a, b, p);
    if off(near).abs() < 1e-12 { near } else { super::solve::root(off, 0.0, 1.0, 1e-14).unwrap_or(near) }
}

/// ln(1 - exp(-x)) for x > 0, without loss at either end (Maechler 2012, the R package Rmpfr).
pub(super) fn ln_1m_exp(x: f64) -> f64 {
    if x < LN_2 { (-(-x).exp_m1()).ln() } else { (-(-x).exp()).ln_1p() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64, relative: f64) {
        assert!((found - expected).abs() <= relative * expected.abs().max(1e-300), "{found} is not {expected}");
    }

    #[test]
    fn quantiles_are_those_of_the_tables() {
        near(normal_quantile(0.97), 1.880_793_608_151_251, 1e-13); // Stevenson's z of 3 % risk, mpmath
        near(normal_quantile(0.975), 1.959_963_984_540_054, 1e-13);
        near(normal_quantile(1e-10), -6.361_340_902_404_056, 1e-12);
        near(chi_square_quantile(1.0, 0.95), 3.841_458_820_694_124, 1e-10);
        near(chi_square_quantile(6.0, 0.95), 12.591_587_243_743_977, 1e-10);
        assert!(normal_quantile(0.0).is_finite() && normal_quantile(1.0).is_finite());
    }

    #[test]
    fn tails_join_and_stay_finite() {
        near(ln_normal_tail(10.0), -53.231_285_150_512_47, 1e-11); // mpmath
        near(ln_normal_tail(24.999_999_9), ln_normal_tail(25.0), 1e-8);
        near(ln_normal_tail(25.0), -316.639_408_008_020_26, 1e-12); // mpmath
        near(ln_normal_tail(-6.0), -9.865_876_454_895_03e-10, 1e-8); // mpmath
        assert!(ln_normal_tail(1e5).is_finite());
        near(ln_1m_exp(1e-20), 1e-20_f64.ln(), 1e-15);
        near(ln_1m_exp(50.0), -(-50.0_f64).exp(), 1e-12);
    }

    /// Two failures in ten tries, 95 %: Clopper and Pearson's charts give 0.025 and 0.556
    /// (from memory; recomputed).
    #[test]
    fn binomial_bounds_are_exact() {
        let (lower, upper) = binomial_bounds(2, 10, 0.95);
        near(lower, 0.025_210_726_326_833_34, 1e-9);
        near(upper, 0.556_095_462_307_641_3, 1e-9);
        assert_eq!(binomial_bounds(0, 10, 0.95).0, 0.0);
        near(binomial_bounds(0, 10, 0.95).1, 1.0 - 0.025_f64.powf(0.1), 1e-9);
        assert_eq!(binomial_bounds(0, 0, 0.95), (0.0, 1.0));
    }
}
