//! Levels of confidence, and how many standard uncertainties they take.

use crate::named::named;

named! {
    /// The part of all cases that an interval of value and expanded uncertainty takes in.
    Level as "level" {
        /// 90 %.
        P90 = "90",
        /// 95 %.
        P95 = "95",
        /// 95.45 %, where the factor of a normal distribution is 2: the level printed.
        P9545 = "95.45",
        /// 99 %.
        P99 = "99",
    }
}

/// Above so many degrees of freedom the factor is that of a normal distribution; it is off by
/// less than 0.002 there.
const DOF_MAX: u32 = 1000;

impl Level {
    /// The level, 0 to 1.
    #[must_use]
    pub fn probability(self) -> f64 {
        match self {
            Self::P90 => 0.90,
            Self::P95 => 0.95,
            Self::P9545 => 0.9545,
            Self::P99 => 0.99,
        }
    }

    /// The factor of a normal distribution (GUM table G.1).
    #[must_use]
    pub fn normal_factor(self) -> f64 {
        match self {
            Self::P90 => 1.645,
            Self::P95 => 1.960,
            Self::P9545 => 2.0,
            Self::P99 => 2.576,
        }
    }

    /// The factor of the t-distribution (GUM table G.2); of a normal one where the degrees of
    /// freedom are not given.
    #[must_use]
    pub fn factor(self, dof: Option<u32>) -> f64 {
        match dof {
            Some(dof) if dof <= DOF_MAX => t_factor(self.probability(), dof.max(1)),
            _ => self.normal_factor(),
        }
    }
}

/// The t that takes in `probability` on both sides. With `t = sqrt(dof) tan(a)` the probability
/// rises with the angle a from 0 to 1 over a quarter turn, so that halving the interval finds
/// it; 60 halvings leave less than 1e-17 of it.
fn t_factor(probability: f64, dof: u32) -> f64 {
    let (mut low, mut high) = (0.0, std::f64::consts::FRAC_PI_2);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if taken_in(middle, dof) < probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::from(dof).sqrt() * low.tan()
}

/// The probability between -t and t at the angle `a` of `t = sqrt(dof) tan(a)`: the finite sums
/// of Abramowitz and Stegun, 26.7.3 and 26.7.4 (numbers from memory; checked by table G.2).
fn taken_in(a: f64, dof: u32) -> f64 {
    let (sin, cos) = a.sin_cos();
    let odd = dof % 2 == 1;
    let (mut term, mut sum) = if odd { (cos, 0.0) } else { (1.0, 0.0) };
    let mut n = if odd { 1.0 } else { 0.0 };
    // Terms up to cos^(dof - 2); each is the one before times cos^2 (n + 1) / (n + 2).
    while n <= f64::from(dof) - 2.0 {
        sum += term;
        term *= cos * cos * (n + 1.0) / (n + 2.0);
        n += 2.0;
    }
    if odd { std::f64::consts::FRAC_2_PI * (a + sin * sum) } else { sin * sum }
}

/// Welch and Satterthwaite: the effective degrees of freedom of a sum of independent
/// contributions, each given with its own; `None` where no contribution has any given, and
/// all are taken as exactly known (GUM G.4.1, G.2b). Not rounded: contributions that are
/// rounded first give a wrong result.
#[must_use]
pub fn effective_dof(contributions: &[(f64, Option<f64>)]) -> Option<f64> {
    let variance: f64 = contributions.iter().map(|(u, _)| u * u).sum();
    let fourths = contributions.iter().filter_map(|(u, dof)| dof.map(|dof| u.powi(4) / dof));
    let below: f64 = fourths.sum();
    (below > 0.0).then(|| variance * variance / below)
}

/// The next lower whole number, and at least one (GUM G.6.4).
#[must_use]
pub fn truncated(dof: f64) -> u32 {
    // A sum of one contribution may come to a hair less than its own whole number.
    let whole = (dof + 1e-9).floor().clamp(1.0, f64::from(u32::MAX));
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "whole and within u32 by the clamp")]
    {
        whole as u32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// GUM table G.2 (from memory); t99(16) = 2.92 is that of GUM H.1.6.
    #[test]
    fn factors_are_those_of_the_table() {
        for (level, dof, want) in [
            (Level::P95, 1, 12.71),
            (Level::P9545, 1, 13.97),
            (Level::P99, 1, 63.66),
            (Level::P90, 2, 2.92),
            (Level::P95, 5, 2.57),
            (Level::P9545, 5, 2.65),
            (Level::P95, 10, 2.23),
            (Level::P99, 16, 2.92),
            (Level::P9545, 20, 2.13),
            (Level::P9545, 50, 2.05),
            (Level::P95, 100, 1.984),
        ] {
            let factor = level.factor(Some(dof));
            assert!((factor - want).abs() < 0.0051, "{level:?} {dof}: {factor}");
        }
    }

    #[test]
    fn many_degrees_of_freedom_come_to_a_normal_distribution() {
        for &level in Level::ALL {
            assert_eq!(level.factor(None), level.normal_factor());
            let last = level.factor(Some(DOF_MAX));
            assert!(last > level.normal_factor() - 5e-4 && last < level.normal_factor() + 0.006, "{level:?} {last}");
        }
    }

    /// GUM G.2b: of one contribution with 4 degrees of freedom, 4.
    #[test]
    fn one_contribution_keeps_its_degrees_of_freedom() {
        let dof = effective_dof(&[(3.3, Some(4.0))]).unwrap();
        assert!((dof - 4.0).abs() < 1e-12);
        assert_eq!(truncated(dof), 4);
        assert_eq!(effective_dof(&[(3.3, None)]), None);
        assert_eq!(effective_dof(&[]), None);
        assert_eq!((truncated(25.4472), truncated(0.3)), (25, 1));
    }
}
