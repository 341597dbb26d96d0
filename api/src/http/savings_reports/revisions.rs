//! The revisions of a report.

use super::super::answer::{self, Arranging, Page, Problems};
use super::super::table::{Kind, Tabled, whole};
use super::{IssuedView, state};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::report::{self, StoredReport};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, Utc};
use domain::ids::ReportId;
use serde::Serialize;
use serde_json::{Value, json};
use utoipa::ToSchema;

/// The routes of revisions.
pub fn routes(routes: &mut Routes) {
    routes.service(list_report_revisions).service(get_report_revision);
}

/// A revision of a report.
#[derive(Serialize, ToSchema)]
pub struct ReportRevision {
    /// Its number.
    #[schema(example = 34)]
    revision: i32,
    /// `live` for a draft, `issued` for what is frozen.
    #[schema(example = "issued")]
    state: &'static str,
    /// When its figures were made.
    made_at: DateTime<Utc>,
    /// When, by whom and why it was issued; null for a draft.
    issued: Option<IssuedView>,
    /// The figures; left out in a list.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Object)]
    figures: Option<Value>,
}

impl ReportRevision {
    fn of(stored: &StoredReport, figures: Option<Value>) -> Self {
        Self {
            revision: stored.revision,
            state: state(stored),
            made_at: stored.made_at,
            issued: stored.issued.as_ref().map(IssuedView::from),
            figures,
        }
    }
}

/// List the revisions of a savings report
///
/// All of them on one page, the newest first; or as a table (`Accept`). A draft has one, whose number counts how often
/// it was made; every issued revision stays.
#[utoipa::path(tag = "savings reports", params(("id" = Uuid, Path, description = "The report's id"), Arranging),
    responses((status = 200, description = "All revisions", content(
        (Page<ReportRevision> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/savings-reports/{id}/revisions")]
async fn list_report_revisions(
    request: HttpRequest,
    caller: Caller<perm::ReadReports>,
    id: Path<ReportId>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| report::revisions(tx, *id).await).await?;
    whole(&request, &caller, &rates, rows, |row| ReportRevision::of(&row, None))
}

impl Tabled for ReportRevision {
    const COLUMNS: &'static [(&'static str, Kind)] =
        &[("revision", Kind::Whole), ("state", Kind::Text), ("made_at", Kind::Instant), ("issued", Kind::Text)];
}

/// Get a revision of a savings report
#[utoipa::path(tag = "savings reports",
    params(("id" = Uuid, Path, description = "The report's id"), ("n" = i32, Path, description = "The revision's number", example = 1)),
    responses((status = 200, description = "The revision", body = ReportRevision), Problems))]
#[get("/savings-reports/{id}/revisions/{n}")]
async fn get_report_revision(
    caller: Caller<perm::ReadReports>,
    path: Path<(ReportId, i32)>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (id, n) = path.into_inner();
    let stored = db.read(caller.scope(), caller.now(), async |tx| report::revision(tx, id, n).await).await?;
    Ok(answer::record(StatusCode::OK, n, &ReportRevision::of(&stored, Some(json!(stored.figures)))))
}
