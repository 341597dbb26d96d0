//! `/v1/fit-limits`: how well the rate of a baseline that is made of bills has to fit them.

use super::answer::{self, Problems};
use crate::auth::{Caller, perm};
use crate::db::{Db, own_record};
use crate::extract::{Body, IfMatch};
use crate::http::routing::Routes;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::Data;
use actix_web::{HttpResponse, get, put};
use domain::baseline::bills::FitLimits;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(get_fit_limits).service(set_fit_limits);
}

/// What is asked of fitted bills. Published limits differ, so that none is asked by itself.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = FitLimits)]
pub struct FitLimitsInput {
    /// Most that the root mean square of the residuals may be of the mean bill; null: not asked.
    #[serde(default)]
    #[schema(example = 0.25, minimum = 0.01, maximum = 10)]
    most_cv_rmse: Option<f64>,
    /// Least that the coefficient of determination may be; null: not asked.
    #[serde(default)]
    #[schema(example = 0.75, minimum = 0, maximum = 1)]
    least_r2: Option<f64>,
}

/// What is asked now.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = FitLimitsInForce)]
pub struct FitLimitsView {
    #[serde(flatten)]
    limits: FitLimitsInput,
    /// How often they were set; 0 while nobody did.
    #[schema(example = 0)]
    revision: i32,
}

impl FitLimitsView {
    fn of(limits: FitLimits, revision: i32) -> Self {
        let FitLimits { most_cv_rmse, least_r2 } = limits;
        Self { limits: FitLimitsInput { most_cv_rmse, least_r2 }, revision }
    }
}

/// Get how well bills have to fit
#[utoipa::path(tag = "baselines",
    responses((status = 200, description = "The limits", body = FitLimitsView), Problems))]
#[get("/fit-limits")]
async fn get_fit_limits(caller: Caller<perm::WriteAccounts>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| own_record::find::<FitLimits>(tx).await).await?;
    let (limits, revision) = stored.map_or((FitLimits::default(), 0), |stored| (stored.value, stored.revision));
    Ok(answer::record(StatusCode::OK, revision, &FitLimitsView::of(limits, revision)))
}

/// Set how well bills have to fit
///
/// Baselines agreed from now on are held against them.
#[utoipa::path(tag = "baselines", request_body = FitLimitsInput,
    params(("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The limits as they are now", body = FitLimitsView), Problems))]
#[put("/fit-limits")]
async fn set_fit_limits(
    caller: Caller<perm::WriteLimits>,
    at: IfMatch,
    input: Body<FitLimitsInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let FitLimitsInput { most_cv_rmse, least_r2 } = input.0;
    let new = FitLimits { most_cv_rmse, least_r2 }.checked()?;
    let stored = db.write(caller.scope(), caller.now(), async |tx| own_record::set_at(tx, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &FitLimitsView::of(stored.value, stored.revision)))
}
