//! Charts of values standardised by a baseline: `z = (value - mean) / deviation`.

/// Values further out count as this far out: a lone slip must not hold a chart for weeks, and
/// whatever is put in stays finite.
const Z_MAX: f64 = 1e6;

/// A tabular CUSUM for a rise and one for a fall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cusum {
    /// Reference value in standard deviations: half the shift to detect.
    pub k: f64,
    /// Decision interval in standard deviations.
    pub h: f64,
}

/// A point of a CUSUM.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// The sum that watches for a rise, in standard deviations.
    pub upper: f64,
    /// The one that watches for a fall, not negative.
    pub lower: f64,
    /// Points in a row, this one included, at which the upper sum is above zero: a shift probably began
    /// with the first of them.
    pub upper_run: usize,
    /// The same of the lower sum.
    pub lower_run: usize,
    /// Whether either is beyond the decision interval.
    pub signal: bool,
}

fn taken(z: f64) -> f64 {
    if z.is_nan() { 0.0 } else { z.clamp(-Z_MAX, Z_MAX) }
}

/// A sum on one side, and for how many points it is above zero.
#[derive(Clone, Copy)]
struct Side {
    sum: f64,
    run: usize,
}

impl Side {
    fn after(self, step: f64, most: f64) -> Self {
        let sum = (self.sum.min(most) + step).max(0.0);
        Self { sum, run: if sum > 0.0 { self.run + 1 } else { 0 } }
    }
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
        self.sums(head_start, f64::INFINITY, values)
    }

    /// The chart by which a finding closes itself: a sum that has signalled goes on from the decision
    /// interval at most. Else it would have to give back all that gathered during a fault, and a fault of
    /// months would be found for months after it was mended. Up to its first signal each sum is that of
    /// [`points`](Self::points).
    #[must_use]
    pub fn held_points(&self, values: &[f64]) -> Vec<Point> {
        self.sums(0.0, self.h, values)
    }

    fn sums(&self, head_start: f64, most: f64, values: &[f64]) -> Vec<Point> {
        let begin = Side { sum: head_start, run: 0 };
        let (mut upper, mut lower) = (begin, begin);
        let step = |z: &f64| {
            let z = taken(*z);
            (upper, lower) = (upper.after(z - self.k, most), lower.after(-z - self.k, most));
            Point {
                upper: upper.sum,
                lower: lower.sum,
                upper_run: upper.run,
                lower_run: lower.run,
                signal: upper.sum > self.h || lower.sum > self.h,
            }
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

/// What an average is held against.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Limits {
    /// Its own deviation at each point, narrower at first.
    Exact,
    /// The deviation that it comes to, for which run lengths hold.
    Steady,
}

/// A point of an EWMA.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Average {
    /// The average, in standard deviations of a value from the mean.
    pub value: f64,
    /// The limit on both sides there, in the same.
    pub limit: f64,
    /// Whether it is beyond.
    pub signal: bool,
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

    /// The chart of these values.
    #[must_use]
    pub fn points(&self, limits: Limits, values: &[f64]) -> Vec<Average> {
        let mut average = 0.0;
        let step = |(z, n): (&f64, usize)| {
            average += self.lambda * (taken(*z) - average);
            let limit = match limits {
                Limits::Exact => self.limit(n),
                Limits::Steady => self.asymptotic_limit(),
            };
            Average { value: average, limit, signal: average.abs() > limit }
        };
        values.iter().zip(1..).map(step).collect()
    }
}
