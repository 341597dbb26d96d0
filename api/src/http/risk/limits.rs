//! `/v1/risk/upset-signs`: from where on something is a sign of a process upset.

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
use domain::risk::sign::SignLimits;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(get_upset_signs).service(update_upset_signs);
}

/// From where on something is a sign. What counts unless set is common practice.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = UpsetSignLimitsInput)]
pub struct LimitsInput {
    /// Dissolved oxygen below it, in milligrams a litre. 2 unless set.
    #[schema(example = 2.0)]
    oxygen_low_mg_l: f64,
    /// A fall of the ORP of at least so much from one sample of a point to the next within a month, in
    /// millivolts. 50 unless set.
    #[schema(example = 50.0)]
    orp_fall_mv: f64,
    /// Sludge of that depth or more, in millimetres. 300 unless set.
    #[schema(example = 300.0)]
    sludge_deep_mm: f64,
    /// A temperature below it, in degrees Celsius. 10 unless set.
    #[schema(example = 10.0)]
    cold_c: f64,
    /// A temperature above it, in degrees Celsius. 35 unless set.
    #[schema(example = 35.0)]
    hot_c: f64,
    /// Free chlorine or dissolved ozone from it on, in samples whose point names the biology, in
    /// milligrams a litre. 0.1 unless set.
    #[schema(example = 0.1)]
    disinfectant_mg_l: f64,
    /// Days from a clean-out to the next after which it is late. 180 unless set.
    #[schema(example = 180.0)]
    clean_out_days: f64,
    /// Days for which an accepted wash chemical is new; one that is untested or not accepted is a
    /// sign for as long as it is used. 30 unless set.
    #[schema(example = 30.0)]
    new_chemical_days: f64,
    /// Days of standing still, or on town water, from which on it is a sign. 7 unless set.
    #[schema(example = 7.0)]
    idle_days: f64,
    /// Days for which a sign counts after it was noted. 14 unless set.
    #[schema(example = 14.0)]
    holds_days: f64,
}

impl From<SignLimits> for LimitsInput {
    fn from(limits: SignLimits) -> Self {
        let SignLimits { oxygen_low_mg_l, orp_fall_mv, sludge_deep_mm, cold_c, hot_c, .. } = limits;
        let SignLimits { disinfectant_mg_l, clean_out_days, new_chemical_days, idle_days, holds_days, .. } = limits;
        Self {
            oxygen_low_mg_l,
            orp_fall_mv,
            sludge_deep_mm,
            cold_c,
            hot_c,
            disinfectant_mg_l,
            clean_out_days,
            new_chemical_days,
            idle_days,
            holds_days,
        }
    }
}

impl From<LimitsInput> for SignLimits {
    fn from(input: LimitsInput) -> Self {
        Self {
            oxygen_low_mg_l: input.oxygen_low_mg_l,
            orp_fall_mv: input.orp_fall_mv,
            sludge_deep_mm: input.sludge_deep_mm,
            cold_c: input.cold_c,
            hot_c: input.hot_c,
            disinfectant_mg_l: input.disinfectant_mg_l,
            clean_out_days: input.clean_out_days,
            new_chemical_days: input.new_chemical_days,
            idle_days: input.idle_days,
            holds_days: input.holds_days,
        }
    }
}

/// The limits as they are kept.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = UpsetSignLimits)]
pub struct LimitsView {
    #[serde(flatten)]
    limits: LimitsInput,
    /// How often they were written; 0 while the usual ones count.
    revision: i32,
    /// When they were last written.
    changed_at: Option<DateTime<Utc>>,
}

impl From<StoredFigures<SignLimits>> for LimitsView {
    fn from(stored: StoredFigures<SignLimits>) -> Self {
        let StoredFigures { revision, changed_at, value } = stored;
        Self { limits: value.into(), revision, changed_at }
    }
}

/// Show what is a sign of an upset
#[utoipa::path(tag = "risk", responses((status = 200, description = "The limits", body = LimitsView), Problems))]
#[get("/risk/upset-signs")]
async fn get_upset_signs(caller: Caller<perm::ReadRisk>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| figures::get::<SignLimits>(tx).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &LimitsView::from(stored)))
}

/// Set what is a sign of an upset
///
/// An RFC 7396 merge patch: send the fields that change. The next night run reckons with them.
#[utoipa::path(tag = "risk", request_body = LimitsInput,
    params(("If-Match" = String, Header, description = "The ETag of your last read")),
    responses((status = 200, description = "The limits", body = LimitsView), Problems))]
#[patch("/risk/upset-signs")]
async fn update_upset_signs(
    caller: Caller<perm::WriteRisk>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| figures::get::<SignLimits>(tx).await).await?;
    let input: LimitsInput = answer::patched(&LimitsInput::from(current.value), &patch.0)?;
    let new = SignLimits::from(input).checked()?;
    let stored = db.write(caller.scope(), caller.now(), async |tx| figures::set_at(tx, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &LimitsView::from(stored)))
}
