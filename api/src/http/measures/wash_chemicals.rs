//! `/v1/sites/{id}/wash-chemicals`, and `/v1/wash-chemicals` of all of them.

use super::{
    Instants, LastDays, LocalDays, NotedView, OfSite, Shape, Withdrawal, create, end, list, of_sites, withdraw,
};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::extract::{Body, IdempotencyKey};
use crate::http::answer::{Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::series::AskOfSites;
use crate::http::table::{Kind, Tabled};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::fault::Faults;
use domain::ids::{NoteId, SiteId};
use domain::measures::days::Days;
use domain::service::chemical::{Standing, WashChemical};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_wash_chemical)
        .service(list_wash_chemicals)
        .service(list_wash_chemicals_of_sites)
        .service(withdraw_wash_chemical)
        .service(end_wash_chemical);
}

/// What is sent of a wash chemical.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = WashChemical)]
pub struct WashChemicalInput {
    /// The first local day on which it was used and stood so.
    #[schema(example = "2026-03-01")]
    from: NaiveDate,
    /// The day after the last; null while it goes on.
    #[serde(default)]
    #[schema(example = json!(null))]
    to: Option<NaiveDate>,
    /// The product, as its can says.
    #[schema(example = "Truck foam, alkaline", max_length = 120)]
    product: String,
    /// Whether the unit takes it: `accepted`, `not_accepted` or `untested`.
    #[schema(example = "untested")]
    standing: String,
    /// What else there is to say.
    #[serde(default)]
    #[schema(example = "Safety data sheet asked for", max_length = 500)]
    note: Option<String>,
}

impl Shape for WashChemicalInput {
    type Note = WashChemical;
    type Shown = Self;
    const OWN: &'static str = "from";

    fn parse(&self, _now: DateTime<Utc>) -> Result<WashChemical, Faults> {
        let mut faults = Faults::default();
        let days = faults.take_or("", Days::parse(self.from, self.to), Days::since(self.from));
        let standing = faults.take_or("/standing", Standing::parse(&self.standing), Standing::Untested);
        let (product, note) = (self.product.clone(), self.note.clone());
        faults.and(WashChemical { days, product, standing, note }.checked())
    }

    fn shown(note: &WashChemical) -> Self {
        Self {
            from: note.days.from(),
            to: note.days.to(),
            product: note.product.clone(),
            standing: note.standing.as_str().to_owned(),
            note: note.note.clone(),
        }
    }
}

/// Say what a site washes with
///
/// One standing of each product holds at a time: that before ends where this one begins.
#[utoipa::path(tag = "process upsets", request_body = WashChemicalInput,
    params(("id" = Uuid, Path, description = "The site's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The wash chemical", body = NotedView<WashChemicalInput>), Problems))]
#[post("/sites/{id}/wash-chemicals")]
async fn create_wash_chemical(
    caller: Caller<perm::WriteMeasures>,
    id: Path<SiteId>,
    key: IdempotencyKey,
    input: Body<WashChemicalInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List what a site washes with
///
/// Oldest first, changes of standing one after another. As a table (`Accept`), all of them.
#[utoipa::path(tag = "process upsets", params(("id" = Uuid, Path, description = "The site's id"), LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of wash chemicals", content(
        (Page<NotedView<WashChemicalInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/wash-chemicals")]
async fn list_wash_chemicals(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<SiteId>,
    asked: Query<LocalDays>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, WashChemicalInput>(&request, &caller, (&db, &rates), *id, ((&asked.0).into(), &sorting, &paging)).await
}

/// List what sites wash with
///
/// Of all sites within one's reach, in the order in which they were noted down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "process upsets", params(AskOfSites, LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of wash chemicals", content(
        (Page<OfSite<WashChemicalInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/wash-chemicals")]
async fn list_wash_chemicals_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOfSites>, Query<LocalDays>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let asked = Instants::from(&asked.0);
    of_sites::<_, WashChemicalInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for WashChemicalInput {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("from", Kind::Day),
        ("to", Kind::Day),
        ("product", Kind::Text),
        ("standing", Kind::Text),
        ("note", Kind::Text),
    ];
}

/// Withdraw a wrong wash chemical
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "process upsets", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The wash chemical's id")),
    responses((status = 200, description = "The wash chemical, withdrawn", body = NotedView<WashChemicalInput>), Problems))]
#[post("/sites/{id}/wash-chemicals/{note_id}/withdraw")]
async fn withdraw_wash_chemical(
    caller: Caller<perm::WriteMeasures>,
    path: Path<(SiteId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, WashChemicalInput>(&db, &caller, *path, &input.0).await
}

/// End the use of a wash chemical
#[utoipa::path(tag = "process upsets", request_body = LastDays,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The wash chemical's id")),
    responses((status = 200, description = "The wash chemical, ended", body = NotedView<WashChemicalInput>), Problems))]
#[post("/sites/{id}/wash-chemicals/{note_id}/end")]
async fn end_wash_chemical(
    caller: Caller<perm::WriteMeasures>,
    path: Path<(SiteId, NoteId)>,
    input: Body<LastDays>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    end::<_, WashChemicalInput>(&db, &caller, *path, input.0.to).await
}
