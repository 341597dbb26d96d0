//! `/v1/risk/costs`: what failures cost and what a rated life weighs, as the dealer reckons.

use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::risk::figures::{self, StoredFigures};
use crate::extract::{Body, IfMatch};
use crate::http::answer::{self, Problems};
use crate::http::routing::Routes;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::Data;
use actix_web::{HttpResponse, get, patch};
use chrono::{DateTime, Utc};
use domain::risk::costs::RiskCosts;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(get_risk_costs).service(update_risk_costs);
}

/// What failures cost, in the dealer's currency, and how much a rated life weighs.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = RiskCostsInput)]
pub struct CostsInput {
    /// A part replaced at a planned visit, labour and part together. 200 unless set.
    #[schema(value_type = String, example = "200")]
    planned: Decimal,
    /// What an unplanned visit costs on top of that. 250 unless set.
    #[schema(value_type = String, example = "250")]
    call_out: Decimal,
    /// Days from a failure until the unit runs again. 1 unless set.
    #[schema(value_type = String, example = "1")]
    days_down: Decimal,
    /// A day without the unit where the bay washes with town water. 120 unless set.
    #[schema(value_type = String, example = "120")]
    town_water_day: Decimal,
    /// The same where another unit takes over. 40 unless set.
    #[schema(value_type = String, example = "40")]
    second_unit_day: Decimal,
    /// The same where the bay stands. 600 unless set.
    #[schema(value_type = String, example = "600")]
    none_day: Decimal,
    /// How many failures the rated life of a part is worth, from 0.1 to 1000: the more, the longer forecasts
    /// keep to it against the lives that are known. 2 unless set: the scale then lies within a factor of 2.2 of
    /// the rated one with 90 %, about as far as lives in dirty water are found from what a maker rates (common practice, no source), and
    /// six failures of the dealer's own outweigh it three to one.
    #[schema(example = 2.0)]
    rated_life_weight: f64,
}

impl From<RiskCosts> for CostsInput {
    fn from(costs: RiskCosts) -> Self {
        let RiskCosts { planned, call_out, days_down, town_water_day, second_unit_day, none_day, rated_life_weight } =
            costs;
        Self { planned, call_out, days_down, town_water_day, second_unit_day, none_day, rated_life_weight }
    }
}

impl From<CostsInput> for RiskCosts {
    fn from(input: CostsInput) -> Self {
        let CostsInput { planned, call_out, days_down, town_water_day, second_unit_day, none_day, rated_life_weight } =
            input;
        Self { planned, call_out, days_down, town_water_day, second_unit_day, none_day, rated_life_weight }
    }
}

/// The costs as they are kept.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = RiskCosts)]
pub struct CostsView {
    #[serde(flatten)]
    costs: CostsInput,
    /// How often they were written; 0 while the usual ones count.
    revision: i32,
    /// When they were last written.
    changed_at: Option<DateTime<Utc>>,
}

impl From<StoredFigures<RiskCosts>> for CostsView {
    fn from(stored: StoredFigures<RiskCosts>) -> Self {
        let StoredFigures { revision, changed_at, value } = stored;
        Self { costs: value.into(), revision, changed_at }
    }
}

/// Show what failures cost
#[utoipa::path(tag = "risk", responses((status = 200, description = "The costs", body = CostsView), Problems))]
#[get("/risk/costs")]
async fn get_risk_costs(caller: Caller<perm::ReadRisk>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| figures::get::<RiskCosts>(tx).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &CostsView::from(stored)))
}

/// Set what failures cost
///
/// An RFC 7396 merge patch: send the fields that change. The next night run reckons with them.
#[utoipa::path(tag = "risk", request_body = CostsInput,
    params(("If-Match" = String, Header, description = "The ETag of your last read")),
    responses((status = 200, description = "The costs", body = CostsView), Problems))]
#[patch("/risk/costs")]
async fn update_risk_costs(
    caller: Caller<perm::WriteRisk>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| figures::get::<RiskCosts>(tx).await).await?;
    let input: CostsInput = answer::patched(&CostsInput::from(current.value), &patch.0)?;
    let new = RiskCosts::from(input).checked()?;
    let stored = db.write(caller.scope(), caller.now(), async |tx| figures::set_at(tx, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &CostsView::from(stored)))
}
