//! A customer: who uses units.

use crate::fault::Faults;
use serde::{Deserialize, Serialize};

/// In which units figures are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum UnitSystem {
    /// Litres and cubic metres.
    Metric,
    /// US gallons.
    Us,
}

impl UnitSystem {
    /// The name in requests, answers and the database.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Metric => "metric",
            Self::Us => "us",
        }
    }

    /// The system of that name.
    ///
    /// # Errors
    /// A fault with an empty pointer.
    pub fn parse(name: &str) -> Result<Self, Faults> {
        match name {
            "metric" => Ok(Self::Metric),
            "us" => Ok(Self::Us),
            _ => Err(Faults::one("", "unknown_unit_system", "give metric or us")),
        }
    }
}

/// A customer's record.
#[derive(Debug, Clone, PartialEq)]
pub struct Customer {
    /// The name, 1 to 120 characters.
    pub name: String,
    /// The number the customer's own books use.
    pub own_number: Option<String>,
    /// The month in which the customer's fiscal year begins, 1 to 12.
    pub fiscal_year_start: i16,
    /// In which units figures are shown; as the dealer when left out.
    pub unit_system: Option<UnitSystem>,
}

impl Customer {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.name = faults.text("/name", &self.name, 120);
        self.own_number = faults.optional_text("/own_number", self.own_number.as_deref(), 60);
        if !(1..=12).contains(&self.fiscal_year_start) {
            faults.add("/fiscal_year_start", "out_of_range", "give a month from 1 to 12");
        }
        faults.or(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_is_named() {
        let customer = Customer {
            name: "  ".to_owned(),
            own_number: Some("x".repeat(61)),
            fiscal_year_start: 13,
            unit_system: None,
        };
        let found: Vec<_> = customer.checked().unwrap_err().0.into_iter().map(|f| (f.pointer, f.code)).collect();
        assert_eq!(
            found,
            [
                ("/name".to_owned(), "required"),
                ("/own_number".to_owned(), "too_long"),
                ("/fiscal_year_start".to_owned(), "out_of_range")
            ]
        );
    }
}
