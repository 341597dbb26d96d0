//! `/v1/covers`.

use super::{Asked, KeptView, view};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::service::handed_over::{self, HandedOver};
use crate::db::service::{self, Kept, cover, place};
use crate::db::{Db, DbError, Revision, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::answer::{self, Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use chrono::NaiveDate;
use domain::ids::{ComponentId, UnitId};
use domain::service::cover::{Claim, Cover, Covered, GivenBy};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_cover).service(list_covers).service(get_cover).service(update_cover);
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
        /// Local days, `from` and up to, not including, `to`; or `months` from the day on which the unit
        /// was handed over to its customer, as its handover says when warranty starts.
        #[serde(default)]
        #[schema(value_type = Option<Object>, example = json!({ "from": "2026-03-02", "to": "2028-03-02" }))]
        parts: Option<Covered>,
        /// The same for work.
        #[serde(default)]
        #[schema(value_type = Option<Object>, example = json!({ "months": 12 }))]
        labour: Option<Covered>,
        /// The same for travel.
        #[serde(default)]
        #[schema(value_type = Option<Object>, example = json!(null))]
        travel: Option<Covered>,
        /// The same for consumables.
        #[serde(default)]
        #[schema(value_type = Option<Object>, example = json!(null))]
        consumables: Option<Covered>,
        /// The local day on which what counts by months starts at the latest, handed over or not.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(example = json!(null))]
        long_stop: Option<NaiveDate>,
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

/// A warranty cover, and the days on which it holds.
#[derive(Debug, Serialize, ToSchema)]
pub struct CoverView {
    #[serde(flatten)]
    kept: KeptView<CoverBody>,
    /// When what counts by months starts; null while the unit was not handed over and no long stop is
    /// stated, or where nothing counts by months.
    #[schema(example = "2026-03-02")]
    starts_on: Option<NaiveDate>,
    /// The days on which each part of it holds, as far as they are known.
    holds: Held,
}

/// The days on which each part of a cover holds.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = CoverHolds)]
pub struct Held {
    /// Parts.
    parts: Option<HeldDays>,
    /// Work.
    labour: Option<HeldDays>,
    /// Travel.
    travel: Option<HeldDays>,
    /// Consumables.
    consumables: Option<HeldDays>,
}

/// Local days, from and up to, not including.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = WarrantyDays)]
pub struct HeldDays {
    /// The first day.
    #[schema(example = "2026-01-01")]
    from: NaiveDate,
    /// The day after the last.
    #[schema(example = "2028-01-01")]
    to: NaiveDate,
}

impl CoverView {
    fn of(kept: Kept<Cover>, started_on: Option<NaiveDate>) -> Self {
        let value = &kept.stored.value;
        let start = value.starts_on(started_on);
        let days = |covered: Option<Covered>| covered?.span(start).map(|(from, to)| HeldDays { from, to });
        let holds = Held {
            parts: days(value.parts),
            labour: days(value.labour),
            travel: days(value.travel),
            consumables: days(value.consumables),
        };
        Self { starts_on: start.filter(|_| value.counts_from_handover()), holds, kept: view::<_, CoverBody>(kept) }
    }
}

/// When the unit's handover to the one whom a cover is given to started warranties.
fn started_on(kept: &Kept<Cover>, handed_over: &HandedOver) -> Option<NaiveDate> {
    handed_over.started_on(kept.stored.value.unit_id, kept.keys.customer)
}

/// A cover with what its days rest on.
async fn shown(tx: &Tx<'_>, kept: Kept<Cover>) -> Result<(Revision, CoverView), DbError> {
    let handed_over = handed_over::of(tx, &[kept.stored.value.unit_id.0]).await?;
    let started_on = started_on(&kept, &handed_over);
    Ok((kept.stored.revision, CoverView::of(kept, started_on)))
}

/// Add a warranty cover
#[utoipa::path(tag = "covers", request_body = CoverBody,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The cover", body = CoverView), Problems))]
#[post("/covers")]
async fn create_cover(
    caller: Caller<perm::WriteCovers>,
    key: IdempotencyKey,
    input: Body<CoverBody>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = Cover::from(input.0.clone()).checked()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| shown(tx, cover::create(tx, &new).await?).await).await
}

/// List covers by their first day
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "covers", params(AskOf, Asked, Sorting, Paging),
    responses((status = 200, description = "A page of covers", content(
        (Page<CoverView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/covers")]
async fn list_covers(
    request: HttpRequest,
    caller: Caller<perm::ReadCovers>,
    (of, asked): (Query<AskOf>, Query<Asked>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (asked.parse(&of)?, paging.sorted(&sorting, "first_day")?);
    let read = async move |tx: &Tx<'_>, after: &After| {
        let rows = service::list::<Cover>(tx, &filter, after).await?;
        let units: Vec<Uuid> = rows.iter().map(|kept| kept.stored.value.unit_id.0).collect();
        let handed_over = handed_over::of(tx, &units).await?;
        Ok(rows.into_iter().map(|kept| (started_on(&kept, &handed_over), kept)).collect::<Vec<_>>())
    };
    let key = |after: &After, (_, kept): &(Option<NaiveDate>, Kept<Cover>)| place(after, kept);
    let view = |(started_on, kept)| CoverView::of(kept, started_on);
    listed(&request, &caller, (&db, &rates), after, read, (key, view)).await
}

impl Tabled for CoverView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("unit_id", Kind::Text),
        ("given_by", Kind::Text),
        ("component_id", Kind::Text),
        ("parts", Kind::Text),
        ("labour", Kind::Text),
        ("travel", Kind::Text),
        ("consumables", Kind::Text),
        ("long_stop", Kind::Day),
        ("exclusions", Kind::Text),
        ("claims", Kind::Text),
        ("starts_on", Kind::Day),
        ("holds", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a warranty cover
#[utoipa::path(tag = "covers", params(("id" = Uuid, Path, description = "The cover's id")),
    responses((status = 200, description = "The cover", body = CoverView), Problems))]
#[get("/covers/{id}")]
async fn get_cover(caller: Caller<perm::ReadCovers>, id: Path<Uuid>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let get = async |tx: &Tx<'_>| shown(tx, service::get::<Cover>(tx, *id).await?).await;
    let (revision, cover) = db.read(caller.scope(), caller.now(), get).await?;
    Ok(answer::record(StatusCode::OK, revision, &cover))
}

/// Change a warranty cover
///
/// An RFC 7396 merge patch; `claims` are sent whole.
#[utoipa::path(tag = "covers", request_body = CoverBody,
    params(("id" = Uuid, Path, description = "The cover's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The cover as it is now", body = CoverView), Problems))]
#[patch("/covers/{id}")]
async fn update_cover(
    caller: Caller<perm::WriteCovers>,
    id: Path<Uuid>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let get = async |tx: &Tx<'_>| service::get::<Cover>(tx, *id).await;
    let current = db.read(caller.scope(), caller.now(), get).await?;
    let new = answer::patched(&CoverBody::from(current.stored.value), &patch.0)?;
    let new = Cover::from(new).checked()?;
    let work = async |tx: &Tx<'_>| shown(tx, cover::update(tx, *id, at.0, &new).await?).await;
    let (revision, cover) = db.write(caller.scope(), caller.now(), work).await?;
    Ok(answer::record(StatusCode::OK, revision, &cover))
}
