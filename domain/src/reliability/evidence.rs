//! What lives say about a Weibull, condensed so that one pass over them serves every scale.
//!
//! At one shape all exact and running lives are one number: with y = (unit/scale)^shape,
//!
//! ```text
//! ln L = r (ln shape + shape (mean of ln failed - ln scale)) - y S0 + Σ over intervals ln(1 - exp(-y D))
//! ```
//!
//! (less a constant), D the power at the found age less that at the last good one. It is concave
//! in the logarithm of the scale, late entries and intervals or not.

use super::ages::Ages;
use super::life::{End, Life};
use super::special::ln_1m_exp;

/// The lives.
pub(super) struct Evidence {
    ages: Ages,
    /// Intervals of failure as logarithms over the unit.
    gaps: Vec<(f64, f64)>,
}

/// The lives at one shape.
pub(super) struct Slice {
    pub(super) shape: f64,
    failures: f64,
    mean_failed: f64,
    ln_unit: f64,
    s0: f64,
    /// Its derivative by the shape.
    s1: f64,
    /// D and its derivative by the shape.
    gaps: Vec<(f64, f64)>,
}

/// The likelihood at a point, and how it changes.
#[derive(Clone, Copy)]
pub(super) struct Local {
    pub(super) ln_likelihood: f64,
    /// By ln(scale).
    pub(super) slope: f64,
    /// By ln(scale), twice; never positive.
    pub(super) bend: f64,
    /// By the shape.
    pub(super) by_shape: f64,
}

impl Evidence {
    pub(super) fn of(lives: &[Life]) -> Self {
        let unit = lives.iter().map(Life::age).fold(0.0, f64::max);
        let ages = Ages::of(lives, if unit > 0.0 { unit } else { 1.0 });
        let gaps = lives.iter().filter_map(|life| match life.end() {
            End::FailedSince { last_good } => Some((last_good.ln() - ages.ln_unit, life.age().ln() - ages.ln_unit)),
            End::Failed | End::Running => None,
        });
        Self { gaps: gaps.collect(), ages }
    }

    /// One pass over the lives.
    pub(super) fn slice(&self, shape: f64) -> Slice {
        let Ages { failures, mean_failed, ln_unit, .. } = self.ages;
        let sums = self.ages.cumulants(shape, 1);
        let s1 = if sums.s0 > 0.0 { sums.s0 * sums.k1 } else { 0.0 };
        let gaps = self.gaps.iter().map(|&(from, to)| {
            let power = (shape * to).exp();
            // As for late entries: what the lower end leaves of the power, and its derivative.
            let left = -(shape * (from - to)).exp_m1();
            let below = if from.is_finite() { (1.0 - left) * (to - from) } else { 0.0 };
            (power * left, power * (left * to + below))
        });
        Slice { shape, failures, mean_failed, ln_unit, s0: sums.s0, s1, gaps: gaps.collect() }
    }
}

impl Slice {
    /// The likelihood alone.
    pub(super) fn ln_likelihood(&self, ln_scale: f64) -> f64 {
        let (own, y) = self.own(ln_scale);
        own + self.gaps.iter().map(|(gap, _)| ln_1m_exp(y * gap)).sum::<f64>()
    }

    /// The part of it without intervals, and y.
    fn own(&self, ln_scale: f64) -> (f64, f64) {
        let x = ln_scale - self.ln_unit;
        let y = (-self.shape * x).exp();
        let exposed = if self.s0 > 0.0 { y * self.s0 } else { 0.0 };
        (self.failures * (self.shape.ln() + self.shape * (self.mean_failed - x)) - exposed, y)
    }

    /// The likelihood and how it changes.
    pub(super) fn local(&self, ln_scale: f64) -> Local {
        let x = ln_scale - self.ln_unit;
        let (own, y) = self.own(ln_scale);
        let (b, r) = (self.shape, self.failures);
        let exposed = if self.s0 > 0.0 { y * self.s0 } else { 0.0 };
        let moved = if self.s0 > 0.0 { y * (self.s1 - x * self.s0) } else { 0.0 };
        let mut local = Local {
            ln_likelihood: own,
            slope: b * (exposed - r),
            bend: -b * b * exposed,
            by_shape: r / b + r * (self.mean_failed - x) - moved,
        };
        for &(gap, by_shape) in &self.gaps {
            let u = y * gap;
            local.ln_likelihood += ln_1m_exp(u);
            // w = u/(e^u - 1): the slope of ln(1 - e^-u) in ln(u); it dies out for large u.
            let w = if u > 700.0 { 0.0 } else { u / u.exp_m1() };
            if w > 0.0 {
                local.slope -= b * w;
                local.bend += b * b * w * (1.0 - u - w);
                local.by_shape += w / u * y * (by_shape - x * gap);
            }
        }
        local
    }

    /// ln(scale) that the lives alone suggest at this shape; `None` without failures.
    pub(super) fn guess(&self) -> Option<f64> {
        let failures = self.failures + self.gaps.len() as f64;
        let exposed = self.s0 + self.gaps.iter().map(|(gap, _)| gap / 2.0).sum::<f64>();
        (failures > 0.0 && exposed > 0.0).then(|| (exposed / failures).ln() / self.shape + self.ln_unit)
    }
}
