//! Series over many meters, units and sites: `GET /v1/readings` and `GET /v1/water`, as JSON, CSV,
//! NDJSON or Parquet.

pub(in crate::http) mod hours;
pub(crate) mod month_file;
pub mod readings;
pub(in crate::http) mod units;
pub mod water;

use super::service::in_order;
use crate::db::series::{Found, Of};
use crate::extract::optional_instant;
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::spell::SpellState;
use serde::Deserialize;
use utoipa::IntoParams;
use uuid::Uuid;

/// The routes of both.
pub fn routes(routes: &mut Routes) {
    routes.service(readings::export_readings).service(water::export_water);
}

/// Of what; all within one's reach when nothing is said.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AskOf {
    /// Of this customer.
    customer_id: Option<Uuid>,
    /// At this site.
    site_id: Option<Uuid>,
    /// Of this unit.
    unit_id: Option<Uuid>,
    /// Of units of this model, of those in `/v1/unit-models`.
    model_id: Option<Uuid>,
    /// Of units in this state now: `planned`, `starting`, `running`, `bypassed`, `stopped`, `laid_up`,
    /// `workshop` or `out_of_use`.
    #[param(example = "running")]
    spell: Option<String>,
    /// Of units with this number in the customer's own books.
    #[param(example = "A-2210")]
    asset_number: Option<String>,
    /// At sites with this number in the customer's own books.
    #[param(example = "S-07")]
    site_number: Option<String>,
    /// At sites of this cost centre of the customer's.
    #[param(example = "4711")]
    cost_centre: Option<String>,
}

impl AskOf {
    pub(in crate::http) fn parse(&self) -> Result<Of, Faults> {
        let mut faults = Faults::default();
        let spell = self.spell.as_deref().and_then(|name| faults.take("/spell", SpellState::parse(name)));
        faults.or(Of {
            customer: self.customer_id,
            site: self.site_id,
            unit: self.unit_id,
            meter: None,
            model: self.model_id,
            spell,
            asset_number: self.asset_number.clone(),
            site_number: self.site_number.clone(),
            cost_centre: self.cost_centre.clone(),
        })
    }
}

/// Which of what was found in what meters showed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AskFound {
    /// Only open ones (true), or only closed ones (false).
    open: Option<bool>,
    /// Only this meter's.
    meter_id: Option<Uuid>,
    /// First found at this instant or later.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-01-01T00:00:00Z")]
    from: Option<DateTime<Utc>>,
    /// First found before this instant.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-02-01T00:00:00Z")]
    to: Option<DateTime<Utc>>,
}

impl AskFound {
    pub(in crate::http) fn parse(&self, of: &AskOf) -> Result<Found, Problem> {
        in_order(self.from, self.to)?;
        let of = Of { meter: self.meter_id, ..of.parse()? };
        Ok(Found { open: self.open, of, from: self.from, to: self.to })
    }
}

/// Of whose sites; all within one's reach when nothing is said.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AskOfSites {
    /// Of this customer.
    customer_id: Option<Uuid>,
    /// At this site.
    site_id: Option<Uuid>,
    /// At sites with this number in the customer's own books.
    #[param(example = "S-07")]
    site_number: Option<String>,
    /// At sites of this cost centre of the customer's.
    #[param(example = "4711")]
    cost_centre: Option<String>,
}

impl AskOfSites {
    pub(in crate::http) fn parse(&self) -> Of {
        Of {
            customer: self.customer_id,
            site: self.site_id,
            site_number: self.site_number.clone(),
            cost_centre: self.cost_centre.clone(),
            ..Of::default()
        }
    }
}

fn before_from() -> Problem {
    Problem::at(Kind::Invalid, "/to", "before_from", "Give a `to` that is not before `from`.")
}
