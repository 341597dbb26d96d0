//! `/v1/sites/{id}/dips`: what was left in the drums of a site, and `/v1/dips` of all of them.

use super::{Instants, NotedView, OfSite, Shape, Withdrawal, create, list, of_sites, withdraw};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::measures::dip::SiteDip;
use crate::extract::{Body, IdempotencyKey, instant};
use crate::http::answer::{Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::series::AskOfSites;
use crate::http::table::{Kind, Tabled};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::{ItemId, NoteId, SiteId};
use domain::span;
use domain::stock::quantity::{Quantity, StockUnit};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_dip).service(list_dips).service(list_dips_of_sites).service(withdraw_dip);
}

/// What is sent of a dip.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = DipInput)]
pub struct DipInput {
    /// The consumable.
    item_id: Uuid,
    /// When.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T07:30:00Z")]
    at: DateTime<Utc>,
    /// Left in what is opened.
    #[schema(example = "12.5")]
    open: Decimal,
    /// In what is still sealed.
    #[schema(example = "50")]
    sealed: Decimal,
    /// In what both are given: the consumable's own unit.
    #[schema(example = "l")]
    unit: String,
}

/// A dip.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Dip)]
pub struct DipShown {
    /// The consumable.
    item_id: Uuid,
    /// When.
    at: DateTime<Utc>,
    /// Left in what is opened, in the consumable's unit.
    #[schema(example = "12.5")]
    open: Decimal,
    /// In what is still sealed.
    #[schema(example = "50")]
    sealed: Decimal,
}

impl Shape for DipInput {
    type Note = SiteDip;
    type Shown = DipShown;

    fn parse(&self, now: DateTime<Utc>) -> Result<SiteDip, Faults> {
        let mut faults = Faults::default();
        let at = span::happened(&mut faults, "/at", self.at, now);
        let unit = faults.take("/unit", StockUnit::parse(&self.unit));
        let open = faults.take("/open", Quantity::parse(self.open)).unwrap_or_default();
        let sealed = faults.take("/sealed", Quantity::parse(self.sealed)).unwrap_or_default();
        faults.or(SiteDip { item_id: ItemId(self.item_id), at, open, sealed, unit })
    }

    fn shown(note: &SiteDip) -> DipShown {
        DipShown { item_id: note.item_id.0, at: note.at, open: note.open.get(), sealed: note.sealed.get() }
    }
}

/// Add a dip of a site's drums
///
/// It stands beside the ledger and changes nothing there.
#[utoipa::path(tag = "measures", request_body = DipInput,
    params(("id" = Uuid, Path, description = "The site's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The dip", body = NotedView<DipShown>), Problems))]
#[post("/sites/{id}/dips")]
async fn create_dip(
    caller: Caller<perm::WriteMeasures>,
    id: Path<SiteId>,
    key: IdempotencyKey,
    input: Body<DipInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List a site's dips
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The site's id"), Instants, Sorting, Paging),
    responses((status = 200, description = "A page of dips", content(
        (Page<NotedView<DipShown>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/dips")]
async fn list_dips(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<SiteId>,
    asked: Query<Instants>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, DipInput>(&request, &caller, (&db, &rates), *id, (asked.0, &sorting, &paging)).await
}

/// List dips
///
/// Of all sites within one's reach, in the order in which they were noted down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOfSites, Instants, Sorting, Paging),
    responses((status = 200, description = "A page of dips", content(
        (Page<OfSite<DipShown>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/dips")]
async fn list_dips_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOfSites>, Query<Instants>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    of_sites::<_, DipInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for DipShown {
    const COLUMNS: &'static [(&'static str, Kind)] =
        &[("item_id", Kind::Text), ("at", Kind::Instant), ("open", Kind::Text), ("sealed", Kind::Text)];
}

/// Withdraw a wrong dip
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The dip's id")),
    responses((status = 200, description = "The dip, withdrawn", body = NotedView<DipShown>), Problems))]
#[post("/sites/{id}/dips/{note_id}/withdraw")]
async fn withdraw_dip(
    caller: Caller<perm::WriteMeasures>,
    path: Path<(SiteId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, DipInput>(&db, &caller, *path, &input.0).await
}
