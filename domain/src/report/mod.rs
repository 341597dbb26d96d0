//! The savings report of one customer and month: figures in, what is said about them out.
//!
//! One set of figures. It is made here, stored whole, and shown as JSON and as a page; nobody
//! computes anything later. A figure that the meters do not support is not printed and says why.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`inputs`] | what a report is made of: subjects with their days, meters, states, exceptions |
//! | [`figure`] | a figure that is printed, or withheld with its reason |
//! | [`money`] | water avoided and money saved, site by site |
//! | [`moved`] | fills, drains and hauled loads, each on its own line |
//! | [`haulage`] | loads that were not hauled |
//! | [`actual_bills`] | bills as they came, and why they are other than expected |
//! | [`payback`] | whether recycling at a site pays |
//! | [`invested`] | the same in the report of a month |
//! | [`site_month`] | the cost at one site and what it comes to for each wash |
//! | `levels` | which of a site's subjects says what of its balance |
//! | `together` | units beside one wash meter of their site |
//! | [`model`] | the report itself |
//! | [`claims`] | what of it can be added over months |
//! | [`sites`] | the reckoning of each site alone |
//! | [`readings`] | the reckoning from reading to reading |
//! | [`adjustment`] | a difference to an earlier month, carried in a later report |
//! | [`changes`] | what a revision would change, line by line |
//! | [`flow`] | the balance as a picture shows it |
//! | [`upkeep`] | service, consumables and samples of the month |
//! | [`style`] | how a dealer's reports look |
//! | [`rule`] | when a report may be issued, and which differences are carried unasked |
//! | [`standing`] | what becomes of an issued month when later data come |
//! | [`display`] | numbers in the units and with the digits a reader gets |

pub mod actual_bills;
pub mod adjustment;
mod beside;
pub mod changes;
pub mod claims;
mod cost;
pub mod display;
pub mod figure;
pub mod flow;
pub mod haulage;
pub mod inputs;
pub mod invested;
pub(crate) mod levels;
pub mod model;
pub mod money;
pub mod moved;
pub mod payback;
mod placed;
pub mod readings;
pub(crate) mod reckon;
pub mod rule;
mod series;
pub mod site_month;
pub mod sites;
pub mod standing;
mod stood;
mod stretch;
pub mod style;
mod together;
pub mod upkeep;
mod waiting;
mod words;

pub use model::SavingsReport;

use crate::accounts::site_cost::CostBasis;
use inputs::Inputs;
use model::{BeyondGuns, Exception, Period};

impl SavingsReport {
    /// Makes the report of one month.
    #[must_use]
    pub fn of(inputs: &Inputs) -> Self {
        let present = inputs.present();
        let period = Period::of(inputs, &present);
        let case = reckon::Case::of(inputs, &present, CostBasis::Accrued);
        let lines = reckon::lines(&case);
        Self {
            dealer: inputs.dealer.clone(),
            customer: inputs.customer.clone(),
            month: inputs.month,
            time_zones: inputs.zone_names(),
            unit_system: inputs.unit_system,
            sentence: words::sentence(inputs, &present, &period, &lines),
            reckoning: lines,
            sites: sites::of(inputs, &present),
            readings: readings::of(inputs, &present),
            adjustments: Vec::new(),
            savings: case.site_savings(),
            costs: case.site_costs(),
            actual_bills: actual_bills::of(inputs, &present),
            flow: case.flow(),
            moved: moved::of(inputs, &present),
            haulage: haulage::of(inputs, &present),
            invested: Vec::new(),
            by_day: series::by_day(inputs, &present),
            by_period: series::by_period(inputs, &present),
            by_month: series::by_month(inputs),
            units: placed::rows(inputs, &present),
            exceptions: present
                .iter()
                .flat_map(|subject| subject.exceptions.iter().map(|e| Exception::of(subject, e)))
                .collect(),
            beyond_guns: present.iter().filter_map(|subject| BeyondGuns::of(subject)).collect(),
            missing: present.iter().flat_map(|subject| stretch::missing(inputs, subject)).collect(),
            made: words::made(inputs, &present),
            cautions: words::cautions(),
            upkeep: inputs.upkeep.clone(),
            style: inputs.style.clone(),
            period,
        }
    }
}

#[cfg(test)]
mod tests;
