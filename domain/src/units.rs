//! Quantities inside are litres, hours, kilowatt-hours and counts; a register counts in
//! its own unit, and this is the only place that converts.

use crate::fault::Faults;
use crate::named::pick;
use serde::{Deserialize, Serialize};
use std::iter::Sum;
use std::ops::{Add, AddAssign, Neg, Sub, SubAssign};

/// A volume of water in litres; signed, because a balance is.
#[derive(Debug, Clone, Copy, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Litres(pub f64);

impl Litres {
    /// No water.
    pub const ZERO: Self = Self(0.0);

    /// Cubic metres.
    #[must_use]
    pub fn cubic_metres(self) -> f64 {
        self.0 / 1000.0
    }
}

impl Add for Litres {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl AddAssign for Litres {
    fn add_assign(&mut self, other: Self) {
        self.0 += other.0;
    }
}

impl Sub for Litres {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl SubAssign for Litres {
    fn sub_assign(&mut self, other: Self) {
        self.0 -= other.0;
    }
}

impl Neg for Litres {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

impl Sum for Litres {
    fn sum<I: Iterator<Item = Self>>(items: I) -> Self {
        Self(items.map(|item| item.0).sum())
    }
}

/// One US gallon, exactly (231 cubic inches of 2.54 cm).
pub const LITRES_PER_US_GALLON: f64 = 3.785_411_784;
/// One cubic foot, exactly (12 inches of 2.54 cm, cubed).
pub const LITRES_PER_CUBIC_FOOT: f64 = 28.316_846_592;

/// What one count of a register stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RegisterUnit {
    /// Litre.
    L,
    /// Cubic metre, 1000 L.
    M3,
    /// US gallon, 231 cubic inches.
    UsGal,
    /// Cubic foot.
    Ft3,
    /// Hundred cubic feet.
    Ccf,
    /// Thousand US gallons.
    Kgal,
    /// Kilowatt-hour.
    Kwh,
    /// Hour of running.
    H,
    /// A start, a wash: one event.
    Count,
}

/// What a register measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Dimension {
    /// Water, in litres.
    Volume,
    /// Electrical energy, in kilowatt-hours.
    Energy,
    /// Running time, in hours.
    Duration,
    /// Events.
    Events,
}

impl RegisterUnit {
    /// Every unit, for enumerating tests and documentation.
    pub const ALL: [Self; 9] =
        [Self::L, Self::M3, Self::UsGal, Self::Ft3, Self::Ccf, Self::Kgal, Self::Kwh, Self::H, Self::Count];

    /// How much one count is in the inside unit of its dimension (litres, kWh, hours, events).
    #[must_use]
    pub fn factor(self) -> f64 {
        match self {
            Self::L | Self::Kwh | Self::H | Self::Count => 1.0,
            Self::M3 => 1000.0,
            Self::UsGal => LITRES_PER_US_GALLON,
            Self::Ft3 => LITRES_PER_CUBIC_FOOT,
            Self::Ccf => 100.0 * LITRES_PER_CUBIC_FOOT,
            Self::Kgal => 1000.0 * LITRES_PER_US_GALLON,
        }
    }

    /// What it measures.
    #[must_use]
    pub fn dimension(self) -> Dimension {
        match self {
            Self::L | Self::M3 | Self::UsGal | Self::Ft3 | Self::Ccf | Self::Kgal => Dimension::Volume,
            Self::Kwh => Dimension::Energy,
            Self::H => Dimension::Duration,
            Self::Count => Dimension::Events,
        }
    }

    /// The name in requests, answers and the database.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::L => "l",
            Self::M3 => "m3",
            Self::UsGal => "us_gal",
            Self::Ft3 => "ft3",
            Self::Ccf => "ccf",
            Self::Kgal => "kgal",
            Self::Kwh => "kwh",
            Self::H => "h",
            Self::Count => "count",
        }
    }

    /// The unit of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|unit| unit.as_str() == name)
    }

    /// The unit of that name.
    ///
    /// # Errors
    /// A fault with an empty pointer that lists the names.
    pub fn parse(name: &str) -> Result<Self, Faults> {
        pick("unknown_unit", &Self::ALL, Self::as_str, name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST Special Publication 811 (2008), appendix B.8: the international inch is 2.54 cm
    /// exactly, the US gallon 231 cubic inches, the cubic foot 1728.
    #[test]
    fn volume_units_match_their_exact_definitions() {
        let litres_per_cubic_inch = 2.54_f64.powi(3) / 1000.0;
        let close = |got: f64, want: f64| assert!((got / want - 1.0).abs() < 1e-15, "{got} {want}");
        close(RegisterUnit::UsGal.factor(), 231.0 * litres_per_cubic_inch);
        close(RegisterUnit::Ft3.factor(), 1728.0 * litres_per_cubic_inch);
        close(RegisterUnit::Ccf.factor() / RegisterUnit::UsGal.factor(), 100.0 * 1728.0 / 231.0);
        close(RegisterUnit::Kgal.factor(), 1000.0 * 231.0 * litres_per_cubic_inch);
        close(RegisterUnit::M3.factor(), 1000.0);
    }

    #[test]
    fn names_round_trip() {
        for unit in RegisterUnit::ALL {
            assert_eq!(RegisterUnit::from_name(unit.as_str()), Some(unit));
        }
        assert_eq!(RegisterUnit::from_name("gal"), None);
    }
}
