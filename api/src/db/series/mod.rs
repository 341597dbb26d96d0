//! Readings and figures of many meters and subjects in order, a page at a time: for exports whose
//! memory does not grow with what is asked for.

pub mod among;
pub mod readings;
pub mod water;

use chrono::{DateTime, Utc};
use domain::ids::{CustomerId, UnitId};
use domain::spell::SpellState;
use uuid::Uuid;

/// Of what.
#[derive(Debug, Clone, Default)]
pub struct Of {
    /// This customer.
    pub customer: Option<Uuid>,
    /// This site.
    pub site: Option<Uuid>,
    /// This unit.
    pub unit: Option<Uuid>,
    /// This meter; of readings.
    pub meter: Option<Uuid>,
    /// Units of this model.
    pub model: Option<Uuid>,
    /// Units in this state now.
    pub spell: Option<SpellState>,
    /// Units with this number in the customer's own books.
    pub asset_number: Option<String>,
    /// Sites with this number in them.
    pub site_number: Option<String>,
    /// Sites of this cost centre of the customer's.
    pub cost_centre: Option<String>,
}

impl Of {
    /// Of one customer.
    #[must_use]
    pub fn of_customer(customer: CustomerId) -> Self {
        Self { customer: Some(customer.0), ..Self::default() }
    }

    /// Of one unit.
    #[must_use]
    pub fn of_unit(unit: UnitId) -> Self {
        Self { unit: Some(unit.0), ..Self::default() }
    }
}

/// Which of what was found, at units or in what their meters showed.
#[derive(Debug, Clone, Default)]
pub struct Found {
    /// Only open ones, or only closed ones.
    pub open: Option<bool>,
    /// Of this meter; of these units, of this customer and at these sites as it was meanwhile.
    pub of: Of,
    /// First found at this instant or later.
    pub from: Option<DateTime<Utc>>,
    /// First found before this instant.
    pub to: Option<DateTime<Utc>>,
}
