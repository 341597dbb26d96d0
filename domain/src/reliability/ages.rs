//! The sums of powers of ages that every Weibull likelihood is made of.

use super::life::{End, Life};

/// Ages as logarithms over a unit, so that no power overflows: every life's stretch under watch
/// in good order.
pub(super) struct Ages {
    /// Of lives watched from the beginning.
    pub(super) whole: Vec<f64>,
    /// Of lives watched later, with ln(age/entry).
    pub(super) late: Vec<(f64, f64)>,
    pub(super) ln_unit: f64,
    /// Failures at known ages.
    pub(super) failures: f64,
    /// Mean of the logarithms of their ages over the unit.
    pub(super) mean_failed: f64,
    /// Their mean squared deviation.
    pub(super) variance_failed: f64,
}

/// S0 and the logarithmic derivatives of it: the cumulants of ln(age) weighted by age^shape.
#[derive(Clone, Copy)]
pub(super) struct Cumulants {
    pub(super) s0: f64,
    pub(super) k1: f64,
    pub(super) k2: f64,
    pub(super) k3: f64,
}

impl Cumulants {
    /// The same at a shape that lies `step` further.
    pub(super) fn carried(self, step: f64) -> Self {
        let ln_ratio = step * (self.k1 + step * (self.k2 / 2.0 + step * self.k3 / 6.0));
        Self {
            s0: self.s0 * ln_ratio.exp(),
            k1: self.k1 + step * (self.k2 + step * self.k3 / 2.0),
            k2: self.k2 + step * self.k3,
            k3: self.k3,
        }
    }
}

impl Ages {
    /// The ages of lives over a unit: at best the greatest of them.
    pub(super) fn of(lives: &[Life], unit: f64) -> Self {
        let ln_unit = unit.ln();
        let (mut whole, mut late) = (Vec::with_capacity(lives.len()), Vec::new());
        let (mut failures, mut sum, mut squares) = (0_usize, 0.0, 0.0);
        for life in lives {
            let (entry, good) = (life.entry(), life.last_good());
            let ln_age = good.ln() - ln_unit;
            if life.end() == End::Failed {
                failures += 1;
                sum += ln_age;
                squares += ln_age * ln_age;
            }
            // An interval from the very entry was never seen in good order under watch.
            if entry > 0.0 && good > entry {
                late.push((ln_age, -((entry - good) / good).ln_1p()));
            } else if entry == 0.0 && good > 0.0 {
                whole.push(ln_age);
            }
        }
        let failures = failures as f64;
        let mean_failed = sum / failures.max(1.0);
        let variance_failed = squares / failures.max(1.0) - mean_failed * mean_failed;
        Self { whole, late, ln_unit, failures, mean_failed, variance_failed }
    }

    /// The sums at a shape, over every `stride`-th life.
    pub(super) fn cumulants(&self, shape: f64, stride: usize) -> Cumulants {
        let mut s = [0.0; 4];
        for &l in self.whole.iter().step_by(stride) {
            let p = (shape * l).exp();
            s[0] += p;
            s[1] += p * l;
            s[2] += p * l * l;
            s[3] += p * l * l * l;
        }
        for &(l, d) in self.late.iter().step_by(stride) {
            let p = (shape * l).exp();
            // What is left of the power at the age once that at the entry is taken off, with
            // w = (entry/age)^shape: no difference of near numbers is formed.
            let left = -(-shape * d).exp_m1();
            let w = 1.0 - left;
            s[0] += p * left;
            s[1] += p * (left * l + w * d);
            s[2] += p * (left * l * l + w * d * (2.0 * l - d));
            s[3] += p * (left * l * l * l + w * d * (3.0 * l * l - 3.0 * l * d + d * d));
        }
        let [s0, s1, s2, s3] = s;
        let (m1, m2, m3) = (s1 / s0, s2 / s0, s3 / s0);
        Cumulants { s0, k1: m1, k2: m2 - m1 * m1, k3: m3 - 3.0 * m1 * m2 + 2.0 * m1 * m1 * m1 }
    }
}
