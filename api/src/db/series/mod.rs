//! Readings and figures of many meters and subjects in order, a page at a time: for exports whose
//! memory does not grow with what is asked for.

pub mod readings;
pub mod water;

use uuid::Uuid;

/// Of what.
#[derive(Debug, Clone, Copy, Default)]
pub struct Of {
    /// This customer.
    pub customer: Option<Uuid>,
    /// This site.
    pub site: Option<Uuid>,
    /// This unit.
    pub unit: Option<Uuid>,
    /// This meter; of readings.
    pub meter: Option<Uuid>,
}
