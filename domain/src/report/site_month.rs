//! What washing cost at one site in a month and what it comes to for each, with the figures that a
//! reader holds beside it.

use super::beside;
use super::figure::{Line, Name};
use super::inputs::{Inputs, Subject};
use super::reckon::Case;
use crate::accounts::site_cost::{CostBasis, SiteCost};
use crate::ids::SiteId;
use serde::{Deserialize, Serialize};

/// A site's month.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SiteMonth {
    /// The cost, line by line; null where nothing stood at the site.
    pub cost: Option<SiteCost>,
    /// Cost, cost for each wash, water and electricity for each, printed or withheld.
    pub figures: Vec<Line>,
}

/// The figures of a site's month.
const NAMES: [Name; 5] = [Name::Cost, Name::CostEach, Name::Washes, Name::FreshPerWash, Name::EnergyPerVolume];

impl SiteMonth {
    /// The month of the inputs at one of its customer's sites.
    #[must_use]
    pub fn of(inputs: &Inputs, site: SiteId, basis: CostBasis) -> Self {
        let present: Vec<&Subject> = inputs.present().into_iter().filter(|subject| subject.site_id == site.0).collect();
        let case = Case::of(inputs, &present, basis);
        let figures = NAMES.map(|name| beside::line(&case, name)).to_vec();
        Self { cost: case.site_costs().pop(), figures }
    }
}
