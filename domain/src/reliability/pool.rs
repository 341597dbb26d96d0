//! Partial pooling: what the groups of a kind (by duty, by soil) tell about one another.
//!
//! Each group's ln(scale) and ln(shape), measured from its own prior's median in the prior's
//! standard deviations, is u ~ N(0, 1). Groups of a kind share a part of it: u = sqrt(rho) c +
//! sqrt(1 - rho) own, with the common c ~ N(0, 1), and rho unknown, every value from 0 to 1 as
//! likely. What the other groups say about c and rho moves a group's prior and narrows it; alone
//! it keeps it. The group's own lives come in once, with the posterior. Moved priors are normal
//! again, with the mean and variance of the mixture.

use super::evidence::{Evidence, Slice};
use super::life::Life;
use super::prior::{About, Prior};

/// Points of u, from -4 to 4.
const POINTS: usize = 81;
/// Points of the common c, from -4 to 4.
const COMMON: usize = 33;
/// Values of rho, the middles of equal parts.
const SHARES: usize = 10;
const REACH: f64 = 4.0;

/// A group's likelihood of u, up to a constant factor, at the points.
type Marginal = Vec<f64>;

/// The priors of groups of one kind, each moved by what the others say; in the groups' order.
#[must_use]
pub fn pool(groups: &[(&[Life], Prior)]) -> Vec<Prior> {
    let marginals: Vec<(Marginal, Marginal)> = groups.iter().map(|(lives, prior)| marginals(lives, prior)).collect();
    let scales = others(marginals.iter().map(|(_, scale)| scale));
    let shapes = others(marginals.iter().map(|(shape, _)| shape));
    let moved = groups.iter().zip(shapes).zip(scales);
    moved
        .map(|(((_, prior), shape), scale)| Prior { shape: shape.of(&prior.shape), scale: scale.of(&prior.scale) })
        .collect()
}

/// Mean and standard deviation of u.
struct Moved {
    mean: f64,
    sd: f64,
}

impl Moved {
    fn of(&self, about: &About) -> About {
        About { median: about.median * (self.mean * about.sd_ln).exp(), sd_ln: about.sd_ln * self.sd }
    }
}

/// A value of `count` equal steps from -REACH to REACH.
fn point(at: usize, count: usize) -> f64 {
    REACH * (2.0 * at as f64 / (count - 1) as f64 - 1.0)
}

/// The likelihood of the shape's u and of the scale's, the other one held as the prior has it.
fn marginals(lives: &[Life], prior: &Prior) -> (Marginal, Marginal) {
    let evidence = Evidence::of(lives);
    let ln = |about: &About, u: f64| about.median.ln() + u * about.sd_ln;
    // Every second point of the shape: a pass over the lives each.
    let shapes: Vec<f64> = (0..POINTS).step_by(2).map(|at| point(at, POINTS)).collect();
    let slices: Vec<Slice> = shapes.iter().map(|u| evidence.slice(ln(&prior.shape, *u).exp())).collect();
    let table: Vec<Vec<f64>> = slices
        .iter()
        .map(|slice| (0..POINTS).map(|at| slice.ln_likelihood(ln(&prior.scale, point(at, POINTS)))).collect())
        .collect();
    let highest = table.iter().flatten().copied().fold(f64::NEG_INFINITY, f64::max);
    let prior = |count: usize| -> Vec<f64> { (0..count).map(|at| (-point(at, count).powi(2) / 2.0).exp()).collect() };
    let (of_shape, of_scale) = (prior(shapes.len()), prior(POINTS));
    let (mut by_shape, mut by_scale) = (Vec::new(), vec![0.0; POINTS]);
    for (weight, row) in of_shape.iter().zip(&table) {
        let mut sum_of_row = 0.0;
        for ((sum, value), other) in by_scale.iter_mut().zip(row).zip(&of_scale) {
            let likelihood = (value - highest).exp();
            *sum += weight * likelihood;
            sum_of_row += other * likelihood;
        }
        by_shape.push(sum_of_row);
    }
    (by_shape, by_scale)
}

/// For each group what the others say of its u.
fn others<'a>(marginals: impl Iterator<Item = &'a Marginal>) -> Vec<Moved> {
    let marginals: Vec<&Marginal> = marginals.collect();
    let grid: Vec<(f64, f64)> = (0..SHARES)
        .flat_map(|share| (0..COMMON).map(move |at| ((share as f64 + 0.5) / SHARES as f64, point(at, COMMON))))
        .collect();
    let points = marginals.first().map_or(0, |marginal| marginal.len());
    let met: Vec<Vec<f64>> = grid.iter().map(|cell| meeting(points, *cell)).collect();
    let support = |marginal: &Marginal, weights: &Vec<f64>| -> f64 {
        let met: f64 = weights.iter().zip(marginal).map(|(weight, likelihood)| weight * likelihood).sum();
        // Where the lives lie beyond the points nothing is met: no cell is told from another.
        met.max(1e-280).ln()
    };
    let ln_support: Vec<Vec<f64>> =
        marginals.iter().map(|marginal| met.iter().map(|weights| support(marginal, weights)).collect()).collect();
    let mut total: Vec<f64> = grid.iter().map(|(_, c)| -c * c / 2.0).collect();
    for own in &ln_support {
        total.iter_mut().zip(own).for_each(|(sum, own)| *sum += own);
    }
    ln_support.iter().map(|own| Moved::of_grid(&grid, &total, own)).collect()
}

/// The weights of the points of u under a cell (rho, c): N(sqrt(rho) c, 1 - rho).
fn meeting(points: usize, (share, common): (f64, f64)) -> Vec<f64> {
    let (mean, variance) = (share.sqrt() * common, 1.0 - share);
    let weights = (0..points).map(|at| (-(point(at, points) - mean).powi(2) / (2.0 * variance)).exp());
    let weights: Vec<f64> = weights.collect();
    let all: f64 = weights.iter().sum();
    weights.into_iter().map(|weight| weight / all).collect()
}

impl Moved {
    /// Moments of u over the cells, with the group's own support taken out of the total.
    fn of_grid(grid: &[(f64, f64)], total: &[f64], own: &[f64]) -> Self {
        let ln_weight = || total.iter().zip(own).map(|(total, own)| total - own);
        let highest = ln_weight().fold(f64::NEG_INFINITY, f64::max);
        let (mut all, mut mean, mut square) = (0.0, 0.0, 0.0);
        for (ln_weight, (share, common)) in ln_weight().zip(grid) {
            let weight = (ln_weight - highest).exp();
            all += weight;
            mean += weight * share.sqrt() * common;
            square += weight * (share * common * common + 1.0 - share);
        }
        let (mean, square) = (mean / all, square / all);
        Self { mean, sd: (square - mean * mean).max(1e-4).sqrt() }
    }
}
