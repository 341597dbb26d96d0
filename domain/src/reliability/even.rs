//! A density known at even steps, and the probability below any place between them.

/// Points `first`, `first + step`, ... with the probability that belongs to each.
#[derive(Debug, Clone)]
pub(super) struct Even {
    first: f64,
    step: f64,
    masses: Vec<f64>,
    /// Probability below each point.
    below: Vec<f64>,
}

impl Even {
    /// The sum up to half of a point's own mass is the trapezoid rule's probability below it; the
    /// next two terms of the Euler-Maclaurin series, -h^2/12 f' + h^4/720 f''' by differences of
    /// five points, set it right.
    pub(super) fn new(first: f64, step: f64, masses: Vec<f64>) -> Self {
        let mass = |at: Option<usize>| at.and_then(|at| masses.get(at)).copied().unwrap_or(0.0);
        let difference = |at: usize, by: usize| mass(Some(at + by)) - mass(at.checked_sub(by));
        let mut so_far = 0.0;
        let below = masses.iter().enumerate().map(|(at, own)| {
            let here = so_far + own / 2.0 + (11.0 * difference(at, 2) - 82.0 * difference(at, 1)) / 1440.0;
            so_far += own;
            here
        });
        Self { first, step, below: below.collect(), masses }
    }

    /// The mean of a function of exp(at + slope x).
    ///
    /// At even steps the exponential is a geometric series: one product a point, unless the
    /// series would leave the range of numbers.
    pub(super) fn mean_of_exp(&self, at: f64, slope: f64, of: impl Fn(f64) -> f64) -> f64 {
        let (first, last) = self.span();
        let (start, end) = (at + slope * first, at + slope * last);
        if start.abs().max(end.abs()) < 600.0 {
            let ratio = (slope * self.step).exp();
            let mut value = start.exp();
            let terms = self.masses.iter().map(|mass| {
                let term = mass * of(value);
                value *= ratio;
                term
            });
            return terms.sum();
        }
        let exponent = |point: usize| start + slope * self.step * point as f64;
        self.masses.iter().enumerate().map(|(point, mass)| mass * of(exponent(point).exp())).sum()
    }

    /// First and last point.
    pub(super) fn span(&self) -> (f64, f64) {
        (self.first, self.first + self.step * (self.masses.len().max(1) - 1) as f64)
    }

    /// All probability.
    pub(super) fn total(&self) -> f64 {
        self.masses.iter().sum()
    }

    /// Every probability divided by an amount.
    pub(super) fn divide(&mut self, by: f64) {
        self.masses.iter_mut().chain(&mut self.below).for_each(|mass| *mass /= by);
    }

    /// Probability below `x`: between points by the cubic that meets value and density at both.
    pub(super) fn below(&self, x: f64) -> f64 {
        let along = (x - self.first) / self.step;
        // A place before the first point or without a number has nothing below it.
        let beyond = along >= 0.0;
        if !beyond {
            return 0.0;
        }
        let at = self.masses.len().min(whole(along));
        let node = |at: usize| Some((*self.below.get(at)?, *self.masses.get(at)?));
        let Some(((a, da), (b, db))) = node(at).zip(node(at + 1)) else { return self.total() };
        let t = along - at as f64;
        let (t2, t3) = (t * t, t * t * t);
        a * (2.0 * t3 - 3.0 * t2 + 1.0) + b * (3.0 * t2 - 2.0 * t3) + da * (t3 - 2.0 * t2 + t) + db * (t3 - t2)
    }
}

/// The whole part of a number that is not negative, of any size.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "the cast saturates, as is meant")]
fn whole(x: f64) -> usize {
    x as usize
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reliability::special::normal_tail;

    /// A normal in steps of 0.4 standard deviations, against its distribution.
    #[test]
    fn probabilities_between_points_are_those_of_the_density() {
        let masses =
            (-25..=25).map(|k| 0.4 * f64::from(k)).map(|x| 0.4 * (-x * x / 2.0).exp() / std::f64::consts::TAU.sqrt());
        let even = Even::new(-10.0, 0.4, masses.collect());
        for k in -80..=80 {
            let x = 0.1 * f64::from(k);
            assert!((even.below(x) - normal_tail(-x)).abs() < 2e-4, "{x}");
        }
        assert_eq!((even.below(-11.0), even.below(f64::NAN)), (0.0, 0.0));
        assert!((even.below(1e300) - 1.0).abs() < 1e-12);
    }
}
