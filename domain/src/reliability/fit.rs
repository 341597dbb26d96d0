//! The Weibull distribution by maximum likelihood, from lives of every kind.
//!
//! With exact and right-censored ages the scale drops out and one equation in the shape is left
//! (see `profile`); with intervals both parameters are searched (see `location_scale`).

use super::estimate::{Bounds, Estimate, NoEstimate};
use super::life::{Life, Tally};
use super::location_scale::{Model, Params, Weibulls};
use super::profile;
use super::special::two_sided_z;
use super::weibull::Weibull;
use serde::Serialize;

/// Shapes below this are taken for the shape vanishing, where no closed rule decides it.
const SHAPE_MIN: f64 = 1e-3;

/// A Weibull estimate. Standard errors are by the observed information.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct WeibullFit {
    /// The estimate.
    #[serde(flatten)]
    pub weibull: Weibull,
    /// Natural logarithm of the likelihood there.
    pub ln_likelihood: f64,
    /// Lives and failures it rests on.
    pub lives: usize,
    /// Failures among them.
    pub failures: usize,
    /// Standard error of the shape.
    pub se_shape: f64,
    /// Standard error of the scale.
    pub se_scale: f64,
    /// Covariance of shape and scale.
    pub covariance: f64,
}

/// Variances and covariance of the shape and of the logarithm of the scale.
#[derive(Debug, Clone, Copy)]
pub(super) struct Spread {
    pub(super) shape: f64,
    pub(super) ln_scale: f64,
    pub(super) both: f64,
}

impl WeibullFit {
    pub(super) fn new(
        tally: &Tally,
        shape: f64,
        ln_scale: f64,
        ln_likelihood: f64,
        spread: Spread,
    ) -> Result<Self, NoEstimate> {
        let weibull = Weibull::new(shape, ln_scale.exp()).ok_or(NoEstimate::OutOfRange)?;
        let scale = weibull.scale();
        let fit = Self {
            weibull,
            ln_likelihood,
            lives: tally.lives,
            failures: tally.failures,
            se_shape: spread.shape.sqrt(),
            se_scale: scale * spread.ln_scale.sqrt(),
            covariance: scale * spread.both,
        };
        let figures = [fit.ln_likelihood, fit.se_shape, fit.se_scale, fit.covariance];
        if figures.iter().all(|figure| figure.is_finite()) { Ok(fit) } else { Err(NoEstimate::OutOfRange) }
    }

    /// Standard error of the logarithm of the shape.
    #[must_use]
    pub fn se_ln_shape(&self) -> f64 {
        self.se_shape / self.weibull.shape()
    }

    /// Standard error of the logarithm of the scale.
    #[must_use]
    pub fn se_ln_scale(&self) -> f64 {
        self.se_scale / self.weibull.scale()
    }

    /// Akaike's information criterion of the two parameters.
    #[must_use]
    pub fn aic(&self) -> f64 {
        4.0 - 2.0 * self.ln_likelihood
    }

    /// Standard error of ln H(age) by the delta method, which is that of ln(-ln S(age)).
    #[must_use]
    pub fn se_ln_hazard(&self, age: f64) -> f64 {
        let along = (age / self.weibull.scale()).ln();
        let shape = self.weibull.shape();
        let both = self.covariance / self.weibull.scale();
        let variance = (along * self.se_shape).powi(2) + (shape * self.se_ln_scale()).powi(2);
        (variance - 2.0 * along * shape * both).max(0.0).sqrt()
    }

    /// Bounds of the survival at an age, normal in ln(-ln S): they stay between 0 and 1.
    #[must_use]
    pub fn survival_bounds(&self, age: f64, level: f64) -> Bounds {
        let hazard = self.weibull.cumulative_hazard(age);
        if hazard <= 0.0 {
            return Bounds::both(1.0, 1.0);
        }
        let factor = (two_sided_z(level) * self.se_ln_hazard(age)).exp();
        Bounds::both((-hazard * factor).exp(), (-hazard / factor).exp())
    }

