//! `/v1/night-runs`: when figures were counted, and counting them at once.

use super::answer::{Arranging, Page, Problems};
use super::table::{Kind, Tabled, whole};
use crate::auth::{Caller, perm};
use crate::db::night_run::{self, Counts, StoredRun};
use crate::db::{Db, DbError};
use crate::http::routing::Routes;
use crate::jobs::night_run::{NightRunError, run};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;

/// Runs that the list gives.
const LISTED: i64 = 30;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_night_runs).service(run_night);
}

/// A night run.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = NightRun)]
pub struct RunView {
    /// The instant that it counts up to.
    as_of: DateTime<Utc>,
    /// When it began.
    started_at: DateTime<Utc>,
    /// When it ended; null while it is at work, or when it was cut off.
    finished_at: Option<DateTime<Utc>>,
    /// `done` or `failed`; null while it is at work.
    #[schema(example = "done")]
    outcome: Option<String>,
}

impl From<StoredRun> for RunView {
    fn from(run: StoredRun) -> Self {
        let StoredRun { as_of, started_at, finished_at, outcome } = run;
        Self { as_of, started_at, finished_at, outcome }
    }
}

/// What a night run did.
#[derive(Debug, Serialize, ToSchema)]
pub struct NightRunDone {
    /// Readings read.
    #[schema(example = 12)]
    readings: u64,
    /// Units and sites counted again.
    #[schema(example = 1)]
    subjects: usize,
    /// Days counted.
    #[schema(example = 31)]
    days: usize,
    /// Savings reports drafted.
    #[schema(example = 1)]
    reports: usize,
    /// Steps between readings held back until somebody decides.
    #[schema(example = 0)]
    exceptions: usize,
}

impl From<Counts> for NightRunDone {
    fn from(counts: Counts) -> Self {
        let Counts { readings, subjects, days, reports, exceptions, .. } = counts;
        Self { readings, subjects, days, reports, exceptions }
    }
}

/// Runs the caller's night run, up to now.
///
/// # Errors
/// A conflict when another one is at work.
pub async fn run_now(db: &Db, caller: &Caller<perm::RunNight>) -> Result<Counts, Problem> {
    run(db, caller.scope().dealer(), caller.now(), &|_done, _total| {}).await.map_err(|error| match error {
        NightRunError::AtWork(_) => {
            Problem::from(DbError::refused("at_work", "Figures are being counted already; look again in a minute."))
        }
        NightRunError::Database(error) => error.into(),
    })
}

/// List night runs
///
/// The last 30 on one page, the newest first; or as a table (`Accept`).
#[utoipa::path(tag = "water", params(Arranging),
    responses((status = 200, description = "The runs", content(
        (Page<RunView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/night-runs")]
async fn list_night_runs(
    request: HttpRequest,
    caller: Caller<perm::RunNight>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let runs = db.read(caller.scope(), caller.now(), async |tx| night_run::last(tx, LISTED).await).await?;
    whole(&request, &caller, &rates, runs, RunView::from)
}

impl Tabled for RunView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("as_of", Kind::Instant),
        ("started_at", Kind::Instant),
        ("finished_at", Kind::Instant),
        ("outcome", Kind::Text),
    ];
}

/// Run the night run now
///
/// It counts what readings and changes since the last one touch, up to now, and answers when it is done:
/// after a first import that may take minutes. One run is at work at a time.
#[utoipa::path(tag = "water", responses((status = 200, description = "What it did", body = NightRunDone), Problems))]
#[post("/night-runs")]
async fn run_night(caller: Caller<perm::RunNight>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    Ok(HttpResponse::Ok().json(NightRunDone::from(run_now(&db, &caller).await?)))
}
