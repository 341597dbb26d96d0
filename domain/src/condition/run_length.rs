//! Average run lengths of charts of independent normal values with known mean and deviation, by
//! the Markov chain of D. Brook and D. A. Evans, "An approach to the probability distribution of
//! CUSUM run length", Biometrika 59 (1972), and of J. M. Lucas and M. S. Saccucci for the EWMA,
//! Technometrics 32 (1990). All start at the target and all shifts are in standard deviations.

use statrs::function::erf::erfc;
use std::f64::consts::SQRT_2;

/// States of the chain on each side: published run lengths are met within half a per cent.
const STATES: i32 = 50;
/// No limit is looked for beyond this many standard deviations.
const LIMIT_MAX: f64 = 40.0;
/// Run lengths that limits are made for.
const ARL_RANGE: (f64, f64) = (10.0, 1e6);

/// Probability that a standard normal value is below `z`.
fn below(z: f64) -> f64 {
    0.5 * erfc(-z / SQRT_2)
}

/// Mean number of points until a one-sided CUSUM with reference value `k` and decision interval
/// `h` signals after a shift; none where the figures make no chart.
#[must_use]
pub fn cusum_one_sided(k: f64, h: f64, shift: f64) -> Option<f64> {
    if !(k.is_finite() && shift.is_finite() && h > 0.0 && h <= LIMIT_MAX) {
        return None;
    }
    let states = 2 * STATES;
    let width = 2.0 * h / f64::from(2 * states - 1);
    // The state at zero, where the chart begins, comes last.
    let row = |from: i32| {
        let reach = move |to: f64| below((to - f64::from(from)) * width + k - shift);
        (0..states).rev().map(move |to| match to {
            0 => reach(0.5),
            _ => reach(f64::from(to) + 0.5) - reach(f64::from(to) - 0.5),
        })
    };
    last_of_chain((0..states).rev().map(|from| row(from).collect()).collect())
}

/// Mean number of points until a two-sided EWMA of weight `lambda` with limits at `width`
/// asymptotic standard deviations signals after a shift.
#[must_use]
pub fn ewma(lambda: f64, width: f64, shift: f64) -> Option<f64> {
    if !(lambda > 0.0 && lambda <= 1.0 && shift.is_finite() && width > 0.0 && width <= LIMIT_MAX) {
        return None;
    }
    let limit = width * (lambda / (2.0 - lambda)).sqrt();
    let cell = 2.0 * limit / f64::from(2 * STATES + 1);
    // The state at the target, where the chart begins, comes last.
    let order = || (-STATES..=STATES).filter(|state| *state != 0).chain([0]);
    let row = |from: i32| {
        let reach = move |to: f64| below((to - (1.0 - lambda) * f64::from(from)) * cell / lambda - shift);
        order().map(move |to| reach(f64::from(to) + 0.5) - reach(f64::from(to) - 0.5)).collect()
    };
    last_of_chain(order().map(row).collect())
}

/// The decision interval with which a one-sided CUSUM of reference value `k` runs `arl` points on
/// average until a false alarm; none for run lengths outside 10 to 1,000,000.
#[must_use]
pub fn cusum_limit(k: f64, arl: f64) -> Option<f64> {
    (k > 0.0).then(|| limit(arl, |h| cusum_one_sided(k, h, 0.0)))?
}

/// The limits, in asymptotic standard deviations, with which an EWMA of weight `lambda` runs `arl`
/// points on average until a false alarm; none for run lengths outside 10 to 1,000,000.
#[must_use]
pub fn ewma_limit(lambda: f64, arl: f64) -> Option<f64> {
    (lambda > 0.0 && lambda <= 1.0).then(|| limit(arl, |width| ewma(lambda, width, 0.0)))?
}

/// Halves an interval around the limit; run lengths rise with it.
fn limit(arl: f64, run_length: impl Fn(f64) -> Option<f64>) -> Option<f64> {
    if !(ARL_RANGE.0..=ARL_RANGE.1).contains(&arl) {
        return None;
    }
    let (mut low, mut high) = (0.0, LIMIT_MAX);
    for _ in 0..40 {
        let middle = f64::midpoint(low, high);
        // Where rounding leaves no probability of a signal the run is longer than any asked for.
        let run = run_length(middle).filter(|run| run.is_finite() && *run > 0.0);
        if run.unwrap_or(f64::INFINITY) < arl { low = middle } else { high = middle }
    }
    (high < LIMIT_MAX).then_some(high)
}

/// Mean steps until the chain leaves its states, from the last of them: eliminates all others
/// from (1 - Q) L = 1. The matrix has a dominant diagonal, so no pivot is looked for.
fn last_of_chain(transitions: Vec<Vec<f64>>) -> Option<f64> {
    let equation = |(place, row): (usize, Vec<f64>)| {
        let own = row.into_iter().enumerate().map(move |(at, p)| if at == place { 1.0 - p } else { -p });
        own.chain([1.0]).collect::<Vec<f64>>()
    };
    let mut rows: Vec<Vec<f64>> = transitions.into_iter().enumerate().map(equation).collect();
    let last = rows.len().checked_sub(1)?;
    for column in 0..last {
        let (done, rest) = rows.split_at_mut(column + 1);
        let pivot = done.last()?;
        let diagonal = *pivot.get(column)?;
        for row in rest {
            let factor = row.get(column)? / diagonal;
            row.iter_mut().zip(pivot).skip(column).for_each(|(value, of)| *value -= factor * of);
        }
    }
    let row = rows.last()?;
    let steps = row.last()? / row.get(last)?;
    steps.is_finite().then_some(steps)
}
