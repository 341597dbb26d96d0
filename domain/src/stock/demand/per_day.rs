//! A declared daily use that follows the temperature of the water.
//!
//! ```text
//! use at T = use at 20 °C x theta ^ (T - 20)
//! ```
//!
//! The form is the usual one of biological treatment (from memory); theta is declared with the
//! item, 1 for what does not care. Once an item has a past, that tells its level, and the
//! declaration how it follows the water's temperature ([`super::Demand::at_level`]).

use super::{Demand, DemandModel};
use crate::fault::Faults;
use serde::{Deserialize, Serialize};

/// How sure a use is that nobody has checked by dips, as a share of it (common practice, no source).
pub const DOSE_SD_SHARE: f64 = 0.25;

/// The declared use.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PerDay {
    /// In a running day with water of 20 °C, in the item's unit.
    pub at_20_c: f64,
    /// Factor for each degree more.
    pub theta: f64,
    /// Temperature of the water in each calendar month, January first, in °C.
    pub water_c: [f64; 12],
    /// How sure the declaration is: standard deviation as a share of the use.
    pub sd_share: f64,
}

impl PerDay {
    /// The declaration.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/at_20_c", self.at_20_c, 0.0, 1e6);
        faults.range("/theta", self.theta, 0.9, 1.2);
        for (month0, water_c) in self.water_c.iter().enumerate() {
            faults.range(&format!("/water_c/{month0}"), *water_c, 0.0, 60.0);
        }
        faults.range("/sd_share", self.sd_share, 0.0, 1.0);
        faults.or(self)
    }

    /// Use in each month over that at 20 °C, January first.
    #[must_use]
    pub fn shape(&self) -> [f64; 12] {
        self.water_c.map(|water_c| self.theta.powf(water_c - 20.0))
    }

    /// The same for so many units.
    #[must_use]
    pub fn of_units(self, units: u32) -> Self {
        Self { at_20_c: self.at_20_c * f64::from(units), ..self }
    }

    /// The demand it makes.
    #[must_use]
    pub fn demand(&self) -> Demand {
        Demand {
            model: DemandModel::PerDay,
            per_day: self.shape().map(|share| self.at_20_c * share),
            day_variance: 0.0,
            rate_sd_share: self.sd_share,
            months: 0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::demand::published::near;
    use serde_json::json;

    const NUTRIENT: PerDay = PerDay { at_20_c: 0.5, theta: 1.047, water_c: [10.0; 12], sd_share: 0.1 };

    #[test]
    fn it_follows_the_temperature() {
        let day = "2026-01-01".parse().unwrap();
        near(NUTRIENT.demand().on(day), 0.5 / 1.047_f64.powi(10), 1e-12);
        let whole = NUTRIENT.demand().over(day, 30, &[]);
        near(whole.sd(), 0.1 * whole.mean, 1e-12);
        assert_eq!(PerDay { theta: 1.0, ..NUTRIENT }.demand().on(day), 0.5);
        near(NUTRIENT.of_units(3).demand().on(day), 3.0 * NUTRIENT.demand().on(day), 1e-12);
    }

    #[test]
    fn every_fault_is_named_and_the_record_is_plain_json() {
        let wrong = PerDay { at_20_c: -1.0, theta: 1047.0, water_c: [99.0; 12], sd_share: 10.0 };
        assert_eq!(wrong.checked().unwrap_err().0.len(), 15);
        let json = json!({"at_20_c": 0.5, "theta": 1.047, "water_c": NUTRIENT.water_c, "sd_share": 0.1});
        assert_eq!(serde_json::to_value(NUTRIENT).unwrap(), json);
        assert_eq!(serde_json::from_value::<PerDay>(json).unwrap(), NUTRIENT);
    }
}
