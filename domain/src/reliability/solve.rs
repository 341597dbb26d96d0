//! A root between two ends, and the end where there is one.

/// Most evaluations of one search.
const STEPS_MAX: usize = 100;

/// The root of `f` between `a` and `b`, where its signs differ, to `tolerance` of its argument;
/// `None` when they do not differ or `f` is no number there.
///
/// Chandrupatla (1997), Advances in Engineering Software 28: inverse quadratic steps where they
/// can be trusted, halves elsewhere. The bracket always holds the root.
pub(super) fn root(mut f: impl FnMut(f64) -> f64, a: f64, b: f64, tolerance: f64) -> Option<f64> {
    let (mut a, mut b) = (a, b);
    let (mut fa, mut fb) = (f(a), f(b));
    if fa == 0.0 {
        return Some(a);
    }
    if fb == 0.0 {
        return Some(b);
    }
    if fa.is_nan() || fb.is_nan() || (fa > 0.0) == (fb > 0.0) {
        return None;
    }
    let mut part = 0.5;
    for _ in 0..STEPS_MAX {
        let x = a + part * (b - a);
        let fx = f(x);
        let (c, fc);
        if (fx > 0.0) == (fa > 0.0) {
            (c, fc) = (a, fa);
        } else {
            (c, fc) = (b, fb);
            (b, fb) = (a, fa);
        }
        (a, fa) = (x, fx);
        let (best, f_best) = if fa.abs() < fb.abs() { (a, fa) } else { (b, fb) };
        let least = (tolerance + 2.0 * f64::EPSILON * best.abs()) / (b - a).abs();
        if f_best == 0.0 || least > 0.5 {
            return Some(best);
        }
        let (xi, phi) = ((a - b) / (c - b), (fa - fb) / (fc - fb));
        let trusted = phi * phi < xi && (1.0 - phi) * (1.0 - phi) < 1.0 - xi;
        let inverse = || fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb);
        let wished = if trusted { inverse() } else { 0.5 };
        part = if wished.is_finite() { wished.clamp(least.min(0.5), 1.0 - least.min(0.5)) } else { 0.5 };
    }
    Some(a)
}

/// The root of `f` beyond `from`, where `f` is positive, in steps that double from `step` and
/// reach at most `farthest`; `None` when it stays positive that far.
pub(super) fn root_beyond(
    mut f: impl FnMut(f64) -> f64,
    from: f64,
    step: f64,
    farthest: f64,
    tolerance: f64,
) -> Option<f64> {
    let (mut inside, mut reach) = (from, step);
    loop {
        let outside = if reach.abs() >= farthest { from + farthest.copysign(step) } else { from + reach };
        let value = f(outside);
        if value <= 0.0 {
            return root(f, inside, outside, tolerance);
        }
        if reach.abs() >= farthest || value.is_nan() {
            return None;
        }
        inside = outside;
        reach *= 2.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roots_are_found_where_signs_differ() {
        let found = root(|x| x.powi(3) - 2.0 * x - 5.0, 2.0, 3.0, 1e-14).unwrap();
        // Wallis's cubic; the root from memory, checked by its value.
        assert!((found - 2.094_551_481_542_326_5).abs() < 1e-13, "{found}");
        assert_eq!(root(|x| x * x + 1.0, -1.0, 1.0, 1e-9), None);
        assert_eq!(root(|_| f64::NAN, -1.0, 1.0, 1e-9), None);
        let flat = root(|x| (x - 1.0).powi(9), 0.0, 3.0, 1e-12).unwrap();
        assert!((flat - 1.0).abs() < 1e-2, "{flat}");
    }

    #[test]
    fn a_root_beyond_is_reached_or_said_to_be_none() {
        let found = root_beyond(|x| 40.0 - x * x, 0.0, 0.5, 100.0, 1e-12).unwrap();
        assert!((found - 40.0_f64.sqrt()).abs() < 1e-10);
        let back = root_beyond(|x| 9.0 - x * x, 0.0, -0.5, 100.0, 1e-12).unwrap();
        assert!((back + 3.0).abs() < 1e-10);
        assert_eq!(root_beyond(|x| (-x).exp(), 0.0, 1.0, 50.0, 1e-12), None);
    }
}
