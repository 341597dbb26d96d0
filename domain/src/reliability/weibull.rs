//! The two-parameter Weibull distribution of a life.
//!
//! ```text
//! S(t) = exp(-(t/scale)^shape)     H(t) = (t/scale)^shape
//! h(t) = shape/scale (t/scale)^(shape-1)
//! ```
//!
//! A shape below 1 is early failure, 1 chance, above 1 wear. At the scale 63.2 % have failed.

use super::special::{gamma_of_one_plus, ln_gamma_of, lower_gamma, upper_gamma};
use serde::Serialize;
use std::f64::consts::LN_2;

/// A Weibull distribution; both parameters positive and finite.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Weibull {
    shape: f64,
    scale: f64,
}

impl Weibull {
    /// Shape and scale 1.
    pub(super) const UNIT: Self = Self { shape: 1.0, scale: 1.0 };

    /// The distribution with these parameters; `None` unless both are positive and finite.
    #[must_use]
    pub fn new(shape: f64, scale: f64) -> Option<Self> {
        let positive = |x: f64| x > 0.0 && x.is_finite();
        (positive(shape) && positive(scale)).then_some(Self { shape, scale })
    }

    /// The distribution of this shape whose median is `median`.
    #[must_use]
    pub fn with_median(shape: f64, median: f64) -> Option<Self> {
        Self::new(shape, median * (-LN_2.ln() / shape).exp())
    }

    /// The shape.
    #[must_use]
    pub fn shape(&self) -> f64 {
        self.shape
    }

    /// The scale, in the basis of the ages.
    #[must_use]
    pub fn scale(&self) -> f64 {
        self.scale
    }

    /// The hazard summed up to an age.
    #[must_use]
    pub fn cumulative_hazard(&self, age: f64) -> f64 {
        if age <= 0.0 { 0.0 } else { (age / self.scale).powf(self.shape) }
    }

    /// Part of the parts that reach an age.
    #[must_use]
    pub fn survival(&self, age: f64) -> f64 {
        (-self.cumulative_hazard(age)).exp()
    }

    /// Failures per unit of age among parts that reached it; infinite at 0 for shapes below 1.
    #[must_use]
    pub fn hazard(&self, age: f64) -> f64 {
        self.shape / self.scale * (age.max(0.0) / self.scale).powf(self.shape - 1.0)
    }

    /// The age by which a part `p` of the parts has failed.
    #[must_use]
    pub fn quantile(&self, p: f64) -> f64 {
        self.scale * (-(-p.clamp(0.0, 1.0)).ln_1p()).powf(1.0 / self.shape)
    }

    /// The age that half of the parts reach.
    #[must_use]
    pub fn median(&self) -> f64 {
        self.quantile(0.5)
    }

    /// Mean life; `None` where it overflows.
    #[must_use]
    pub fn mean(&self) -> Option<f64> {
        Some(self.scale * gamma_of_one_plus(1.0 / self.shape)).filter(|mean| mean.is_finite())
    }

    /// Standard deviation of the life; `None` where it overflows.
    ///
    /// By ln Γ(1 + 2/β) - 2 ln Γ(1 + 1/β), so that steep shapes lose no digits to the square.
    #[must_use]
    pub fn standard_deviation(&self) -> Option<f64> {
        let b = 1.0 / self.shape;
        let ln_ratio = ln_gamma_of(1.0 + 2.0 * b) - 2.0 * ln_gamma_of(1.0 + b);
        Some(self.mean()? * ln_ratio.max(0.0).exp_m1().sqrt()).filter(|sd| sd.is_finite())
    }

    /// The hazard summed from an age over a further stretch, without loss for short stretches.
    #[must_use]
    pub fn hazard_ahead(&self, age: f64, ahead: f64) -> f64 {
        let (age, ahead) = (age.max(0.0), ahead.max(0.0));
        let before = self.cumulative_hazard(age);
        // With nothing or next to nothing behind it, the sum is that of the stretch itself.
        if before < f64::MIN_POSITIVE {
            return self.cumulative_hazard(age + ahead);
        }
        before * (self.shape * (ahead / age).ln_1p()).exp_m1()
    }

    /// Probability that a part that reached `age` fails within `ahead`.
    ///
    /// ```text
    /// 1 - S(age + ahead)/S(age) = -expm1(-(H(age + ahead) - H(age)))
    /// ```
    #[must_use]
    pub fn failure_ahead(&self, age: f64, ahead: f64) -> f64 {
        -(-self.hazard_ahead(age, ahead)).exp_m1()
    }

    /// Mean further life of a part that reached `age`; `None` where it overflows.
    ///
    /// ```text
    /// ∫_age^∞ S / S(age) = scale/shape e^z Γ(1/shape, z),   z = (age/scale)^shape
    /// ```
    #[must_use]
    pub fn mean_further_life(&self, age: f64) -> Option<f64> {
        let (z, a) = (self.cumulative_hazard(age), 1.0 / self.shape);
        let further = if z > 500.0 && z > 4.0 * a {
            // Γ(a, z) e^z = z^(a-1) (1 + (a-1)/z + (a-1)(a-2)/z^2 + ...), DLMF 8.11.2.
            let series = (1..12).fold((1.0, 1.0), |(sum, term), k| {
                let term = term * (a - f64::from(k)) / z;
                (sum + term, term)
            });
            a * age.max(0.0) / z * series.0
        } else {
            self.mean()? * upper_gamma(a, z) * z.exp()
        };
        Some(further).filter(|further| further.is_finite())
    }

    /// Mean time in service when a part is taken out at `age` at the latest: ∫_0^age S.
    #[must_use]
    pub fn mean_up_to(&self, age: f64) -> f64 {
        let a = 1.0 / self.shape;
        let z = self.cumulative_hazard(age);
        // P(a, z) Γ(1 + a) scale, which for small z is the age itself less little.
        self.mean().map_or(age, |mean| (mean * lower_gamma(a, z)).min(age.max(0.0)))
    }
}
