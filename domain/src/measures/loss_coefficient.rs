//! A loss coefficient: evaporation or carry-off of a site, as declared for a stretch of days.
//! What it comes to: [`crate::water::losses`].

use super::days::Days;
use crate::fault::Faults;
use crate::named::named;
use crate::water::losses::Coefficient;

named! {
    /// What is lost.
    Loss as "loss" {
        /// Water that evaporates.
        Evaporation = "evaporation",
        /// Water that clean machines carry off.
        CarryOff = "carry_off",
    }
}

named! {
    /// What a coefficient is applied to.
    Basis as "basis" {
        /// A square metre of open water and a day.
        OpenWater = "open_water",
        /// A day.
        Day = "day",
        /// A wash.
        Wash = "wash",
        /// The water to the washers.
        Flow = "flow",
    }
}

/// A loss coefficient's record.
#[derive(Debug, Clone, PartialEq)]
pub struct LossCoefficient {
    /// In which local days it holds.
    pub days: Days,
    /// What is lost.
    pub loss: Loss,
    /// How much of what.
    pub coefficient: Coefficient,
    /// Its relative standard uncertainty, 0 to 1.
    pub u_share: f64,
    /// Who declared it, by what.
    pub source: String,
}

/// Largest coefficients taken, in litres (common practice, no source): deserts evaporate some 15
/// a square metre and day, and a wash uses some hundreds.
const L_PER_M2_DAY_MAX: f64 = 100.0;
const L_PER_DAY_MAX: f64 = 100_000.0;
const L_PER_WASH_MAX: f64 = 10_000.0;
/// Largest open water taken, in square metres.
const SURFACE_M2_MAX: f64 = 10_000.0;

/// The coefficient of that basis; open water alone has a surface.
///
/// # Errors
/// Faults at `/value` and `/surface_m2`.
pub fn coefficient(basis: Basis, value: f64, surface_m2: Option<f64>) -> Result<Coefficient, Faults> {
    let mut faults = Faults::default();
    let (most, coefficient) = match basis {
        Basis::OpenWater => {
            let surface_m2 = surface_m2.unwrap_or(f64::NAN);
            faults.range("/surface_m2", surface_m2, 0.0, SURFACE_M2_MAX);
            (L_PER_M2_DAY_MAX, Coefficient::OpenWater { l_per_m2_day: value, surface_m2 })
        }
        Basis::Day => (L_PER_DAY_MAX, Coefficient::EachDay { l_per_day: value }),
        Basis::Wash => (L_PER_WASH_MAX, Coefficient::EachWash { l_per_wash: value }),
        Basis::Flow => (1.0, Coefficient::ShareOfFlow { share: value }),
    };
    if basis != Basis::OpenWater && surface_m2.is_some() {
        faults.add("/surface_m2", "not_taken", "only a coefficient of open water has a surface; leave it out");
    }
    faults.range("/value", value, 0.0, most);
    faults.or(coefficient)
}

/// What a coefficient is applied to, its value, and the surface of open water.
#[must_use]
pub fn parts(coefficient: Coefficient) -> (Basis, f64, Option<f64>) {
    match coefficient {
        Coefficient::OpenWater { l_per_m2_day, surface_m2 } => (Basis::OpenWater, l_per_m2_day, Some(surface_m2)),
        Coefficient::EachDay { l_per_day } => (Basis::Day, l_per_day, None),
        Coefficient::EachWash { l_per_wash } => (Basis::Wash, l_per_wash, None),
        Coefficient::ShareOfFlow { share } => (Basis::Flow, share, None),
    }
}

impl LossCoefficient {
    /// The record, its text trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/u_share", self.u_share, 0.0, 1.0);
        self.source = faults.text("/source", &self.source, 200);
        faults.or(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_coefficient_comes_apart_as_it_was_put_together() {
        for (basis, value, surface) in [
            (Basis::OpenWater, 4.0, Some(6.0)),
            (Basis::Day, 25.0, None),
            (Basis::Wash, 8.0, None),
            (Basis::Flow, 0.05, None),
        ] {
            assert_eq!(parts(coefficient(basis, value, surface).unwrap()), (basis, value, surface));
        }
    }

    #[test]
    fn what_can_not_be_is_named() {
        let codes = |basis, value, surface| -> Vec<(String, &str)> {
            let faults = coefficient(basis, value, surface).unwrap_err();
            faults.0.into_iter().map(|fault| (fault.pointer, fault.code)).collect()
        };
        let (value, surface) = ("/value".to_owned(), "/surface_m2".to_owned());
        assert_eq!(codes(Basis::OpenWater, 4.0, None), [(surface.clone(), "out_of_range")]);
        assert_eq!(codes(Basis::Flow, 1.5, Some(6.0)), [(surface, "not_taken"), (value.clone(), "out_of_range")]);
        assert_eq!(codes(Basis::Wash, -1.0, None), [(value, "out_of_range")]);
    }
}
