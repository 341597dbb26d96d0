//! `/v1/calibration-limits`: how far probes may be off.

use super::answer::{self, Problems};
use crate::auth::{Caller, perm};
use crate::db::{Db, own_record};
use crate::extract::{Body, IfMatch};
use crate::http::routing::Routes;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::Data;
use actix_web::{HttpResponse, get, put};
use domain::fault::Faults;
use domain::measures::calibration::Limits;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(get_calibration_limits).service(set_calibration_limits);
}

/// How far probes may be off.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = CalibrationLimits)]
pub struct LimitsInput {
    /// In a buffer.
    #[schema(example = 0.2)]
    ph_error: f64,
    /// Least slope of a pH probe, in percent of the Nernst slope.
    #[schema(example = 85.0)]
    ph_slope_least_pct: f64,
    /// Greatest.
    #[schema(example = 105.0)]
    ph_slope_most_pct: f64,
    /// Of a pH probe at pH 7.
    #[schema(example = 30.0)]
    ph_offset_mv: f64,
    /// In the standard of an ORP probe.
    #[schema(example = 25.0)]
    orp_error_mv: f64,
    /// Of dissolved oxygen, in percent of saturation.
    #[schema(example = 5.0)]
    oxygen_error_pct: f64,
}

impl LimitsInput {
    fn parse(&self) -> Result<Limits, Faults> {
        let Self { ph_error, ph_slope_least_pct, ph_slope_most_pct, ph_offset_mv, orp_error_mv, oxygen_error_pct } =
            *self;
        Limits { ph_error, ph_slope_least_pct, ph_slope_most_pct, ph_offset_mv, orp_error_mv, oxygen_error_pct }
            .checked()
    }
}

impl From<&Limits> for LimitsInput {
    fn from(limits: &Limits) -> Self {
        let Limits { ph_error, ph_slope_least_pct, ph_slope_most_pct, ph_offset_mv, orp_error_mv, oxygen_error_pct } =
            *limits;
        Self { ph_error, ph_slope_least_pct, ph_slope_most_pct, ph_offset_mv, orp_error_mv, oxygen_error_pct }
    }
}

/// The limits that hold.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = CalibrationLimitsInForce)]
pub struct LimitsView {
    #[serde(flatten)]
    limits: LimitsInput,
    /// How often they were set; 0 for those that nobody set.
    #[schema(example = 0)]
    revision: i32,
    /// Where they come from: `the dealer`, or `common practice, no source`.
    #[schema(example = "common practice, no source")]
    source: &'static str,
}

impl LimitsView {
    fn of(limits: &Limits, revision: i32) -> Self {
        let source = if revision == 0 { "common practice, no source" } else { "the dealer" };
        Self { limits: LimitsInput::from(limits), revision, source }
    }
}

/// Get how far probes may be off
#[utoipa::path(tag = "measures",
    responses((status = 200, description = "The limits", body = LimitsView), Problems))]
#[get("/calibration-limits")]
async fn get_calibration_limits(caller: Caller<perm::WriteMeasures>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| own_record::find::<Limits>(tx).await).await?;
    let (limits, revision) = stored.map_or((Limits::default(), 0), |stored| (stored.value, stored.revision));
    Ok(answer::record(StatusCode::OK, revision, &LimitsView::of(&limits, revision)))
}

/// Set how far probes may be off
///
/// Calibrations noted down from now on are held against them.
#[utoipa::path(tag = "measures", request_body = LimitsInput,
    params(("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The limits as they are now", body = LimitsView), Problems))]
#[put("/calibration-limits")]
async fn set_calibration_limits(
    caller: Caller<perm::WriteLimits>,
    at: IfMatch,
    input: Body<LimitsInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    let stored = db.write(caller.scope(), caller.now(), async |tx| own_record::set_at(tx, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &LimitsView::of(&stored.value, stored.revision)))
}
