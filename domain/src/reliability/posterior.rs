//! The Weibull by Bayes: prior and lives to what is held after, by quadrature.
//!
//! The posterior in (ln shape, ln scale) is summed over a grid that is laid anew for every case:
//! rows of equal steps in ln(shape) about the mode, in each row equal steps in ln(scale) about
//! the row's own mode, both as long as anything is left. For smooth functions that die out, equal
//! steps of half a standard deviation sum to about 1e-13 (the trapezoid rule converges faster
//! than any power); no sampling, and the same answer every time.

use super::estimate::Bounds;
use super::evidence::{Evidence, Slice};
use super::life::Life;
use super::prior::Prior;
use super::solve::root_beyond;
use super::special;
use super::weibull::Weibull;
use serde::Serialize;

/// Steps of the grid in standard deviations at the mode.
const STEP: f64 = 0.5;
/// Logarithm by which the density has fallen where the grid ends: e^-30.
const DEPTH: f64 = 30.0;
/// Rows to a side at most, and points to a side of a row.
const SIDE_MAX: usize = 150;

/// What is held after the lives.
#[derive(Debug, Clone)]
pub struct Posterior {
    mode: Weibull,
    /// By shape, in equal steps of its logarithm.
    rows: Vec<Row>,
    /// The step of ln(shape).
    step: f64,
}

/// One shape of the grid.
#[derive(Debug, Clone)]
struct Row {
    shape: f64,
    /// ln(scale) of the points, and their probabilities.
    points: Vec<(f64, f64)>,
}

/// A quantity after the lives.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Credible {
    /// As likely above as below.
    pub median: f64,
    /// Where it lies with the stated probability, the rest equally on both sides.
    pub bounds: Bounds,
}

/// A row's top: ln(scale), the height there, and the standard deviation that its bend tells.
#[derive(Clone, Copy)]
struct Top {
    ln_scale: f64,
    height: f64,
    sd: f64,
}

/// Prior and lives together, unnormalised.
struct Joint<'a> {
    evidence: Evidence,
    prior: &'a Prior,
}

impl Joint<'_> {
    /// The top of the row at ln(shape): the row is concave, so steps within the bracket that the
    /// slope's sign leaves find it.
    fn top(&self, slice: &Slice, start: f64) -> Top {
        let scale = &self.prior.scale;
        let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
        let mut at = start;
        let mut sd = scale.sd_ln;
        for _ in 0..100 {
            let local = slice.local(at);
            let slope = local.slope + scale.slope(at);
            let bend = local.bend - 1.0 / (scale.sd_ln * scale.sd_ln);
            sd = (-bend).sqrt().recip();
            if slope > 0.0 {
                low = at;
            } else {
                high = at;
            }
            // Leftwards the hazard grows by leaps: not too far at once.
            let step = (-slope / bend).max(-4.0 / slice.shape);
            let mut next = if step.is_finite() { at + step } else { at + 1.0 / slice.shape };
            if !(next >= low && next <= high) {
                next = (low + high) / 2.0;
            }
            let moved = (next - at).abs();
            at = next;
            if moved <= 1e-9 * sd {
                break;
            }
        }
        Top { ln_scale: at, height: slice.ln_likelihood(at) + scale.ln_density(at), sd }
    }

    /// The row at ln(shape) with its top, searched from the lives' own guess or the prior's.
    fn row(&self, ln_shape: f64) -> (Slice, Top) {
        let slice = self.evidence.slice(ln_shape.exp());
        let prior = self.prior.scale.median.ln();
        let top = self.top(&slice, slice.guess().unwrap_or(prior));
        (slice, Top { height: top.height + self.prior.shape.ln_density(ln_shape), ..top })
    }

    /// Slope of the rows' tops in ln(shape): at the row's top only the shape moves it.
    fn slope(&self, ln_shape: f64) -> f64 {
        let (slice, top) = self.row(ln_shape);
        slice.shape * slice.local(top.ln_scale).by_shape + self.prior.shape.slope(ln_shape)
    }

    /// The top of all rows.
    fn mode(&self) -> f64 {
        let (start, sd) = (self.prior.shape.median.ln(), self.prior.shape.sd_ln);
        let side = if self.slope(start) >= 0.0 { 1.0 } else { -1.0 };
        let found = root_beyond(|ln_shape| side * self.slope(ln_shape), start, side * sd / 2.0, 40.0, 1e-11);
        found.unwrap_or(start)
    }
}

