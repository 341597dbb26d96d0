//! `/v1/sites/{id}/wash-sessions`, and `/v1/wash-sessions` of all of them.

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
use domain::ids::{MeterId, NoteId, SiteId};
use domain::measures::days::Days;
use domain::measures::wash_sessions::WashSessions;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_wash_sessions)
        .service(list_wash_sessions)
        .service(list_wash_sessions_of_sites)
        .service(withdraw_wash_sessions)
        .service(end_wash_sessions);
}

/// What is sent of wash sessions: which pause tells washes apart at a meter of a single gun.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = WashSessions)]
pub struct WashSessionsInput {
    /// The first local day; what was declared of this meter until then ends there.
    #[schema(example = "2026-03-01")]
    from: NaiveDate,
    /// The day after the last, where that is known.
    #[serde(default)]
    #[schema(example = json!(null))]
    to: Option<NaiveDate>,
    /// The meter, of the stream `wash`: it serves this one gun and no other.
    meter_id: Uuid,
    /// Minutes without water after which what comes is another wash. Three readings have to lie in it,
    /// or the day has no count.
    #[schema(example = 15, minimum = 1, maximum = 240)]
    pause_min: i32,
    /// Who declared it, by what.
    #[schema(example = "Watched for a shift by the yard's foreman", max_length = 200)]
    source: String,
}

impl Shape for WashSessionsInput {
    type Note = WashSessions;
    type Shown = Self;
    const OWN: &'static str = "from";

    fn parse(&self, _now: DateTime<Utc>) -> Result<WashSessions, Faults> {
        let mut faults = Faults::default();
        let sessions = WashSessions {
            days: faults.take_or("", Days::parse(self.from, self.to), Days::since(self.from)),
            meter_id: MeterId(self.meter_id),
            pause_min: self.pause_min,
            source: self.source.clone(),
        };
        faults.and(sessions.checked())
    }

    fn shown(note: &WashSessions) -> Self {
        Self {
            from: note.days.from(),
            to: note.days.to(),
            meter_id: note.meter_id.0,
            pause_min: note.pause_min,
            source: note.source.clone(),
        }
    }
}

/// Say which pause tells washes apart
///
/// At a meter of a single gun, from a day on, where nobody tallies washes and no counter counts them.
#[utoipa::path(tag = "measures", request_body = WashSessionsInput,
    params(("id" = Uuid, Path, description = "The site's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The wash sessions", body = NotedView<WashSessionsInput>), Problems))]
#[post("/sites/{id}/wash-sessions")]
async fn create_wash_sessions(
    caller: Caller<perm::WriteDeclared>,
    id: Path<SiteId>,
    key: IdempotencyKey,
    input: Body<WashSessionsInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List which pauses tell washes apart at a site
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The site's id"), LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of wash sessions", content(
        (Page<NotedView<WashSessionsInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/wash-sessions")]
async fn list_wash_sessions(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<SiteId>,
    asked: Query<LocalDays>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, WashSessionsInput>(&request, &caller, (&db, &rates), *id, ((&asked.0).into(), &sorting, &paging)).await
}

/// List which pauses tell washes apart
///
/// Of all sites within one's reach, in the order in which they were noted down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOfSites, LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of wash sessions", content(
        (Page<OfSite<WashSessionsInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/wash-sessions")]
async fn list_wash_sessions_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOfSites>, Query<LocalDays>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let asked = Instants::from(&asked.0);
    of_sites::<_, WashSessionsInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for WashSessionsInput {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("from", Kind::Day),
        ("to", Kind::Day),
        ("meter_id", Kind::Text),
        ("pause_min", Kind::Whole),
        ("source", Kind::Text),
    ];
}

/// Withdraw wrong wash sessions
///
/// They stay readable, marked, and count no more; add others in their place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The wash sessions' id")),
    responses((status = 200, description = "The wash sessions, withdrawn", body = NotedView<WashSessionsInput>), Problems))]
#[post("/sites/{id}/wash-sessions/{note_id}/withdraw")]
async fn withdraw_wash_sessions(
    caller: Caller<perm::WriteDeclared>,
    path: Path<(SiteId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, WashSessionsInput>(&db, &caller, *path, &input.0).await
}

/// End wash sessions that go on
#[utoipa::path(tag = "measures", request_body = LastDays,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The wash sessions' id")),
    responses((status = 200, description = "The wash sessions, ended", body = NotedView<WashSessionsInput>), Problems))]
#[post("/sites/{id}/wash-sessions/{note_id}/end")]
async fn end_wash_sessions(
    caller: Caller<perm::WriteDeclared>,
    path: Path<(SiteId, NoteId)>,
    input: Body<LastDays>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    end::<_, WashSessionsInput>(&db, &caller, *path, input.0.to).await
}
