//! Readings and figures of many meters and subjects in order, a page at a time: for exports whose
//! memory does not grow with what is asked for.

pub mod readings;
pub mod water;

use domain::ids::{CustomerId, SiteId};
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

impl Of {
    /// The customer and the site.
    pub(crate) fn stay(self) -> (Option<CustomerId>, Option<SiteId>) {
        (self.customer.map(CustomerId), self.site.map(SiteId))
    }
}
