//! Amounts in stock, exact: what is added up in any order comes to the same.

use crate::fault::Faults;
use crate::named::named;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::{Deserialize, Serialize};
use std::fmt;

named! {
    /// What an item is counted in.
    StockUnit as "stock_unit" {
        /// Kilogram.
        Kg = "kg",
        /// Litre.
        L = "l",
        /// Metre, of hose and the like.
        M = "m",
        /// Piece.
        Piece = "piece",
    }
}

/// An amount of an item in its unit: not negative, of at most six decimals.
///
/// The bounds keep sums exact: more than 10^13 of the largest fit into a decimal.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(into = "Decimal", try_from = "Decimal")]
pub struct Quantity(Decimal);

/// The largest amount taken.
const MOST: Decimal = Decimal::from_parts(1_000_000_000, 0, 0, false, 0);
/// Decimals kept: a millilitre of a cubic metre, a milligram of a kilogram.
const DECIMALS: u32 = 6;

impl Quantity {
    /// Nothing.
    pub const ZERO: Self = Self(Decimal::ZERO);

    /// The amount.
    ///
    /// # Errors
    /// A fault with an empty pointer.
    pub fn parse(amount: Decimal) -> Result<Self, Faults> {
        let amount = amount.normalize();
        if amount < Decimal::ZERO || amount > MOST {
            return Err(Faults::one("", "out_of_range", format!("give an amount from 0 to {MOST}")));
        }
        if amount.scale() > DECIMALS {
            return Err(Faults::one("", "too_precise", format!("give at most {DECIMALS} decimals")));
        }
        Ok(Self(amount))
    }

    /// The number.
    #[must_use]
    pub fn get(self) -> Decimal {
        self.0
    }
}

impl From<Quantity> for Decimal {
    fn from(quantity: Quantity) -> Self {
        quantity.0
    }
}

impl TryFrom<Decimal> for Quantity {
    type Error = String;

    fn try_from(amount: Decimal) -> Result<Self, String> {
        Self::parse(amount).map_err(|faults| faults.0.into_iter().map(|fault| fault.detail).collect())
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// An exact amount as a number to reckon statistics with.
#[must_use]
pub fn float(amount: Decimal) -> f64 {
    amount.to_f64().unwrap_or(f64::NAN)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A quantity from a text that is one.
    pub(crate) fn quantity(text: &str) -> Quantity {
        Quantity::parse(text.parse().unwrap()).unwrap()
    }

    #[test]
    fn amounts_are_plain_decimals() {
        assert_eq!(quantity("2.50").to_string(), "2.5");
        assert_eq!(serde_json::to_value(quantity("2.50")).unwrap(), "2.5");
        assert_eq!(serde_json::from_str::<Quantity>("\"0.000001\"").unwrap(), quantity("0.000001"));
        assert_eq!(quantity("1000000000").get(), MOST);
        for (text, code) in [("-0.1", "out_of_range"), ("1000000000.1", "out_of_range"), ("0.0000001", "too_precise")] {
            assert_eq!(Quantity::parse(text.parse().unwrap()).unwrap_err().0[0].code, code, "{text}");
            let told = serde_json::from_value::<Quantity>(text.into()).unwrap_err().to_string();
            assert!(told.starts_with("give "), "{told}");
        }
    }
}
