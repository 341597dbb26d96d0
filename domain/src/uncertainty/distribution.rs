//! What is known of an error, as a standard uncertainty (GUM 4.3).

use serde::{Deserialize, Serialize};

/// How an error is distributed, in the unit of the quantity or as a part of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "distribution", rename_all = "snake_case")]
pub enum Distribution {
    /// Anywhere within the bounds, all alike: `a / sqrt(3)` (GUM 4.3.7).
    Rectangular {
        /// Half of the distance between the bounds.
        half_width: f64,
    },
    /// The same with bounds that do not lie evenly about the value: their distance over
    /// `sqrt(12)` (GUM 4.3.8).
    Between {
        /// The lower bound, negative below the value.
        low: f64,
        /// The upper bound.
        high: f64,
    },
    /// Within the bounds, the middle likeliest: `a / sqrt(6)` (GUM 4.3.9).
    Triangular {
        /// Half of the distance between the bounds.
        half_width: f64,
    },
    /// Swinging between the bounds, most time spent near them: `a / sqrt(2)` (GUM H.1.3.4).
    Arcsine {
        /// Half of the distance between the bounds.
        half_width: f64,
    },
    /// Normal, as a certificate states it: `U / k` (GUM 4.3.3). Where it states a level of
    /// confidence instead of k, [`Level::normal_factor`](super::coverage::Level::normal_factor)
    /// gives it (GUM 4.3.4).
    Normal {
        /// The expanded uncertainty.
        expanded: f64,
        /// Its coverage factor.
        k: f64,
    },
}

impl Distribution {
    /// The standard uncertainty.
    #[must_use]
    pub fn standard(self) -> f64 {
        match self {
            Self::Rectangular { half_width } => half_width.abs() / 3_f64.sqrt(),
            Self::Between { low, high } => (high - low).abs() / 12_f64.sqrt(),
            Self::Triangular { half_width } => half_width.abs() / 6_f64.sqrt(),
            Self::Arcsine { half_width } => half_width.abs() / 2_f64.sqrt(),
            Self::Normal { expanded, k } => expanded.abs() / k,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::coverage::Level;

    /// EURACHEM/CITAC QUAM:2012, example A2: a balance's linearity of 0.15 mg counted twice gives
    /// 0.1225 mg; a piston burette with 0.03 mL triangular and 0.006 mL of temperature 0.01364 mL.
    #[test]
    fn bounds_become_standard_uncertainties() {
        let balance = Distribution::Rectangular { half_width: 0.15 }.standard() * 2_f64.sqrt();
        assert!((balance - 0.1225).abs() < 5e-5);
        let burette = Distribution::Triangular { half_width: 0.03 }.standard().hypot(0.006);
        assert!((burette - 0.01364).abs() < 5e-5, "{burette}");
        assert_eq!(Distribution::Between { low: -0.3, high: 0.3 }.standard(), 0.6 / 12_f64.sqrt());
    }

    /// GUM H.1.3.4 (from memory): a temperature that swings by 0.5 degrees has 0.35. GUM 4.3.3:
    /// 240 micrograms at k = 3 are 80. GUM 4.3.4: 129 micro-ohms at 99 % are 50 (from memory).
    #[test]
    fn swings_and_certificates_become_standard_uncertainties() {
        assert!((Distribution::Arcsine { half_width: 0.5 }.standard() - 0.35).abs() < 0.005);
        assert_eq!(Distribution::Normal { expanded: 240.0, k: 3.0 }.standard(), 80.0);
        let at_99 = Distribution::Normal { expanded: 129.0, k: Level::P99.normal_factor() };
        assert!((at_99.standard() - 50.0).abs() < 0.1);
    }
}
