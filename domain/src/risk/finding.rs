//! What a finding changes about a forecast: nothing, until enough failures followed findings of its
//! kind at the dealer's own units. Then a part's hazard is multiplied by how much more often such
//! parts failed after such findings than their forecasts had said, beside how they fared without.
//!
//! Counted are the weeks after the nights whose forecasts are kept: in each a part that was
//! forecast fails or doesn't, so that no failure counts twice.

use super::LEVEL;
use super::night::Chance;
use crate::condition::test::Kind;
use crate::reliability::estimate::Bounds;
use crate::reliability::ratio::{Counted, ratio};

/// Failures that must have followed before a factor is taken: ten tell a rate to about a third of
/// itself.
pub const FAILURES_ENOUGH: usize = 10;

/// How parts of a kind fared in the weeks after findings of a kind, and in others.
#[derive(Debug, Clone, PartialEq)]
pub struct Followed {
    /// The findings.
    pub finding: Kind,
    /// The parts.
    pub part_kind: String,
    /// Failures in weeks after nights on which such a finding was open at their unit, and how many
    /// their forecasts had said.
    pub with: Counted,
    /// The same of weeks without one.
    pub without: Counted,
}

/// By how much a finding multiplies a hazard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Factor {
    /// The kind of the finding.
    pub finding: Kind,
    /// The factor.
    pub value: f64,
    /// Its bounds.
    pub bounds: Bounds,
}

impl Followed {
    /// The factor; none before enough failures followed.
    #[must_use]
    pub fn factor(&self) -> Option<Factor> {
        let enough = self.with.failures >= FAILURES_ENOUGH;
        let (value, bounds) = enough.then(|| ratio(self.with, self.without, LEVEL))??;
        Some(Factor { finding: self.finding, value, bounds })
    }
}

impl Factor {
    /// The greatest factor of a unit's findings for parts of a kind: that findings add up is not
    /// taken for granted.
    #[must_use]
    pub fn greatest(followed: &[Followed], findings: &[Kind], part_kind: &str) -> Option<Self> {
        let of_part = followed.iter().filter(|one| one.part_kind == part_kind && findings.contains(&one.finding));
        of_part.filter_map(Followed::factor).max_by(|a, b| a.value.total_cmp(&b.value))
    }

    /// A chance with the hazard so many times as high; its bounds are as wide as both say.
    #[must_use]
    pub fn of(&self, chance: Chance) -> Chance {
        let bounds = Bounds {
            lower: raised(chance.bounds.lower, self.bounds.lower),
            upper: chance.bounds.upper.map(|upper| self.bounds.upper.map_or(1.0, |factor| raised(upper, factor))),
        };
        Chance { p: raised(chance.p, self.value), bounds }
    }
}

/// Probability of an event whose hazard is `factor` times that of one of probability `p`.
fn raised(p: f64, factor: f64) -> f64 {
    let raised = -(factor * (-p.clamp(0.0, 1.0)).ln_1p()).exp_m1();
    // A certain event stays certain whatever the factor, even zero.
    if raised.is_nan() { 1.0 } else { raised.clamp(0.0, 1.0) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn followed(failures: usize, expected: f64, others: (usize, f64)) -> Followed {
        Followed {
            finding: Kind::FallingFlow,
            part_kind: "transfer_pump".to_owned(),
            with: Counted { failures, expected },
            without: Counted { failures: others.0, expected: others.1 },
        }
    }

    #[test]
    fn a_factor_is_taken_once_enough_failures_followed() {
        assert_eq!(followed(9, 3.0, (40, 40.0)).factor(), None);
        let factor = followed(12, 4.0, (60, 40.0)).factor().unwrap();
        // Three times as many as forecast, where without a finding it was one and a half.
        assert!((factor.value - 2.0).abs() < 1e-12 && factor.bounds.contains(2.0), "{factor:?}");
        assert!(factor.bounds.lower > 1.0 && factor.bounds.upper.unwrap() < 4.0, "{factor:?}");
    }

    #[test]
    fn it_multiplies_the_hazard_and_only_of_parts_that_it_is_of() {
        let known = [followed(12, 4.0, (60, 40.0)), followed(12, 2.0, (60, 60.0))];
        let greatest = |findings: &[Kind], part| Factor::greatest(&known, findings, part);
        assert!((greatest(&[Kind::FallingFlow], "transfer_pump").unwrap().value - 6.0).abs() < 1e-12);
        assert_eq!(greatest(&[Kind::FallingFlow], "blower"), None);
        assert_eq!(greatest(&[Kind::EnergyAbove], "transfer_pump"), None);
        let bounds = Bounds::both(1.0, 4.0);
        let factor = Factor { finding: Kind::FallingFlow, value: 2.0, bounds };
        let raised = factor.of(Chance { p: 0.1, bounds: Bounds::both(0.05, 0.2) });
        assert!((raised.p - 0.19).abs() < 1e-12 && (raised.bounds.lower - 0.05).abs() < 1e-12);
        assert!((raised.bounds.upper.unwrap() - (1.0 - 0.8_f64.powi(4))).abs() < 1e-12);
        let tiny = factor.of(Chance { p: 1e-13, bounds: Bounds::both(0.0, 1.0) });
        assert!((tiny.p / 2e-13 - 1.0).abs() < 1e-9 && tiny.bounds.upper == Some(1.0));
    }
}
