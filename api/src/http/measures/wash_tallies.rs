//! `/v1/sites/{id}/wash-tallies`, and `/v1/wash-tallies` of all of them.

use super::{Instants, LocalDays, NotedView, OfSite, Shape, Withdrawal, create, list, of_sites, withdraw};
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
use domain::measures::wash_tally::{TallySource, WashTally};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_wash_tally)
        .service(list_wash_tallies)
        .service(list_wash_tallies_of_sites)
        .service(withdraw_wash_tally);
}

/// What is sent of a wash tally.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = WashTally)]
pub struct WashTallyInput {
    /// The first local day counted.
    #[schema(example = "2026-03-01")]
    from: NaiveDate,
    /// The day after the last.
    #[schema(example = "2026-04-01")]
    to: NaiveDate,
    /// What was washed, one word in snake_case, the same for all machines of a class.
    #[schema(example = "wheel_loader", max_length = 60, pattern = "^[a-z][a-z0-9_]*$")]
    machine_class: String,
    /// How often.
    #[schema(example = 42, minimum = 0)]
    washes: i32,
    /// `counter`, `typed` or `sessions`.
    #[schema(example = "typed")]
    source: String,
}

impl Shape for WashTallyInput {
    type Note = WashTally;
    type Shown = Self;
    const OWN: &'static str = "from";

    fn parse(&self, _now: DateTime<Utc>) -> Result<WashTally, Faults> {
        let mut faults = Faults::default();
        let tally = WashTally {
            days: faults.take_or("", Days::parse(self.from, Some(self.to)), Days::since(self.from)),
            machine_class: self.machine_class.clone(),
            washes: self.washes,
            source: faults.take_or("/source", TallySource::parse(&self.source), TallySource::Typed),
        };
        faults.and(tally.checked())
    }

    fn shown(note: &WashTally) -> Self {
        Self {
            from: note.days.from(),
            // Stored tallies have an end: none is taken without.
            to: note.days.to().unwrap_or(note.days.from()),
            machine_class: note.machine_class.clone(),
            washes: note.washes,
            source: note.source.as_str().to_owned(),
        }
    }
}

/// Add a wash tally
///
/// Washes of one class of machine in some local days. Tallies of a class do not overlap.
#[utoipa::path(tag = "measures", request_body = WashTallyInput,
    params(("id" = Uuid, Path, description = "The site's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The wash tally", body = NotedView<WashTallyInput>), Problems))]
#[post("/sites/{id}/wash-tallies")]
async fn create_wash_tally(
    caller: Caller<perm::WriteTallies>,
    id: Path<SiteId>,
    key: IdempotencyKey,
    input: Body<WashTallyInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List a site's wash tallies
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The site's id"), LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of wash tallies", content(
        (Page<NotedView<WashTallyInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/wash-tallies")]
async fn list_wash_tallies(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<SiteId>,
    asked: Query<LocalDays>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, WashTallyInput>(&request, &caller, (&db, &rates), *id, ((&asked.0).into(), &sorting, &paging)).await
}

/// List wash tallies
///
/// Of all sites within one's reach, in the order in which they were noted down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOfSites, LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of wash tallies", content(
        (Page<OfSite<WashTallyInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/wash-tallies")]
async fn list_wash_tallies_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOfSites>, Query<LocalDays>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let asked = Instants::from(&asked.0);
    of_sites::<_, WashTallyInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for WashTallyInput {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("from", Kind::Day),
        ("to", Kind::Day),
        ("machine_class", Kind::Text),
        ("washes", Kind::Whole),
        ("source", Kind::Text),
    ];
}

/// Withdraw a wrong wash tally
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The wash tally's id")),
    responses((status = 200, description = "The wash tally, withdrawn", body = NotedView<WashTallyInput>), Problems))]
#[post("/sites/{id}/wash-tallies/{note_id}/withdraw")]
async fn withdraw_wash_tally(
    caller: Caller<perm::WriteTallies>,
    path: Path<(SiteId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, WashTallyInput>(&db, &caller, *path, &input.0).await
}
