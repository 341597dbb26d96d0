//! By how much conditions that hold or don't multiply the rate of an event: Poisson regression with
//! a normal prior about nothing, by Newton's method. The log-likelihood with such a prior has one
//! maximum.

use super::estimate::Bounds;
use super::special::two_sided_z;

/// Conditions at most: a bit each.
pub const CONDITIONS_MAX: usize = 16;
const STEPS: usize = 50;
/// Most that a coefficient moves in a step: the first ones may overshoot.
const STEP_MAX: f64 = 1.0;

/// Time in which the same conditions held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// Bit by bit, which conditions held.
    pub conditions: u16,
    /// Events expected in it where no condition matters.
    pub expected: f64,
    /// Events.
    pub events: f64,
}

/// What a condition multiplies the rate by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effect {
    /// Its logarithm.
    pub ln_ratio: f64,
    /// The standard error of that.
    pub se: f64,
}

impl Effect {
    /// The ratio with its bounds.
    #[must_use]
    pub fn ratio(&self, level: f64) -> (f64, Bounds) {
        let off = two_sided_z(level) * self.se;
        (self.ln_ratio.exp(), Bounds::both((self.ln_ratio - off).exp(), (self.ln_ratio + off).exp()))
    }
}

/// Whether a condition holds in a cell, as a number.
fn holds(cell: &Cell, condition: usize) -> f64 {
    f64::from(u8::from(cell.conditions >> condition & 1 == 1))
}

/// What the first `count` conditions multiply the rate by, one after the other; each logarithm is
/// held to be normal about nothing with `prior_sd`. None where the cells are no numbers.
#[must_use]
pub fn effects(cells: &[Cell], count: usize, prior_sd: f64) -> Option<Vec<Effect>> {
    let count = count.min(CONDITIONS_MAX);
    let sound = |cell: &&Cell| cell.expected > 0.0 && cell.expected.is_finite() && cell.events.is_finite();
    let cells: Vec<Cell> = cells.iter().filter(sound).copied().collect();
    let held = 1.0 / (prior_sd * prior_sd);
    let mut ln_ratios = vec![0.0; count];
    let mut curvature = Vec::new();
    for _ in 0..STEPS {
        let mut slope: Vec<f64> = ln_ratios.iter().map(|value| -held * value).collect();
        curvature = (0..count).map(|at| (0..count).map(|to| if at == to { held } else { 0.0 }).collect()).collect();
        for cell in &cells {
            let ln: f64 = ln_ratios.iter().enumerate().map(|(at, value)| value * holds(cell, at)).sum();
            add(&mut slope, &mut curvature, cell, cell.expected * ln.exp());
        }
        let step = solved(&curvature, &slope)?;
        ln_ratios.iter_mut().zip(&step).for_each(|(value, by)| *value += by.clamp(-STEP_MAX, STEP_MAX));
        if step.iter().all(|by| by.abs() < 1e-12) {
            break;
        }
    }
    let effect = |(at, ln_ratio): (usize, f64)| {
        let unit: Vec<f64> = (0..count).map(|to| if at == to { 1.0 } else { 0.0 }).collect();
        let se = solved(&curvature, &unit)?.get(at)?.sqrt();
        (ln_ratio.is_finite() && se.is_finite()).then_some(Effect { ln_ratio, se })
    };
    ln_ratios.into_iter().enumerate().map(effect).collect()
}

/// Adds a cell to the log-likelihood's slope and curvature.
fn add(slope: &mut [f64], curvature: &mut [Vec<f64>], cell: &Cell, expected: f64) {
    for (at, (slope, row)) in slope.iter_mut().zip(curvature).enumerate() {
        let own = holds(cell, at);
        *slope += own * (cell.events - expected);
        for (to, value) in row.iter_mut().enumerate() {
            *value += own * holds(cell, to) * expected;
        }
    }
}

/// Solves a symmetric positive definite system by elimination; no pivot is looked for.
fn solved(matrix: &[Vec<f64>], right: &[f64]) -> Option<Vec<f64>> {
    let with_right = |(row, value): (&Vec<f64>, &f64)| row.iter().copied().chain([*value]).collect::<Vec<f64>>();
    let mut rows: Vec<Vec<f64>> = matrix.iter().zip(right).map(with_right).collect();
    for column in 0..rows.len() {
        let pivot = rows.get(column)?.clone();
        let diagonal = *pivot.get(column)?;
        for (_, row) in rows.iter_mut().enumerate().filter(|(at, _)| *at != column) {
            let factor = row.get(column)? / diagonal;
            row.iter_mut().zip(&pivot).for_each(|(value, of)| *value -= factor * of);
        }
    }
    rows.iter().enumerate().map(|(at, row)| Some(row.last()? / row.get(at)?)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reliability::tests::published::near;
    use proptest::prelude::*;

    fn cell(conditions: u16, expected: f64, events: f64) -> Cell {
        Cell { conditions, expected, events }
    }

    /// One condition alone, hardly any prior: the ratio of the rates is the estimate and the error
    /// that of a log ratio of counts, where the rest fixes the base rate (derived).
    #[test]
    fn one_condition_is_a_ratio_of_rates() {
        let cells = [cell(0, 40.0, 40.0), cell(1, 10.0, 25.0)];
        let found = effects(&cells, 1, 1e3).unwrap()[0];
        near(found.ln_ratio, 2.5_f64.ln(), 1e-5);
        near(found.se, 1.0 / 25.0_f64.sqrt(), 1e-5);
        let (ratio, bounds) = found.ratio(0.9);
        assert!(ratio > 2.4 && bounds.lower > 1.5 && bounds.contains(2.5));
    }

    /// With conditions that occur crosswise, each keeps its own ratio: 2 and 3, together 6.
    #[test]
    fn conditions_are_told_apart() {
        let cells = [cell(0, 100.0, 100.0), cell(1, 50.0, 100.0), cell(2, 50.0, 150.0), cell(3, 20.0, 120.0)];
        let found = effects(&cells, 2, 1e3).unwrap();
        near(found[0].ln_ratio, 2.0_f64.ln(), 1e-4);
        near(found[1].ln_ratio, 3.0_f64.ln(), 1e-4);
        let little = effects(&[cell(1, 0.01, 1.0)], 1, 0.7).unwrap()[0];
        assert!(little.ratio(0.9).0 < 2.5, "one event tells little beside the prior: {little:?}");
    }

    proptest! {
        #[test]
        fn whatever_comes_effects_are_numbers(
            cells in prop::collection::vec((0_u16..16, prop_oneof![0.0..1e6_f64, any::<f64>()], 0.0..1e4_f64), 0..30),
        ) {
            let cells: Vec<Cell> = cells.into_iter().map(|(of, expected, events)| cell(of, expected, events)).collect();
            for effect in effects(&cells, 4, 0.7).into_iter().flatten() {
                prop_assert!(effect.ln_ratio.is_finite() && effect.se.is_finite(), "{effect:?}");
            }
        }
    }
}
