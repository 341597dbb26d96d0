//! Charts of values standardised by a baseline: `z = (value - mean) / deviation`.

use serde::Serialize;

/// Values further out count as this far out: a lone slip must not hold a chart for weeks, and
/// whatever is put in stays finite.
const Z_MAX: f64 = 1e6;

/// A tabular CUSUM for a rise and one for a fall. Once it has signalled a sum stays at most at the
/// decision interval, so that it comes back to zero when what it found ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cusum {
    /// Reference value in standard deviations: half the shift to detect.
    pub k: f64,
    /// Decision interval in standard deviations.
    pub h: f64,
}

/// A point of a chart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Point {
    /// The statistic that watches for a rise.
    pub upper: f64,
    /// The one that watches for a fall, not negative; of an EWMA the same as `upper`.
    pub lower: f64,
    /// Whether either is beyond its limit.
    pub signal: bool,
}

fn taken(z: f64) -> f64 {
    if z.is_nan() { 0.0 } else { z.clamp(-Z_MAX, Z_MAX) }
}

impl Cusum {
    /// The chart of these values, as it begins anew.
    #[must_use]
    pub fn points(&self, values: &[f64]) -> Vec<Point> {
        self.points_from(0.0, values)
    }

    /// The same with both sums beginning at a head start, in standard deviations, so that what is
    /// wrong from the begin is found sooner (Lucas and Crosier 1982: half of the decision interval).
    #[must_use]
    pub fn points_from(&self, head_start: f64, values: &[f64]) -> Vec<Point> {
        let mut sums = (head_start, head_start);
        let step = |z: &f64| {
            let z = taken(*z);
            let (upper, lower) = ((sums.0 + z - self.k).max(0.0), (sums.1 - z - self.k).max(0.0));
            sums = (upper.min(self.h), lower.min(self.h));
            Point { upper, lower, signal: upper > self.h || lower > self.h }
        };
        values.iter().map(step).collect()
    }
}

/// An exponentially weighted moving average.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ewma {
    /// Weight of the newest value, above 0 and up to 1.
    pub lambda: f64,
    /// Limits, in standard deviations of the average.
    pub width: f64,
}

impl Ewma {
    /// The limit of the average at the n-th point, from 1, in standard deviations of a value: exact,
    /// so narrower at first (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4).
    #[must_use]
    pub fn limit(&self, n: usize) -> f64 {
        let steps = i32::try_from(n).unwrap_or(i32::MAX).saturating_mul(2);
        self.asymptotic_limit() * (1.0 - (1.0 - self.lambda).powi(steps)).max(0.0).sqrt()
    }

    /// The limit that it comes to.
    #[must_use]
    pub fn asymptotic_limit(&self) -> f64 {
        self.width * (self.lambda / (2.0 - self.lambda)).sqrt()
    }

    /// The chart of these values held against the asymptotic limit, for which run lengths hold.
    #[must_use]
    pub fn points(&self, values: &[f64]) -> Vec<Point> {
        let (mut average, limit) = (0.0, self.asymptotic_limit());
        let step = |z: &f64| {
            average += self.lambda * (taken(*z) - average);
            Point { upper: average, lower: average, signal: average.abs() > limit }
        };
        values.iter().map(step).collect()
    }
}