impl Posterior {
    /// What is held after `lives` by one who held `prior` before.
    #[must_use]
    pub fn of(lives: &[Life], prior: &Prior) -> Self {
        let joint = Joint { evidence: Evidence::of(lives), prior };
        let mode = joint.mode();
        let little = 1e-3 * prior.shape.sd_ln;
        let bend = (joint.slope(mode + little) - joint.slope(mode - little)) / (2.0 * little);
        let sd = Some((-bend).sqrt().recip()).filter(|sd| sd.is_finite()).unwrap_or(prior.shape.sd_ln);
        let step = STEP * sd.min(prior.shape.sd_ln);

        let (slice, top) = joint.row(mode);
        let highest = top.height;
        let mut rows = vec![Row::of(&joint, &slice, top, highest)];
        for side in [-1.0, 1.0] {
            for k in 1..=SIDE_MAX {
                let (slice, top) = joint.row(mode + side * step * k as f64);
                if !(top.height >= highest - DEPTH) {
                    break;
                }
                rows.push(Row::of(&joint, &slice, top, highest));
            }
        }
        rows.sort_by(|a, b| a.shape.total_cmp(&b.shape));
        let total: f64 = rows.iter().map(Row::mass).sum();
        for (_, mass) in rows.iter_mut().flat_map(|row| &mut row.points) {
            *mass /= total;
        }
        let prior_mode = || Weibull::new(prior.shape.median, prior.scale.median);
        let mode = Weibull::new(slice.shape, top.ln_scale.exp()).or_else(prior_mode);
        // A prior's medians are positive and finite, so the last resort is never taken.
        let mode = mode.unwrap_or(Weibull::UNIT);
        Self { mode, rows, step }
    }

    /// The most probable member, in (ln shape, ln scale).
    #[must_use]
    pub fn mode(&self) -> Weibull {
        self.mode
    }

    /// Probability that a part of this kind that reached `age` fails within `ahead`, whatever
    /// the parameters: the mean over what is held of them.
    #[must_use]
    pub fn failure_ahead(&self, age: f64, ahead: f64) -> f64 {
        let rows = self.rows.iter().map(|row| {
            let ln_ahead = row.ln_ahead(age, ahead);
            row.points.iter().map(|(x, mass)| mass * failed(ln_ahead - row.shape * x)).sum::<f64>()
        });
        rows.sum::<f64>().clamp(0.0, 1.0)
    }

    /// The same with the bounds within which the unknown probability lies.
    #[must_use]
    pub fn failure_ahead_within(&self, age: f64, ahead: f64, level: f64) -> Credible {
        self.credible(level, |row| {
            let (shape, ln_ahead) = (row.shape, row.ln_ahead(age, ahead));
            Box::new(move |x| failed(ln_ahead - shape * x))
        })
    }

    /// The shape.
    #[must_use]
    pub fn shape(&self, level: f64) -> Credible {
        let tail = (1.0 - special::level(level)) / 2.0;
        let at = |p| self.shape_quantile(p);
        Credible { median: at(0.5), bounds: Bounds::both(at(tail), at(1.0 - tail)) }
    }

    /// The scale.
    #[must_use]
    pub fn scale(&self, level: f64) -> Credible {
        self.credible(level, |_| Box::new(f64::exp))
    }

    /// The median life.
    #[must_use]
    pub fn median_life(&self, level: f64) -> Credible {
        self.credible(level, |row| {
            let to_median = std::f64::consts::LN_2.ln() / row.shape;
            Box::new(move |x| (x + to_median).exp())
        })
    }

    /// Probability that the part wears: that the shape lies above 1.
    #[must_use]
    pub fn wears_out(&self) -> f64 {
        1.0 - self.shape_below(0.0)
    }

    /// Quantiles of a function of the parameters: points in order of their values, each counted
    /// as if its probability lay half below it and half above.
    fn credible<'a>(&'a self, level: f64, of: impl Fn(&'a Row) -> Box<dyn Fn(f64) -> f64 + 'a>) -> Credible {
        let mut values: Vec<(f64, f64)> = Vec::new();
        for row in &self.rows {
            let value = of(row);
            values.extend(row.points.iter().map(|&(x, mass)| (value(x), mass)));
        }
        values.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let tail = (1.0 - special::level(level)) / 2.0;
        let at = |p| weighted_quantile(&values, p);
        Credible { median: at(0.5), bounds: Bounds::both(at(tail), at(1.0 - tail)) }
    }

