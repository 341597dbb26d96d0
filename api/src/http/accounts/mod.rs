//! A site's money: water accounts with their tariffs and bills, baselines, cost terms.

pub mod baselines;
pub mod bills;
pub mod cost_terms;
pub mod preview;
pub mod tariffs;
pub mod water_accounts;

use super::series::AskOfSites;
use super::service::in_order;
use crate::db::accounts::Holding;
use crate::http::routing::Routes;
use crate::problem::Problem;
use chrono::NaiveDate;
use serde::Deserialize;
use utoipa::IntoParams;

/// The routes of these resources.
pub fn routes(routes: &mut Routes) {
    routes
        .configure(water_accounts::routes)
        .configure(tariffs::routes)
        .configure(preview::routes)
        .configure(bills::routes)
        .configure(baselines::routes)
        .configure(cost_terms::routes);
}

/// On which local days what is listed holds.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct HoldingOn {
    /// Those that hold on this local day or later.
    #[param(example = "2026-01-01")]
    from: Option<NaiveDate>,
    /// Those that hold before this local day.
    #[param(example = "2026-02-01")]
    to: Option<NaiveDate>,
}

impl HoldingOn {
    fn parse(&self, of: &AskOfSites) -> Result<Holding, Problem> {
        in_order(self.from, self.to)?;
        Ok(Holding { of: of.parse(), from: self.from, to: self.to })
    }
}
