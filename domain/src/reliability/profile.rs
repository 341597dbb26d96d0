//! The Weibull fit to exact and right-censored ages, with left truncation: one equation.
//!
//! With r failures, and every power taken at the age and again, with a minus, at the age from
//! which the life was watched, the scale that fits a shape best is closed:
//!
//! ```text
//! scale^shape = S0/r,   S0 = Σ age^shape - entry^shape
//! ```
//!
//! and the profile's slope in the shape is, divided by r,
//!
//! ```text
//! g(shape) = 1/shape + mean of ln(failed ages) - S1/S0,   S1 = dS0/dshape
//! ```
//!
//! S0 is shape times the integral of (parts at risk at u) u^(shape-1), whose logarithm is convex
//! in the shape, as that of every moment generating function: so g falls, late entries or not,
//! and has one root at most. Cohen (1965), Technometrics 7, for the equation; that it holds
//! with late entries is derived here.
//!
//! The root is found by Halley's steps: 1/shape - constant, which g resembles, they solve in one.
//! They converge by the third power, so a step within 1e-4 leaves an error of about 1e-12, and the
//! cumulants of the sums give all figures at the new shape without another pass, the variances
//! to about 1e-8.

use super::ages::{Ages, Cumulants};
use super::estimate::NoEstimate;
use super::fit::{Spread, WeibullFit};
use super::life::{Life, Tally};

/// A step after which the rest is carried by the cumulants.
const STEP_ENOUGH: f64 = 1e-4;
/// Passes over the lives at most.
const PASSES_MAX: usize = 80;
/// Above this many lives a thinned set gives the first guess.
const THINNED_ABOVE: usize = 4_000;
/// About as many lives the thinned set has.
const THINNED_TO: usize = 1_000;

/// Fits the lives of a tally that bounds the shape.
pub(super) fn fit(lives: &[Life], tally: &Tally) -> Result<WeibullFit, NoEstimate> {
    let ages = Ages::of(lives, tally.oldest_good);
    if ages.shape_vanishes() {
        return Err(NoEstimate::ShapeVanishes);
    }
    let (shape, cumulants) = ages.solve().ok_or(NoEstimate::OutOfRange)?;
    ages.estimate(tally, shape, cumulants)
}

impl Ages {
    /// Whether the slope is not above zero at the shape 0. It is infinite there while a part
    /// was watched from its beginning; else S0 tends to shape ∫ (parts at risk)/u du.
    fn shape_vanishes(&self) -> bool {
        if !self.whole.is_empty() {
            return false;
        }
        let (sum, first) = self.late.iter().fold((0.0, 0.0), |(sum, first), (ln_age, ln_ratio)| {
            (sum + ln_ratio, first + ln_ratio * (ln_age - ln_ratio / 2.0))
        });
        self.mean_failed <= first / sum
    }

    /// The root, and the cumulants there.
    fn solve(&self) -> Option<(f64, Cumulants)> {
        // Of all failed ages, the shape whose logarithms spread as theirs do.
        let spread = self.variance_failed.max(0.0).sqrt();
        let mut guess = if spread > 1e-6 { 1.28 / spread } else { 2.0 };
        let lives = self.whole.len() + self.late.len();
        if lives > THINNED_ABOVE {
            guess = self.search(guess, lives / THINNED_TO, 12).0.clamp(guess / 1e3, guess * 1e3);
        }
        let (shape, cumulants) = self.search(guess, 1, PASSES_MAX);
        cumulants.map(|cumulants| (shape, cumulants))
    }

    /// Halley's steps from a guess, held within the bracket that the slope's sign leaves: where
    /// they led, and the cumulants there when they came to rest.
    fn search(&self, guess: f64, stride: usize, passes: usize) -> (f64, Option<Cumulants>) {
        let (mut low, mut high) = (0.0_f64, f64::INFINITY);
        let mut at = guess;
        for _ in 0..passes {
            let from = at;
            let cumulants = self.cumulants(from, stride);
            let Cumulants { k1, k2, k3, .. } = cumulants;
            let slope = 1.0 / from + self.mean_failed - k1;
            if slope >= 0.0 {
                low = from;
            }
            if slope <= 0.0 {
                high = from;
            }
            let (first, second) = (-1.0 / (from * from) - k2, 2.0 / (from * from * from) - k3);
            let step = -2.0 * slope * first / (2.0 * first * first - slope * second);
            at = from + step;
            if step.abs() <= STEP_ENOUGH * at {
                return (at, Some(cumulants.carried(step)));
            }
            if !(at > low && at < high) {
                at = if high.is_finite() { (low.max(high * 1e-3) * high).sqrt() } else { 4.0 * low };
            }
        }
        (at, None)
    }

    /// The figures at the root.
    ///
    /// With V the weighted variance of ln(age), the observed information at the root has
    /// det = r^2 (1 + shape^2 V), from which the variances follow in closed form.
    fn estimate(&self, tally: &Tally, shape: f64, sums: Cumulants) -> Result<WeibullFit, NoEstimate> {
        let r = self.failures;
        let ln_scale = (sums.s0 / r).ln() / shape;
        let ln_likelihood =
            r * (shape.ln() - shape * ln_scale + shape * self.mean_failed - (self.mean_failed + self.ln_unit) - 1.0);
        // S1/S0 and V about the scale instead of the greatest age.
        let m1 = sums.k1 - ln_scale;
        let m2 = sums.k2 + m1 * m1;
        let unit = 1.0 + shape * shape * sums.k2;
        let spread = Spread {
            shape: shape * shape / (r * unit),
            ln_scale: (1.0 / (shape * shape) + m2) / (r * unit),
            both: shape * m1 / (r * unit),
        };
        WeibullFit::new(tally, shape, ln_scale + self.ln_unit, ln_likelihood, spread)
    }
}
