//! Units that are repaired and go on: whether failures come ever sooner, and at which rate.
//!
//! The power law: failures up to the running time t are lambda t^beta on average (Crow 1974;
//! AMSAA). beta below 1: they become rarer. NIST/SEMATECH e-Handbook 8.4.5.

use super::estimate::{Bounds, NoEstimate};
use super::solve::root;
use super::special::{chi_square_quantile, chi_square_tail, level, normal_tail, two_sided_z};
use serde::Serialize;

/// How the watch over a unit ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Ended {
    /// At a time that the failures had no part in, such as today.
    AtTime,
    /// With the last failure.
    AtFailure,
}

/// The failures of one unit, in running time since its watch began.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct History {
    times: Vec<f64>,
    end: f64,
    ended: Ended,
}

/// Why a history cannot be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum HistoryError {
    /// A time that is not positive or lies beyond the end, or an end that is not positive.
    #[error("give times of failures above 0 and up to the end, which is above 0 and finite")]
    TimeOutOfRange,
    /// Ended with a failure, but without one.
    #[error("a watch that ended with a failure has at least one")]
    NoFailure,
}

/// The power law of a unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PowerLaw {
    /// The exponent by maximum likelihood.
    pub beta: f64,
    /// The factor by maximum likelihood.
    pub lambda: f64,
    /// The exponent without its bias; none with so few failures that there is no such estimate.
    pub beta_unbiased: Option<f64>,
    /// Mean time between failures at the end by maximum likelihood.
    pub mtbf: f64,
    /// The same by the unbiased exponent.
    pub mtbf_modified: Option<f64>,
    /// Failures it rests on.
    pub failures: usize,
    /// Running time watched.
    pub end: f64,
    /// How the watch ended.
    pub ended: Ended,
}

/// Whether failures come sooner and sooner.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Trend {
    /// Laplace's statistic: standard normal without a trend, positive when failures crowd late.
    pub z: f64,
    /// Chance of one as far from zero without a trend.
    pub p: f64,
}

impl History {
    /// A unit watched to a time.
    ///
    /// # Errors
    /// A time that cannot be.
    pub fn to_time(times: Vec<f64>, end: f64) -> Result<Self, HistoryError> {
        Self { times, end, ended: Ended::AtTime }.checked()
    }

    /// A unit watched to its last failure.
    ///
    /// # Errors
    /// No failure, or a time that cannot be.
    pub fn to_last_failure(times: Vec<f64>) -> Result<Self, HistoryError> {
        let end = times.iter().copied().fold(f64::NAN, f64::max);
        if times.is_empty() {
            return Err(HistoryError::NoFailure);
        }
        Self { times, end, ended: Ended::AtFailure }.checked()
    }

    fn checked(mut self) -> Result<Self, HistoryError> {
        let sound = self.end > 0.0 && self.end.is_finite() && self.times.iter().all(|t| *t > 0.0 && *t <= self.end);
        self.times.sort_unstable_by(f64::total_cmp);
        if sound { Ok(self) } else { Err(HistoryError::TimeOutOfRange) }
    }

    /// The failures that happened freely: an end at a failure is no free one.
    fn free(&self) -> &[f64] {
        let fixed = usize::from(self.ended == Ended::AtFailure);
        self.times.get(..self.times.len().saturating_sub(fixed)).unwrap_or_default()
    }

    /// Fits the power law.
    ///
    /// # Errors
    /// [`NoEstimate::NoFailures`]; [`NoEstimate::ShapeUnbounded`] when all failures sit at the end.
    pub fn power_law(&self) -> Result<PowerLaw, NoEstimate> {
        let failures = self.times.len();
        if failures == 0 {
            return Err(NoEstimate::NoFailures);
        }
        let sum: f64 = self.times.iter().map(|t| (self.end / t).ln()).sum();
        if sum <= 0.0 {
            return Err(NoEstimate::ShapeUnbounded);
        }
        let n = failures as f64;
        let beta = n / sum;
        // Of 2 n beta/estimate, chi-square with 2n degrees at a time's end, 2(n-1) at a failure's.
        let lost = if self.ended == Ended::AtTime { 1.0 } else { 2.0 };
        let beta_unbiased = Some(beta * (n - lost) / n).filter(|beta| *beta > 0.0);
        let found = PowerLaw {
            beta,
            lambda: (n.ln() - beta * self.end.ln()).exp(),
            beta_unbiased,
            mtbf: self.end / (n * beta),
            mtbf_modified: beta_unbiased.map(|beta| self.end / (n * beta)),
            failures,
            end: self.end,
            ended: self.ended,
        };
        let sound = found.lambda.is_finite() && found.lambda > 0.0 && found.mtbf.is_finite();
        if sound { Ok(found) } else { Err(NoEstimate::OutOfRange) }
    }
}

