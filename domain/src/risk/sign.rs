//! What goes before process upsets, as far as notes and findings carry it. A missed dose shows as a
//! dosing pump that gives less than its setting says: its draw-down test tells, not a note of what was
//! not done.

use crate::fault::Faults;
use crate::named::named;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

named! {
    /// A sign that an upset may follow.
    Sign as "sign" {
        /// A sample with little dissolved oxygen.
        OxygenLow = "oxygen_low",
        /// The oxidation-reduction potential fell from one sample to the next.
        OrpFalling = "orp_falling",
        /// A sample with deep sludge.
        SludgeDeep = "sludge_deep",
        /// A temperature at which the biology hardly works.
        TooCold = "too_cold",
        /// A temperature that the biology doesn't bear.
        TooHot = "too_hot",
        /// Free chlorine or dissolved ozone in a sample of the biology.
        DisinfectantInBiology = "disinfectant_in_biology",
        /// The last clean-out is long ago.
        CleanOutLate = "clean_out_late",
        /// The site washes with something new, or with something untested or not accepted.
        NewChemical = "new_chemical",
        /// It stood still.
        Idle = "idle",
        /// A dosing pump was found to give less than its setting says.
        DoseMissed = "dose_missed",
    }
}

impl Sign {
    /// It in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::OxygenLow => "dissolved oxygen was low",
            Self::OrpFalling => "ORP fell",
            Self::SludgeDeep => "the sludge was deep",
            Self::TooCold => "the water was cold",
            Self::TooHot => "the water was hot",
            Self::DisinfectantInBiology => "disinfectant was in the biology",
            Self::CleanOutLate => "the clean-out is late",
            Self::NewChemical => "the site washes with something new or not accepted",
            Self::Idle => "it stood still",
            Self::DoseMissed => "a dosing pump gave less than its setting says",
        }
    }
}

/// A sign at a unit, from when it was noted until it no longer counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noted {
    /// The sign.
    pub sign: Sign,
    /// From then on.
    pub from: DateTime<Utc>,
    /// Until before then.
    pub to: DateTime<Utc>,
}

/// From where on something is a sign.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SignLimits {
    /// Dissolved oxygen below it, in milligrams a litre.
    pub oxygen_low_mg_l: f64,
    /// A fall of the ORP of at least so much between two samples, in millivolts.
    pub orp_fall_mv: f64,
    /// Sludge of that depth or more, in millimetres.
    pub sludge_deep_mm: f64,
    /// Temperature below it, in degrees Celsius.
    pub cold_c: f64,
    /// Temperature above it, in degrees Celsius.
    pub hot_c: f64,
    /// Free chlorine or dissolved ozone from it on, in milligrams a litre.
    pub disinfectant_mg_l: f64,
    /// Days from a clean-out to the next, after which it is late.
    pub clean_out_days: f64,
    /// Days for which a wash chemical is new.
    pub new_chemical_days: f64,
    /// Days of standing still from which on it is a sign.
    pub idle_days: f64,
    /// Days for which a sign counts after it was noted.
    pub holds_days: f64,
}

/// All of them are common practice, no source.
impl Default for SignLimits {
    fn default() -> Self {
        Self {
            oxygen_low_mg_l: 2.0,
            orp_fall_mv: 50.0,
            sludge_deep_mm: 300.0,
            cold_c: 10.0,
            hot_c: 35.0,
            disinfectant_mg_l: 0.1,
            clean_out_days: 180.0,
            new_chemical_days: 30.0,
            idle_days: 7.0,
            holds_days: 14.0,
        }
    }
}

impl SignLimits {
    /// The limits, if they can be.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/oxygen_low_mg_l", self.oxygen_low_mg_l, 0.0, 20.0);
        faults.range("/orp_fall_mv", self.orp_fall_mv, 1.0, 1000.0);
        faults.range("/sludge_deep_mm", self.sludge_deep_mm, 1.0, 20_000.0);
        faults.range("/cold_c", self.cold_c, -10.0, 50.0);
        faults.range("/hot_c", self.hot_c, 0.0, 100.0);
        faults.range("/disinfectant_mg_l", self.disinfectant_mg_l, 0.001, 100.0);
        faults.range("/clean_out_days", self.clean_out_days, 1.0, 3650.0);
        faults.range("/new_chemical_days", self.new_chemical_days, 1.0, 365.0);
        faults.range("/idle_days", self.idle_days, 1.0, 365.0);
        faults.range("/holds_days", self.holds_days, 1.0, 90.0);
        if self.cold_c >= self.hot_c {
            faults.add("/hot_c", "not_above_cold", "give more than cold_c");
        }
        faults.or(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_is_named() {
        let wrong = SignLimits { orp_fall_mv: 0.0, hot_c: 5.0, holds_days: f64::NAN, ..SignLimits::default() };
        let faults = wrong.checked().unwrap_err();
        let pointers: Vec<&str> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, ["/orp_fall_mv", "/holds_days", "/hot_c"]);
        assert!(SignLimits::default().checked().is_ok());
    }
}
