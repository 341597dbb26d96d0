//! How many times as often something happened as it was expected to, with exact bounds.

use super::estimate::Bounds;
use super::special::{binomial_bounds, chi_square_quantile, level};

/// Failures, and how many were expected.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Counted {
    /// Failures.
    pub failures: usize,
    /// Expected failures.
    pub expected: f64,
}

/// Failures of a control from which on its rate counts; below, the expectation itself does.
const CONTROL_ENOUGH: usize = 10;

/// The ratio of failures to their expectation, over the same of a control, with bounds. Given their
/// sum, failures of the two are binomial (Przyborowski and Wilenski 1940), and the bounds are
/// Clopper and Pearson's; without enough failures in the control they are F. Garwood's of a
/// Poisson count (Biometrika 28, 1936). None where nothing was expected.
#[must_use]
pub fn ratio(of: Counted, control: Counted, of_level: f64) -> Option<(f64, Bounds)> {
    let positive = |x: f64| x > 0.0 && x.is_finite();
    if !positive(of.expected) {
        return None;
    }
    let own = of.failures as f64 / of.expected;
    if control.failures < CONTROL_ENOUGH || !positive(control.expected) {
        let (lower, upper) = poisson_bounds(of.failures, of_level);
        return Some((own, Bounds::both(lower / of.expected, upper / of.expected)));
    }
    let odds = |p: f64| p / (1.0 - p) * control.expected / of.expected;
    let all = of.failures.saturating_add(control.failures);
    let (lower, upper) = binomial_bounds(of.failures, all, of_level);
    let value = own / (control.failures as f64 / control.expected);
    Some((value, Bounds { lower: odds(lower), upper: Some(odds(upper)).filter(|upper| upper.is_finite()) }))
}

/// Exact bounds of the mean of a Poisson count.
fn poisson_bounds(count: usize, of_level: f64) -> (f64, f64) {
    let tail = (1.0 - level(of_level)) / 2.0;
    let twice = 2.0 * count as f64;
    let lower = if count == 0 { 0.0 } else { chi_square_quantile(twice, tail) / 2.0 };
    (lower, chi_square_quantile(twice + 2.0, 1.0 - tail) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reliability::tests::published::near;

    fn counted(failures: usize, expected: f64) -> Counted {
        Counted { failures, expected }
    }

    /// Garwood's table, 95 % of ten: 4.795 to 18.39; of none: 3.689 (from memory; recomputed).
    #[test]
    fn counts_have_garwoods_bounds() {
        let (lower, upper) = poisson_bounds(10, 0.95);
        near(lower, 4.795_389, 1e-6);
        near(upper, 18.390_36, 1e-6);
        near(poisson_bounds(0, 0.95).1, 3.688_879, 1e-6);
    }

    /// The bounds are those of a binomial part, as odds: of 12 in 72 beside twice the expectation.
    #[test]
    fn a_control_takes_out_what_both_have() {
        let (value, bounds) = ratio(counted(12, 20.0), counted(60, 200.0), 0.9).unwrap();
        near(value, 2.0, 1e-12);
        let (lower, upper) = binomial_bounds(12, 72, 0.9);
        near(bounds.lower, 10.0 * lower / (1.0 - lower), 1e-12);
        near(bounds.upper.unwrap(), 10.0 * upper / (1.0 - upper), 1e-12);
        let (alone, alone_bounds) = ratio(counted(12, 6.0), counted(9, 9.0), 0.9).unwrap();
        assert!(alone == 2.0 && alone_bounds.contains(2.0));
        assert_eq!(ratio(counted(3, 0.0), counted(60, 200.0), 0.9), None);
        assert_eq!(ratio(counted(3, f64::NAN), counted(60, 200.0), 0.9), None);
    }
}