impl PowerLaw {
    /// Bounds of the exponent; none where a failure-ended watch has one failure only.
    #[must_use]
    pub fn beta_bounds(&self, of_level: f64) -> Option<Bounds> {
        let n = self.failures as f64;
        let degrees = if self.ended == Ended::AtTime { 2.0 * n } else { 2.0 * n - 2.0 };
        let tail = (1.0 - level(of_level)) / 2.0;
        let at = |p| self.beta * chi_square_quantile(degrees, p) / (2.0 * n);
        (degrees > 0.0).then(|| Bounds::both(at(tail), at(1.0 - tail)))
    }

    /// Bounds of the mean time between failures at the end.
    ///
    /// Ended at a time: NIST's approximation about the modified estimate, for two failures or
    /// more; without an upper bound where the approximation has none. Ended at a failure: exact,
    /// for true/estimated is 4 n^2/(V W), V and W chi-square with 2n and 2n - 2 degrees and
    /// independent.
    #[must_use]
    pub fn mtbf_bounds(&self, of_level: f64) -> Option<Bounds> {
        let n = self.failures as f64;
        if self.failures < 2 {
            return None;
        }
        if self.ended == Ended::AtFailure {
            let tail = (1.0 - level(of_level)) / 2.0;
            let at = |p| Some(self.mtbf * 4.0 * n * n / product_quantile(2.0 * n, 2.0 * n - 2.0, p)?);
            return Some(Bounds::both(at(1.0 - tail)?, at(tail)?));
        }
        let z = two_sided_z(of_level);
        let unit = self.mtbf_modified? * n * (n - 1.0);
        let lower = unit / (n + z * z / 4.0 + (n * z * z / 2.0 + z.powi(4) / 16.0).sqrt()).powi(2);
        let rest = n - z * (n / 2.0).sqrt();
        Some(Bounds { lower, upper: (rest > 0.0).then(|| unit / (rest * rest)) })
    }
}

/// The quantile of the product of two independent chi-squares: the chance of less is summed in
/// equal steps of the first one's logarithm, which for a function that dies out on both sides is
/// exact to rounding.
fn product_quantile(a: f64, b: f64, p: f64) -> Option<f64> {
    let sd = (2.0 / a).sqrt();
    let steps = 400;
    let half = 10.0 * sd + 6.0;
    let below = |ln_x: f64| -> f64 {
        let (mut sum, mut all) = (0.0, 0.0);
        for k in 0..=steps {
            let ln_v = a.ln() + half * (2.0 * f64::from(k) / f64::from(steps) - 1.0);
            let weight = (a / 2.0 * ln_v - ln_v.exp() / 2.0 - a / 2.0 * a.ln() + a / 2.0).exp();
            sum += weight * (1.0 - chi_square_tail(b, (ln_x - ln_v).exp()));
            all += weight;
        }
        sum / all
    };
    let centre = a.ln() + b.ln();
    root(|ln_x| below(ln_x) - p, centre - 3.0 * half, centre + 2.0 * half, 1e-10).map(f64::exp)
}

/// Laplace's test for a trend over units that need not have been watched equally long; `None`
/// without free failures. (Cox and Lewis 1966, ch. 3; NIST/SEMATECH e-Handbook 8.2.3.4.)
#[must_use]
pub fn laplace(units: &[History]) -> Option<Trend> {
    let (mut sum, mut expected, mut variance) = (0.0, 0.0, 0.0);
    for unit in units {
        let free = unit.free();
        sum += free.iter().sum::<f64>();
        expected += free.len() as f64 * unit.end / 2.0;
        variance += free.len() as f64 * unit.end * unit.end / 12.0;
    }
    let z = (sum - expected) / variance.sqrt();
    z.is_finite().then(|| Trend { z, p: 2.0 * normal_tail(z.abs()) })
}

/// A constant rate of events, with exact bounds (Garwood 1936).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Rate {
    /// Events per unit of time.
    pub rate: f64,
    /// Its bounds.
    pub bounds: Bounds,
    /// Mean time between events; none without an event.
    pub mean_time_between: Option<f64>,
    /// Bounds of the mean time between events.
    pub mean_time_bounds: Bounds,
}

/// The rate of `events` in a time watched to a fixed end; `None` for a time that is none.
#[must_use]
pub fn rate(events: usize, time: f64, of_level: f64) -> Option<Rate> {
    if !(time > 0.0 && time.is_finite()) {
        return None;
    }
    let (r, tail) = (events as f64, (1.0 - level(of_level)) / 2.0);
    let lower = if events == 0 { 0.0 } else { chi_square_quantile(2.0 * r, tail) / (2.0 * time) };
    let upper = chi_square_quantile(2.0 * (r + 1.0), 1.0 - tail) / (2.0 * time);
    let mean_time_bounds = Bounds { lower: 1.0 / upper, upper: (lower > 0.0).then(|| 1.0 / lower) };
    let mean_time_between = (events > 0).then(|| time / r);
    Some(Rate { rate: r / time, bounds: Bounds::both(lower, upper), mean_time_between, mean_time_bounds })
}
