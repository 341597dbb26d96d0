//! Series over many meters, units and sites: `GET /v1/readings` and `GET /v1/water`, as JSON, CSV,
//! NDJSON or Parquet.

pub(in crate::http) mod hours;
pub(crate) mod month_file;
pub mod readings;
pub(in crate::http) mod units;
pub mod water;

use crate::db::series::Of;
use crate::problem::{Kind, Problem};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// The routes of both.
pub fn routes(config: &mut ServiceConfig) {
    config.service(readings::export_readings).service(water::export_water);
}

/// Of what; all within one's reach when nothing is said.
#[derive(Debug, Clone, Copy, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AskOf {
    /// Of this customer.
    customer_id: Option<Uuid>,
    /// At this site.
    site_id: Option<Uuid>,
    /// Of this unit.
    unit_id: Option<Uuid>,
}

impl AskOf {
    pub(in crate::http) fn of(self, meter: Option<Uuid>) -> Of {
        Of { customer: self.customer_id, site: self.site_id, unit: self.unit_id, meter }
    }
}

fn before_from() -> Problem {
    Problem::at(Kind::Invalid, "/to", "before_from", "Give a `to` that is not before `from`.")
}
