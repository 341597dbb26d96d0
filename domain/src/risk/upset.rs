//! Process upsets: the water going wrong, at a rate of each unit that is drawn towards the
//! dealer's own. As a rate it holds no memory: what was done about the last one is not known here.

use super::HORIZONS_DAYS;
use crate::reliability::gamma_rate::GammaRate;

/// What is held before a unit's own days count: that of one upset at the dealer's rate.
const PRIOR_UPSETS: f64 = 1.0;

/// Upsets of a unit and the days over which they were counted.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Counted {
    /// How many.
    pub upsets: u32,
    /// Over how many days.
    pub days: f64,
}

/// The risk of a process upset at a unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UpsetRisk {
    /// What it rests on beside the dealer's rate.
    pub counted: Counted,
    /// Probability of one at least, for each horizon.
    pub chances: [f64; HORIZONS_DAYS.len()],
}

/// The rate of a dealer's units: one upset in its mean time between upsets. None where the
/// dealer's history has no upset, for nothing then tells that upsets are written down.
#[must_use]
pub fn prior(units: impl IntoIterator<Item = Counted>) -> Option<GammaRate> {
    let (upsets, days) = units.into_iter().fold((0.0, 0.0), |(upsets, days), unit| {
        (upsets + f64::from(unit.upsets), days + if unit.days.is_finite() { unit.days.max(0.0) } else { 0.0 })
    });
    GammaRate::new(PRIOR_UPSETS, PRIOR_UPSETS * days / upsets)
}

/// The risk of a unit beside such a rate.
#[must_use]
pub fn risk(prior: GammaRate, counted: Counted) -> UpsetRisk {
    let held = prior.after(usize::try_from(counted.upsets).unwrap_or(usize::MAX), counted.days);
    UpsetRisk { counted, chances: HORIZONS_DAYS.map(|days| held.failure_within(f64::from(days))) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_unit_s_rate_is_drawn_towards_the_dealer_s() {
        let units = [(0, 1000.0), (3, 1000.0), (1, 400.0)].map(|(upsets, days)| Counted { upsets, days });
        let prior = prior(units).unwrap();
        assert_eq!((prior.failures(), prior.time()), (1.0, 600.0));
        let chances = units.map(|unit| risk(prior, unit).chances);
        assert!(chances[0][0] < chances[2][0] && chances[2][0] < chances[1][0], "{chances:?}");
        // Gamma(4, 1600): 1 - (1600 / 1630)^4.
        let expected = 1.0 - (1600.0_f64 / 1630.0).powi(4);
        assert!((chances[1][0] - expected).abs() < 1e-12 && chances[1][0] < chances[1][1]);
    }

    #[test]
    fn without_an_upset_nothing_is_told() {
        assert!(prior([Counted { upsets: 0, days: 900.0 }]).is_none());
        assert!(prior([Counted { upsets: 2, days: f64::NAN }]).is_none());
        assert!(prior([]).is_none());
    }
}