    /// Probability, at each row, that ln(shape) lies below it: the sum up to half its own mass,
    /// set right by the next term of the Euler-Maclaurin series; with its density.
    fn shape_nodes(&self) -> Vec<(f64, f64, f64)> {
        let masses: Vec<f64> = self.rows.iter().map(Row::mass).collect();
        let mass = |i: Option<usize>| i.and_then(|i| masses.get(i)).copied().unwrap_or(0.0);
        let mut below = 0.0;
        let nodes = self.rows.iter().enumerate().map(|(i, row)| {
            let own = mass(Some(i));
            let cdf = below + own / 2.0 - (mass(Some(i + 1)) - mass(i.checked_sub(1))) / 24.0;
            below += own;
            (row.shape.ln(), cdf.clamp(0.0, 1.0), own / self.step)
        });
        nodes.collect()
    }

    /// Probability that ln(shape) lies below `ln_shape`, by cubics between the rows.
    fn shape_below(&self, ln_shape: f64) -> f64 {
        let nodes = self.shape_nodes();
        let after = nodes.partition_point(|node| node.0 <= ln_shape);
        match (after.checked_sub(1).and_then(|at| nodes.get(at)), nodes.get(after)) {
            (Some(a), Some(b)) => cubic(*a, *b, ln_shape),
            (None, _) => 0.0,
            (_, None) => 1.0,
        }
    }

    fn shape_quantile(&self, p: f64) -> f64 {
        let nodes = self.shape_nodes();
        let after = nodes.partition_point(|node| node.1 < p).clamp(1, nodes.len().max(2) - 1);
        let found = match (nodes.get(after - 1), nodes.get(after)) {
            (Some(&a), Some(&b)) => {
                let found = super::solve::root(|x| cubic(a, b, x) - p, a.0, b.0, 1e-10);
                found.unwrap_or(if p < a.1 { a.0 } else { b.0 })
            }
            (only, _) => only.map_or(0.0, |only| only.0),
        };
        found.exp()
    }
}

impl Row {
    /// Points to both sides of the row's top as long as anything is left.
    fn of(joint: &Joint<'_>, slice: &Slice, top: Top, highest: f64) -> Self {
        let step = STEP * top.sd;
        let constant = top.height - slice.ln_likelihood(top.ln_scale) - joint.prior.scale.ln_density(top.ln_scale);
        let height = |x: f64| slice.ln_likelihood(x) + joint.prior.scale.ln_density(x) + constant;
        let mut points = vec![(top.ln_scale, (top.height - highest).exp() * step)];
        for side in [-1.0, 1.0] {
            for k in 1..=SIDE_MAX {
                let x = top.ln_scale + side * step * k as f64;
                let height = height(x);
                if !(height >= highest - DEPTH) {
                    break;
                }
                points.push((x, (height - highest).exp() * step));
            }
        }
        Self { shape: slice.shape, points }
    }

    fn mass(&self) -> f64 {
        self.points.iter().map(|(_, mass)| mass).sum()
    }

    /// ln((age + ahead)^shape - age^shape), without loss for short stretches.
    fn ln_ahead(&self, age: f64, ahead: f64) -> f64 {
        let (age, ahead) = (age.max(0.0), ahead.max(0.0));
        if age > 0.0 {
            self.shape * age.ln() + (self.shape * (ahead / age).ln_1p()).exp_m1().ln()
        } else {
            self.shape * ahead.ln()
        }
    }
}

/// Probability of failing under a hazard given by its logarithm.
fn failed(ln_hazard: f64) -> f64 {
    -(-ln_hazard.exp()).exp_m1()
}

/// The cubic through two values with given slopes.
fn cubic(a: (f64, f64, f64), b: (f64, f64, f64), x: f64) -> f64 {
    let width = b.0 - a.0;
    let t = (x - a.0) / width;
    let (t2, t3) = (t * t, t * t * t);
    let value = a.1 * (2.0 * t3 - 3.0 * t2 + 1.0) + b.1 * (3.0 * t2 - 2.0 * t3);
    (value + width * (a.2 * (t3 - 2.0 * t2 + t) + b.2 * (t3 - t2))).clamp(0.0, 1.0)
}

/// The value below which a part `p` of the weight lies, of values in order.
fn weighted_quantile(values: &[(f64, f64)], p: f64) -> f64 {
    let (mut below, mut last) = (0.0, None);
    for &(value, mass) in values {
        let centre = below + mass / 2.0;
        if centre >= p {
            return match last {
                Some((from, at)) => value + (from - value) * (centre - p) / (centre - at),
                None => value,
            };
        }
        (below, last) = (below + mass, Some((value, centre)));
    }
    last.map_or(0.0, |(value, _)| value)
}

#[cfg(test)]
mod tests;
