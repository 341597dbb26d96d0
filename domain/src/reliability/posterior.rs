//! The Weibull by Bayes: prior and lives to what is held after, by quadrature.
//!
//! The posterior in (ln shape, ln scale) is summed over a grid that is laid anew for every case:
//! rows of equal steps in ln(shape) about the mode, in each row equal steps in ln(scale) about
//! the row's own mode, both as long as anything is left. For smooth functions that die out, equal
//! steps of less than half a standard deviation sum far beyond what is printed (the trapezoid rule
//! converges faster than any power); no sampling, and the same answer every time.

use super::estimate::Bounds;
use super::even::Even;
use super::evidence::{Evidence, Slice};
use super::life::Life;
use super::prior::Prior;
use super::solve::{root, root_beyond};
use super::special;
use super::weibull::Weibull;
use serde::Serialize;
use std::f64::consts::LN_2;

/// Steps of the grid in standard deviations at the mode.
const STEP: f64 = 0.4;
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
    /// The rows' masses over ln(shape).
    shapes: Even,
}

/// One shape of the grid.
#[derive(Debug, Clone)]
struct Row {
    shape: f64,
    /// Over ln(scale).
    scales: Even,
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
                let worth_it = top.height >= highest - DEPTH;
                if !worth_it {
                    break;
                }
                rows.push(Row::of(&joint, &slice, top, highest));
            }
        }
        rows.sort_by(|a, b| a.shape.total_cmp(&b.shape));
        let prior_mode = || Weibull::new(prior.shape.median, prior.scale.median);
        let peak = Weibull::new(slice.shape, top.ln_scale.exp()).or_else(prior_mode);
        // A prior's medians are positive and finite, so the last resort is never taken.
        let peak = peak.unwrap_or(Weibull::UNIT);
        let total: f64 = rows.iter().map(|row| row.scales.total()).sum();
        if total > 0.0 && total.is_finite() {
            rows.iter_mut().for_each(|row| row.scales.divide(total));
        } else {
            // Lives so far apart that no number holds how probable any member is: the top stands for all.
            rows = vec![Row { shape: peak.shape(), scales: Even::new(peak.scale().ln(), step, vec![1.0]) }];
        }
        let first = rows.first().map_or(mode, |row| row.shape.ln());
        let shapes = Even::new(first, step, rows.iter().map(|row| row.scales.total()).collect());
        Self { mode: peak, rows, shapes }
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
        let rows = self.rows.iter();
        let rows = rows.map(|row| row.scales.mean_of_exp(row.ln_ahead(age, ahead), -row.shape, failed));
        rows.sum::<f64>().clamp(0.0, 1.0)
    }

    /// The same with the bounds within which the unknown probability lies.
    #[must_use]
    pub fn failure_ahead_within(&self, age: f64, ahead: f64, level: f64) -> Credible {
        // ln(hazard ahead) = ln_ahead - shape x, which falls with the scale.
        let lines: Vec<Line> =
            self.rows.iter().map(|row| Line { at: row.ln_ahead(age, ahead), slope: -row.shape }).collect();
        self.credible(&lines, level, |ln_hazard| failed(ln_hazard.exp()))
    }

    /// The shape.
    #[must_use]
    pub fn shape(&self, level: f64) -> Credible {
        let (first, last) = self.shapes.span();
        Credible::of(level, |p| root(|x| self.shapes.below(x) - p, first, last, 1e-10).unwrap_or(first).exp())
    }

    /// The scale.
    #[must_use]
    pub fn scale(&self, level: f64) -> Credible {
        let lines: Vec<Line> = self.rows.iter().map(|_| Line { at: 0.0, slope: 1.0 }).collect();
        self.credible(&lines, level, f64::exp)
    }

    /// The median life.
    #[must_use]
    pub fn median_life(&self, level: f64) -> Credible {
        let lines: Vec<Line> = self.rows.iter().map(|row| Line { at: LN_2.ln() / row.shape, slope: 1.0 }).collect();
        self.credible(&lines, level, f64::exp)
    }

    /// Probability that the part wears: that the shape lies above 1.
    #[must_use]
    pub fn wears_out(&self) -> f64 {
        (1.0 - self.shapes.below(0.0)).clamp(0.0, 1.0)
    }

    /// Quantiles of a quantity that is, in every row, a line in ln(scale): the probability below
    /// a value is summed over the rows. `shown` is the quantity as it is shown, a rising function.
    fn credible(&self, lines: &[Line], level: f64, shown: fn(f64) -> f64) -> Credible {
        let ends = self.rows.iter().zip(lines).flat_map(|(row, line)| {
            let (first, last) = row.scales.span();
            [line.value(first), line.value(last)]
        });
        let ends = ends.filter(|end| end.is_finite());
        let (low, high) =
            ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), end| (low.min(end), high.max(end)));
        let below = |value: f64| -> f64 {
            let rows = self.rows.iter().zip(lines).map(|(row, line)| {
                let passed = row.scales.below((value - line.at) / line.slope);
                if line.slope > 0.0 { passed } else { row.scales.total() - passed }
            });
            rows.sum()
        };
        // Without a finite value anywhere the quantity is the same in every row.
        let none = || lines.first().map_or(0.0, |line| line.at);
        Credible::of(level, |p| shown(root(|value| below(value) - p, low, high, 1e-9).unwrap_or_else(none)))
    }
}

impl Credible {
    fn of(level: f64, quantile: impl Fn(f64) -> f64) -> Self {
        let tail = (1.0 - special::level(level)) / 2.0;
        Self { median: quantile(0.5), bounds: Bounds::both(quantile(tail), quantile(1.0 - tail)) }
    }
}

/// A quantity as a line in ln(scale).
struct Line {
    at: f64,
    slope: f64,
}

impl Line {
    fn value(&self, ln_scale: f64) -> f64 {
        self.at + self.slope * ln_scale
    }
}

impl Row {
    /// Points on both sides of the row's top as long as anything is left.
    fn of(joint: &Joint<'_>, slice: &Slice, top: Top, highest: f64) -> Self {
        let step = STEP * top.sd;
        let constant = top.height - slice.ln_likelihood(top.ln_scale) - joint.prior.scale.ln_density(top.ln_scale);
        let mass = |k: f64| {
            let x = top.ln_scale + step * k;
            let height = slice.ln_likelihood(x) + joint.prior.scale.ln_density(x) + constant;
            (height >= highest - DEPTH).then(|| (height - highest).exp() * step)
        };
        let mut masses: Vec<f64> = (1..=SIDE_MAX).map_while(|k| mass(-(k as f64))).collect();
        let first = top.ln_scale - step * masses.len() as f64;
        masses.reverse();
        masses.extend((0..=SIDE_MAX).map_while(|k| mass(k as f64)));
        Self { shape: slice.shape, scales: Even::new(first, step, masses) }
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

/// Probability of failing under a hazard: 1 - exp(-hazard), a short series where that is exact.
fn failed(hazard: f64) -> f64 {
    if hazard < 1e-3 {
        hazard * (1.0 - hazard / 2.0 * (1.0 - hazard / 3.0 * (1.0 - hazard / 4.0)))
    } else {
        -(-hazard).exp_m1()
    }
}