    /// Bounds of the probability that a part that reached `age` fails within `ahead`, normal in
    /// the logarithm of the hazard summed over it.
    ///
    /// With u = age/scale, v = (age + ahead)/scale and H = v^shape - u^shape, ln(H) changes by
    /// -shape with ln(scale), and by (v^shape ln v - u^shape ln u)/H with the shape.
    #[must_use]
    pub fn failure_ahead_bounds(&self, age: f64, ahead: f64, level: f64) -> Bounds {
        let (shape, scale) = (self.weibull.shape(), self.weibull.scale());
        let hazard = self.weibull.hazard_ahead(age, ahead);
        let failed = |hazard: f64| -(-hazard).exp_m1();
        // x^shape ln(x), which dies out at zero.
        let moment = |x: f64| if x > 0.0 { x.powf(shape) * x.ln() } else { 0.0 };
        let along = (moment((age + ahead) / scale) - moment(age / scale)) / hazard;
        let both = self.covariance / scale;
        let variance = (along * self.se_shape).powi(2) + (shape * self.se_ln_scale()).powi(2);
        let sd = (variance - 2.0 * along * shape * both).max(0.0).sqrt();
        let factor = (two_sided_z(level) * sd).exp();
        if factor.is_finite() && hazard > 0.0 {
            Bounds::both(failed(hazard / factor), failed(hazard * factor))
        } else {
            Bounds::both(failed(hazard), failed(hazard))
        }
    }

    /// Bounds of the shape by the likelihood ratio: the shapes that the lives the fit was made
    /// from do not reject. They need no symmetry and hold for few failures better than
    /// standard errors do. In simulated fleets (`benches/coverage`) those of 90 % hold the truth in 88 to
    /// 90 % where lives are cut short at ages; where watching ends at the eighth failure in 84 to 86 %, for which
    /// the posterior with an open prior (`assess::prior` without a rated life) has 88 to 92 %.
    #[must_use]
    pub fn shape_bounds(&self, lives: &[Life], level: f64) -> Bounds {
        Model::<Weibulls>::of(lives).shape_bounds(self.params(), level)
    }

    /// The same for the scale.
    #[must_use]
    pub fn scale_bounds(&self, lives: &[Life], level: f64) -> Bounds {
        let ln = Model::<Weibulls>::of(lives).location_bounds(self.params(), level);
        Bounds { lower: ln.0.map_or(0.0, f64::exp), upper: ln.1.map(f64::exp).filter(|upper| upper.is_finite()) }
    }

    fn params(&self) -> Params {
        Params { steepness: self.weibull.shape(), location: self.weibull.scale().ln() }
    }

    /// The figures with their likelihood-ratio bounds, as they are shown.
    #[must_use]
    pub fn with_bounds(self, lives: &[Life], level: f64) -> BoundedFit {
        let shape_bounds = self.shape_bounds(lives, level);
        BoundedFit { shape_bounds, scale_bounds: self.scale_bounds(lives, level), level, fit: self }
    }
}

/// A Weibull estimate with its bounds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BoundedFit {
    /// The estimate.
    #[serde(flatten)]
    pub fit: WeibullFit,
    /// Bounds of the shape.
    pub shape_bounds: Bounds,
    /// Bounds of the scale.
    pub scale_bounds: Bounds,
    /// Part of cases that each of them covers.
    pub level: f64,
}

impl BoundedFit {
    /// Whether the part wears out: the whole interval of shapes lies above 1.
    #[must_use]
    pub fn wears_out(&self) -> bool {
        self.shape_bounds.lower > 1.0
    }
}

/// Fits a Weibull distribution to lives.
///
/// # Errors
/// Why there is no estimate: it is decided before and not left to a search that runs away.
pub fn weibull(lives: &[Life]) -> Result<WeibullFit, NoEstimate> {
    let tally = Tally::of(lives);
    tally.bounds_the_shape()?;
    if tally.intervals == 0 { profile::fit(lives, &tally) } else { searched(lives, &tally) }
}

/// The same as it is shown, with bounds.
#[must_use]
pub fn bounded_weibull(lives: &[Life], level: f64) -> Estimate<BoundedFit> {
    weibull(lives).map(|fit| fit.with_bounds(lives, level)).into()
}

/// Both parameters searched from the fit to the intervals' middles.
pub(super) fn searched(lives: &[Life], tally: &Tally) -> Result<WeibullFit, NoEstimate> {
    let model = Model::<Weibulls>::of(lives);
    let found = model.maximise(model.start()).ok_or(NoEstimate::OutOfRange)?;
    if found.params.steepness < SHAPE_MIN {
        return Err(NoEstimate::ShapeVanishes);
    }
    WeibullFit::new(tally, found.params.steepness, found.params.location, found.ln_likelihood, found.spread)
}
