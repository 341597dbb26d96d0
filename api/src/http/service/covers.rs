//! `/v1/covers`.

use super::{Asked, KeptView, view};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::service::{self, cover, cursor_of};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::answer::{self, Page, Paging, Problems};
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use domain::ids::{ComponentId, UnitId};
use domain::service::cover::{Claim, Cover, Covered, GivenBy};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(config: &mut ServiceConfig) {
    config.service(create_cover).service(list_covers).service(get_cover).service(update_cover);
}

super::shape! {
    /// Warranty cover of a unit, apart for parts, labour, travel and consumables.
    #[schema(as = Cover)]
    CoverBody = Cover {
        /// Of which unit.
        #[schema(value_type = Uuid)]
        unit_id: UnitId,
        /// `dealer`, to the customer who has the unit, or `supplier`, to the dealer.
        #[schema(value_type = String, example = "dealer")]
        given_by: GivenBy,
        /// Of this part alone; null for the whole unit.
        #[serde(default)]
        #[schema(value_type = Option<Uuid>)]
        component_id: Option<ComponentId>,
        /// Local days, from and up to, not including.
        #[serde(default)]
        #[schema(value_type = Option<Object>, example = json!({ "from": "2026-03-02", "to": "2028-03-02" }))]
        parts: Option<Covered>,
        /// The same for work.
        #[serde(default)]
        #[schema(value_type = Option<Object>, example = json!({ "from": "2026-03-02", "to": "2027-03-02" }))]
        labour: Option<Covered>,
        /// The same for travel.
        #[serde(default)]
        #[schema(value_type = Option<Object>, example = json!(null))]
        travel: Option<Covered>,
        /// The same for consumables.
        #[serde(default)]
        #[schema(value_type = Option<Object>, example = json!(null))]
        consumables: Option<Covered>,
        /// What it leaves out.
        #[serde(default)]
        #[schema(example = json!(["Frost"]))]
        exclusions: Vec<String>,
        /// Claims on the supplier who gives it: part returned, credit received.
        #[serde(default)]
        #[schema(value_type = Vec<Object>, example = json!([{ "part": "Blower", "number": "RMA-7", "returned_on": "2026-06-01",
            "credited_on": "2026-07-01", "credit": { "amount": "180.00", "currency": "EUR" } }]))]
        claims: Vec<Claim>,
    }
}

/// Add a warranty cover
#[utoipa::path(tag = "covers", request_body = CoverBody,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The cover", body = KeptView<CoverBody>), Problems))]
#[post("/covers")]
async fn create_cover(
    caller: Caller<perm::WriteCovers>,
    key: IdempotencyKey,
    input: Body<CoverBody>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = Cover::from(input.0.clone()).checked()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let kept = cover::create(tx, &new).await?;
        Ok((kept.stored.revision, view::<_, CoverBody>(kept)))
    })
    .await
}

/// List covers by their first day
#[utoipa::path(tag = "covers", params(Asked, Paging),
    responses((status = 200, description = "A page of covers", body = Page<KeptView<CoverBody>>), Problems))]
#[get("/covers")]
async fn list_covers(
    request: HttpRequest,
    caller: Caller<perm::ReadCovers>,
    asked: Query<Asked>,
    paging: Query<Paging>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (asked.parse()?, paging.parse()?);
    let list = async |tx: &crate::db::Tx<'_>| service::list::<Cover>(tx, &filter, &after).await;
    let rows = db.read(caller.scope(), caller.now(), list).await?;
    Ok(answer::page(&request, &after, rows, cursor_of, view::<_, CoverBody>))
}

/// Get a warranty cover
#[utoipa::path(tag = "covers", params(("id" = Uuid, Path, description = "The cover's id")),
    responses((status = 200, description = "The cover", body = KeptView<CoverBody>), Problems))]
#[get("/covers/{id}")]
async fn get_cover(caller: Caller<perm::ReadCovers>, id: Path<Uuid>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let get = async |tx: &crate::db::Tx<'_>| service::get::<Cover>(tx, *id).await;
    let kept = db.read(caller.scope(), caller.now(), get).await?;
    Ok(answer::record(StatusCode::OK, kept.stored.revision, &view::<_, CoverBody>(kept)))
}

/// Change a warranty cover
///
/// An RFC 7396 merge patch; `claims` are sent whole.
#[utoipa::path(tag = "covers", request_body = CoverBody,
    params(("id" = Uuid, Path, description = "The cover's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The cover as it is now", body = KeptView<CoverBody>), Problems))]
#[patch("/covers/{id}")]
async fn update_cover(
    caller: Caller<perm::WriteCovers>,
    id: Path<Uuid>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let get = async |tx: &crate::db::Tx<'_>| service::get::<Cover>(tx, *id).await;
    let current = db.read(caller.scope(), caller.now(), get).await?;
    let new = answer::patched(&CoverBody::from(current.stored.value), &patch.0)?;
    let new = Cover::from(new).checked()?;
    let kept = db.write(caller.scope(), caller.now(), async |tx| cover::update(tx, *id, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, kept.stored.revision, &view::<_, CoverBody>(kept)))
}
