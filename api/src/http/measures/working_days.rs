//! `/v1/sites/{id}/working-days`, and `/v1/working-days` of all of them.

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
use domain::measures::working_days::{Hours, Week, WorkingDays};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_working_days)
        .service(list_all_working_days)
        .service(list_working_days_of_sites)
        .service(withdraw_working_days)
        .service(end_working_days);
}

/// What is sent of a working days.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = WorkingDays)]
pub struct WorkingDaysInput {
    /// The first local day they hold on; the ones that go on until then end there.
    #[schema(example = "2026-01-01")]
    from: NaiveDate,
    /// The day after the last, where that is known.
    #[serde(default)]
    #[schema(example = json!(null))]
    to: Option<NaiveDate>,
    /// Seven entries, Monday first: `opens` and `closes` on the local clock, or null on a day off.
    #[schema(value_type = Vec<Option<Object>>, example = json!([{ "opens": "07:00:00", "closes": "17:00:00" },
        { "opens": "07:00:00", "closes": "17:00:00" }, { "opens": "07:00:00", "closes": "17:00:00" },
        { "opens": "07:00:00", "closes": "17:00:00" }, { "opens": "07:00:00", "closes": "12:00:00" }, null, null]))]
    hours: [Option<Hours>; 7],
    /// Single days on which the site is closed.
    #[serde(default)]
    #[schema(example = json!(["2026-12-25"]))]
    closed: Vec<NaiveDate>,
}

impl Shape for WorkingDaysInput {
    type Note = WorkingDays;
    type Shown = Self;
    const OWN: &'static str = "from";

    fn parse(&self, _now: DateTime<Utc>) -> Result<WorkingDays, Faults> {
        let mut faults = Faults::default();
        let days = faults.take_or("", Days::parse(self.from, self.to), Days::since(self.from));
        let week = Week { hours: self.hours, closed: self.closed.clone() };
        faults.and(WorkingDays { days, week }.checked())
    }

    fn shown(note: &WorkingDays) -> Self {
        Self { from: note.days.from(), to: note.days.to(), hours: note.week.hours, closed: note.week.closed.clone() }
    }
}

/// Say when a site works
///
/// What people read once in a while is spread over these hours, and a baseline for each working day
/// counts these days. One pattern holds at a time.
#[utoipa::path(tag = "measures", request_body = WorkingDaysInput,
    params(("id" = Uuid, Path, description = "The site's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The working days", body = NotedView<WorkingDaysInput>), Problems))]
#[post("/sites/{id}/working-days")]
async fn create_working_days(
    caller: Caller<perm::WriteDeclared>,
    id: Path<SiteId>,
    key: IdempotencyKey,
    input: Body<WorkingDaysInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List when a site works
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The site's id"), LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of them", content(
        (Page<NotedView<WorkingDaysInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/working-days")]
async fn list_all_working_days(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<SiteId>,
    asked: Query<LocalDays>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, WorkingDaysInput>(&request, &caller, (&db, &rates), *id, ((&asked.0).into(), &sorting, &paging)).await
}

/// List when sites work
///
/// Of all sites within one's reach, in the order in which they were noted down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOfSites, LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of them", content(
        (Page<OfSite<WorkingDaysInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/working-days")]
async fn list_working_days_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOfSites>, Query<LocalDays>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let asked = Instants::from(&asked.0);
    of_sites::<_, WorkingDaysInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for WorkingDaysInput {
    const COLUMNS: &'static [(&'static str, Kind)] =
        &[("from", Kind::Day), ("to", Kind::Day), ("hours", Kind::Text), ("closed", Kind::Text)];
}

/// Withdraw wrong working days
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The record's id")),
    responses((status = 200, description = "The working days, withdrawn", body = NotedView<WorkingDaysInput>), Problems))]
#[post("/sites/{id}/working-days/{note_id}/withdraw")]
async fn withdraw_working_days(
    caller: Caller<perm::WriteDeclared>,
    path: Path<(SiteId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, WorkingDaysInput>(&db, &caller, *path, &input.0).await
}

/// End working days that go on
#[utoipa::path(tag = "measures", request_body = LastDays,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The record's id")),
    responses((status = 200, description = "The working days, ended", body = NotedView<WorkingDaysInput>), Problems))]
#[post("/sites/{id}/working-days/{note_id}/end")]
async fn end_working_days(
    caller: Caller<perm::WriteDeclared>,
    path: Path<(SiteId, NoteId)>,
    input: Body<LastDays>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    end::<_, WorkingDaysInput>(&db, &caller, *path, input.0.to).await
}
