//! `/v1/process-upsets`.

use super::Asked;
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::service::{self, Kept, place, upset};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch, instant, optional_instant};
use crate::http::answer::{self, Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use domain::ids::UnitId;
use domain::service::upset::{ProcessUpset, UpsetKind};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_process_upset)
        .service(list_process_upsets)
        .service(get_process_upset)
        .service(update_process_upset);
}

super::shape! {
    /// The water going wrong.
    #[schema(as = ProcessUpset)]
    ProcessUpsetBody = ProcessUpset {
        /// Which unit.
        #[schema(value_type = Uuid)]
        unit_id: UnitId,
        /// `septic`, `foam`, `turbid`, `oil_through`, `ph_out` or `biology_lost`.
        #[schema(value_type = String, example = "septic")]
        kind: UpsetKind,
        /// When it began, within a placement of the unit.
        #[serde(deserialize_with = "instant")]
        #[schema(example = "2026-03-02T06:00:00Z")]
        began_at: DateTime<Utc>,
        /// When the water was right again; null while it goes on.
        #[serde(default, deserialize_with = "optional_instant")]
        #[schema(example = json!(null))]
        ended_at: Option<DateTime<Utc>>,
        /// What was found.
        #[serde(default)]
        #[schema(example = "Blower stood since Friday", max_length = 4000)]
        found: Option<String>,
        /// What was done.
        #[serde(default)]
        #[schema(example = "Blower replaced, microbes dosed", max_length = 4000)]
        done: Option<String>,
    }
}

/// A process upset. Its end is the upset's own, so the record has no other.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ProcessUpsetShown)]
pub struct UpsetView {
    id: Uuid,
    #[serde(flatten)]
    record: ProcessUpsetBody,
    /// How often it was written; also its ETag.
    #[schema(example = 1)]
    revision: i32,
    /// When it was first written.
    created_at: DateTime<Utc>,
    /// When it was last written.
    changed_at: DateTime<Utc>,
}

impl From<Kept<ProcessUpset>> for UpsetView {
    fn from(Kept { stored, .. }: Kept<ProcessUpset>) -> Self {
        Self {
            id: stored.id,
            record: stored.value.into(),
            revision: stored.revision,
            created_at: stored.created_at,
            changed_at: stored.changed_at,
        }
    }
}

/// Add a process upset
#[utoipa::path(tag = "process upsets", request_body = ProcessUpsetBody,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The upset", body = UpsetView), Problems))]
#[post("/process-upsets")]
async fn create_process_upset(
    caller: Caller<perm::WriteService>,
    key: IdempotencyKey,
    input: Body<ProcessUpsetBody>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = ProcessUpset::from(input.0.clone()).checked(caller.now())?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let kept = upset::create(tx, &new).await?;
        Ok((kept.stored.revision, UpsetView::from(kept)))
    })
    .await
}

/// List process upsets by when they began
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "process upsets", params(AskOf, Asked, Sorting, Paging),
    responses((status = 200, description = "A page of upsets", content(
        (Page<UpsetView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/process-upsets")]
async fn list_process_upsets(
    request: HttpRequest,
    caller: Caller<perm::ReadService>,
    (of, asked): (Query<AskOf>, Query<Asked>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (asked.parse(&of)?, paging.sorted(&sorting, "began_at")?);
    let read = async move |tx: &Tx<'_>, after: &After| service::list::<ProcessUpset>(tx, &filter, after).await;
    let key = |after: &After, kept: &Kept<ProcessUpset>| place(after, kept);
    listed(&request, &caller, (&db, &rates), after, read, (key, UpsetView::from)).await
}

impl Tabled for UpsetView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("unit_id", Kind::Text),
        ("kind", Kind::Text),
        ("began_at", Kind::Instant),
        ("ended_at", Kind::Instant),
        ("found", Kind::Text),
        ("done", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
    ];
}

/// Get a process upset
#[utoipa::path(tag = "process upsets", params(("id" = Uuid, Path, description = "The upset's id")),
    responses((status = 200, description = "The upset", body = UpsetView), Problems))]
#[get("/process-upsets/{id}")]
async fn get_process_upset(
    caller: Caller<perm::ReadService>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let get = async |tx: &Tx<'_>| service::get::<ProcessUpset>(tx, *id).await;
    let kept = db.read(caller.scope(), caller.now(), get).await?;
    Ok(answer::record(StatusCode::OK, kept.stored.revision, &UpsetView::from(kept)))
}

/// Change a process upset
///
/// An RFC 7396 merge patch: mostly, it ends.
#[utoipa::path(tag = "process upsets", request_body = ProcessUpsetBody,
    params(("id" = Uuid, Path, description = "The upset's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The upset as it is now", body = UpsetView), Problems))]
#[patch("/process-upsets/{id}")]
async fn update_process_upset(
    caller: Caller<perm::WriteService>,
    id: Path<Uuid>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let get = async |tx: &Tx<'_>| service::get::<ProcessUpset>(tx, *id).await;
    let current = db.read(caller.scope(), caller.now(), get).await?;
    let new = answer::patched(&ProcessUpsetBody::from(current.stored.value), &patch.0)?;
    let new = ProcessUpset::from(new).checked(caller.now())?;
    let kept = db.write(caller.scope(), caller.now(), async |tx| upset::update(tx, *id, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, kept.stored.revision, &UpsetView::from(kept)))
}
