//! `/v1/places`.

use super::items::ListRetired;
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::stock::place::{self, StoredPlace, kind_name};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use crate::http::routing::Routes;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::ids::{PlaceId, SiteId};
use domain::stock::place::{Place, PlaceKind};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_place).service(list_places).service(get_place).service(update_place).service(retire_place);
}

/// What is sent of a place where stock stands.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PlaceInput {
    /// Its name.
    #[schema(example = "Van 2", max_length = 120)]
    name: String,
    /// `warehouse`, `van` or `site`; it stays.
    #[schema(example = "van")]
    kind: String,
    /// The site, of a place that is one; a site has one place at most.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = json!(null))]
    site_id: Option<Uuid>,
}

impl PlaceInput {
    /// The place.
    ///
    /// # Errors
    /// Every fault found.
    pub(crate) fn parse(&self) -> Result<Place, Faults> {
        let mut faults = Faults::default();
        let kind = match (self.kind.as_str(), self.site_id) {
            ("warehouse", None) => PlaceKind::Warehouse,
            ("van", None) => PlaceKind::Van,
            ("site", Some(site)) => PlaceKind::Site { site_id: SiteId(site) },
            ("site", None) => {
                faults.add("/site_id", "required", "name the site");
                PlaceKind::Van
            }
            ("warehouse" | "van", Some(_)) => {
                faults.add("/site_id", "not_taken", "leave it out: only a place of kind site has one");
                PlaceKind::Van
            }
            _ => {
                faults.add("/kind", "unknown_kind", "give one of: warehouse, van, site");
                PlaceKind::Van
            }
        };
        // Its zone follows from what it is, where it is stored.
        faults.and(Place { name: self.name.clone(), kind, time_zone: Tz::UTC }.checked())
    }
}

impl From<&Place> for PlaceInput {
    fn from(place: &Place) -> Self {
        let (kind, site) = kind_name(place.kind);
        Self { name: place.name.clone(), kind: kind.to_owned(), site_id: site.map(|site| site.0) }
    }
}

/// A place where stock stands.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Place)]
pub struct PlaceView {
    id: Uuid,
    #[serde(flatten)]
    record: PlaceInput,
    /// The IANA zone of its days: its site's, else the dealer's.
    #[schema(example = "Europe/Vienna")]
    time_zone: &'static str,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<StoredPlace> for PlaceView {
    fn from(stored: StoredPlace) -> Self {
        let (record, stamps) = (PlaceInput::from(&stored.value), Stamps::from(&stored));
        Self { id: stored.id.0, record, time_zone: stored.value.time_zone.name(), stamps }
    }
}

/// Add a place
#[utoipa::path(tag = "stock", request_body = PlaceInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The place", body = PlaceView), Problems))]
#[post("/places")]
async fn create_place(
    caller: Caller<perm::WriteItems>,
    key: IdempotencyKey,
    input: Body<PlaceInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = place::create(tx, &new).await?;
        Ok((stored.revision, PlaceView::from(stored)))
    })
    .await
}

/// List places by name
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "stock", params(ListRetired, Sorting, Paging),
    responses((status = 200, description = "A page of places", content(
        (Page<PlaceView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/places")]
async fn list_places(
    request: HttpRequest,
    caller: Caller<perm::ReadStock>,
    filter: Query<ListRetired>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (retired, after) = (filter.retired, paging.sorted(&sorting, "name")?);
    let read = async move |tx: &Tx<'_>, after: &After| place::list(tx, retired, after).await;
    let key = |after: &After, row: &StoredPlace| after.place(row, &row.value.name, row.id.0);
    listed(&request, &caller, (&db, &rates), after, read, (key, PlaceView::from)).await
}

impl Tabled for PlaceView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("name", Kind::Text),
        ("kind", Kind::Text),
        ("site_id", Kind::Text),
        ("time_zone", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a place
#[utoipa::path(tag = "stock", params(("id" = Uuid, Path, description = "The place's id")),
    responses((status = 200, description = "The place", body = PlaceView), Problems))]
#[get("/places/{id}")]
async fn get_place(caller: Caller<perm::ReadStock>, id: Path<PlaceId>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| place::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &PlaceView::from(stored)))
}

/// Change a place
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one.
#[utoipa::path(tag = "stock", request_body = PlaceInput,
    params(("id" = Uuid, Path, description = "The place's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The place as it is now", body = PlaceView), Problems))]
#[patch("/places/{id}")]
async fn update_place(
    caller: Caller<perm::WriteItems>,
    id: Path<PlaceId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| place::get(tx, *id).await).await?;
    let new = answer::patched(&PlaceInput::from(&current.value), &patch.0)?.parse()?;
    let stored = db.write(caller.scope(), caller.now(), async |tx| place::update_at(tx, *id, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &PlaceView::from(stored)))
}

/// Retire a place
///
/// It has to be empty. The record stays readable; lists leave it out unless asked.
#[utoipa::path(tag = "stock",
    params(("id" = Uuid, Path, description = "The place's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The place as it is now", body = PlaceView), Problems))]
#[post("/places/{id}/retire")]
async fn retire_place(
    caller: Caller<perm::WriteItems>,
    id: Path<PlaceId>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.write(caller.scope(), caller.now(), async |tx| place::retire(tx, *id, at.0).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &PlaceView::from(stored)))
}
