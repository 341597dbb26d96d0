//! `/v1/risk/pooling`: whether the dealer lends counts of lives to others, and is lent theirs.

use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::risk::figures::{self, StoredFigures};
use crate::db::risk::lent::LentLives;
use crate::extract::{Body, IfMatch};
use crate::http::answer::{self, Problems};
use crate::http::routing::Routes;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::Data;
use actix_web::{HttpResponse, get, patch};
use chrono::{DateTime, Utc};
use domain::risk::pooling::Pooling;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(get_risk_pooling).service(update_risk_pooling);
}

/// Whether the dealer lends counts of lives, and is lent those of others: one only with the other.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = RiskPoolingInput)]
pub struct PoolingInput {
    /// Whether it does. False unless set. What crosses is, for each kind of part, duty and what ages it: how
    /// many lives were watched, for how long together, and how many failed; no ids, names, models or places,
    /// and summed over all dealers that lend.
    #[schema(example = false)]
    lends: bool,
}

/// The choice as it is kept.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = RiskPooling)]
pub struct PoolingView {
    #[serde(flatten)]
    pooling: PoolingInput,
    /// How often it was written; 0 while nobody did.
    revision: i32,
    /// When it was last written.
    changed_at: Option<DateTime<Utc>>,
}

impl From<StoredFigures<Pooling>> for PoolingView {
    fn from(stored: StoredFigures<Pooling>) -> Self {
        let StoredFigures { revision, changed_at, value: Pooling { lends } } = stored;
        Self { pooling: PoolingInput { lends }, revision, changed_at }
    }
}

/// Show whether counts of lives are lent
#[utoipa::path(tag = "risk", responses((status = 200, description = "The choice", body = PoolingView), Problems))]
#[get("/risk/pooling")]
async fn get_risk_pooling(caller: Caller<perm::LendLives>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| figures::get::<Pooling>(tx).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &PoolingView::from(stored)))
}

/// Say whether counts of lives are lent
///
/// The next night run lends, and is lent. Who no longer lends has its counts taken back at once.
#[utoipa::path(tag = "risk", request_body = PoolingInput,
    params(("If-Match" = String, Header, description = "The ETag of your last read")),
    responses((status = 200, description = "The choice", body = PoolingView), Problems))]
#[patch("/risk/pooling")]
async fn update_risk_pooling(
    caller: Caller<perm::LendLives>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| figures::get::<Pooling>(tx).await).await?;
    let PoolingInput { lends } = answer::patched(&PoolingInput { lends: current.value.lends }, &patch.0)?;
    let new = Pooling { lends };
    let stored = db.write(caller.scope(), caller.now(), async |tx| figures::set_at(tx, at.0, &new).await).await?;
    if !lends {
        db.lend(caller.scope().dealer(), &LentLives::new()).await?;
    }
    Ok(answer::record(StatusCode::OK, stored.revision, &PoolingView::from(stored)))
}
