//! The deeds on a report. The forms of its page do the same by the same functions.

use super::super::answer::{self, Problems};
use super::ReportSummary;
use crate::auth::{Caller, perm};
use crate::db::report::standing::{self, StoredStanding};
use crate::db::report::{self, StoredReport, life};
use crate::db::{Db, DbError};
use crate::extract::{Body, IfMatch};
use crate::http::routing::Routes;
use crate::problem::{Problem, ProblemBody};
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path};
use actix_web::{HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::ReportId;
use domain::report::changes::{LineChange, changes};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of the deeds.
pub fn routes(routes: &mut Routes) {
    routes
        .service(issue_savings_report)
        .service(get_proposal)
        .service(propose_revision)
        .service(revise_savings_report)
        .service(decline_revision);
}

/// Most characters of a reason.
const REASON_CHARS_MOST: usize = 500;

/// What is sent to issue a report.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct IssueInput {
    /// Why it is issued in spite of open exceptions; the customer reads it.
    #[serde(default)]
    #[schema(example = json!(null), max_length = 500)]
    pub reason: Option<String>,
}

/// What is sent with a decision.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReasonInput {
    /// Why.
    #[schema(example = "The reading of 31 January was typed in late", max_length = 500)]
    pub reason: String,
}

impl ReasonInput {
    fn parse(&self) -> Result<String, Faults> {
        let mut faults = Faults::default();
        let reason = faults.text("/reason", &self.reason, REASON_CHARS_MOST);
        faults.or(reason)
    }
}

/// A revision that is proposed. The customer does not see it.
#[derive(Serialize, ToSchema)]
#[schema(as = RevisionProposal)]
pub struct ProposalView {
    /// The report.
    report_id: Uuid,
    /// Its version: send it as If-Match to accept or decline.
    #[schema(example = 3)]
    version: i32,
    /// Since when it is proposed.
    proposed_at: DateTime<Utc>,
    /// `above_tolerance`, or `said_to_be_an_error` by a person.
    #[schema(example = "above_tolerance")]
    because: &'static str,
    /// The account of that person.
    account_id: Option<Uuid>,
    /// What that person said.
    #[schema(example = json!(null))]
    reason: Option<String>,
    /// The lines of the reckoning that would change: `name`, `label`, `was` and `is` as figures,
    /// `by` how much, and `words`.
    #[schema(value_type = Vec<Object>, example = json!([{ "name": "fresh_used", "label": "Fresh water used",
        "was": { "state": "printed", "value_l": 29_000.0, "expanded": 1700.0, "coverage": 1.0, "estimated_share": 0.0,
            "grade": "makeup_only", "units_covered": 1, "units": 1 },
        "is": { "state": "printed", "value_l": 31_240.0, "expanded": 1800.0, "coverage": 1.0, "estimated_share": 0.0,
            "grade": "makeup_only", "units_covered": 1, "units": 1 },
        "by": { "value_l": 2240.0 },
        "words": "Fresh water used: was 29.0 m\u{b3}, now 31.2 m\u{b3} (+2.240 m\u{b3})." }]))]
    changes: Vec<LineChange>,
    /// The figures as they would be.
    #[schema(value_type = Object)]
    figures: Value,
}

impl ProposalView {
    /// The proposal of a report, if there is one.
    fn of(stored: &StoredReport, standing: StoredStanding) -> Option<Self> {
        let (proposed, now) = standing.proposed.zip(standing.now)?;
        Some(Self {
            report_id: stored.id,
            version: standing.version,
            proposed_at: proposed.at,
            because: if proposed.by.is_some() { "said_to_be_an_error" } else { "above_tolerance" },
            account_id: proposed.by,
            reason: proposed.why,
            changes: changes(&stored.figures, &now),
            figures: json!(now),
        })
    }

    fn answer(&self) -> HttpResponse {
        answer::record(StatusCode::OK, self.version, self)
    }
}

/// Who may do these deeds.
type Issuer = Caller<perm::IssueReports>;

/// Issues a draft.
///
/// # Errors
/// As [`life::issue`].
pub(crate) async fn issue(
    db: &Db,
    caller: &Issuer,
    id: ReportId,
    at: i32,
    input: &IssueInput,
) -> Result<StoredReport, Problem> {
    let mut faults = Faults::default();
    let reason = faults.optional_text("/reason", input.reason.as_deref(), REASON_CHARS_MOST);
    let reason = faults.or(reason)?;
    let work = async |tx: &crate::db::Tx<'_>| life::issue(tx, id, at, reason.as_deref()).await;
    Ok(db.write(caller.scope(), caller.now(), work).await?)
}

/// Proposes a revision.
///
/// # Errors
/// As [`life::propose`].
pub(crate) async fn propose(
    db: &Db,
    caller: &Issuer,
    id: ReportId,
    input: &ReasonInput,
) -> Result<StoredStanding, Problem> {
    let reason = input.parse()?;
    Ok(db.write(caller.scope(), caller.now(), async |tx| life::propose(tx, id, &reason).await).await?)
}

/// Accepts a proposal.
///
/// # Errors
/// As [`life::revise`].
pub(crate) async fn revise(
    db: &Db,
    caller: &Issuer,
    id: ReportId,
    at: i32,
    input: &ReasonInput,
) -> Result<StoredReport, Problem> {
    let reason = input.parse()?;
    Ok(db.write(caller.scope(), caller.now(), async |tx| life::revise(tx, id, at, &reason).await).await?)
}

/// Declines a proposal.
///
/// # Errors
/// As [`life::decline`].
pub(crate) async fn decline(
    db: &Db,
    caller: &Issuer,
    id: ReportId,
    at: i32,
    input: &ReasonInput,
) -> Result<StoredReport, Problem> {
    let reason = input.parse()?;
    Ok(db.write(caller.scope(), caller.now(), async |tx| life::decline(tx, id, at, &reason).await).await?)
}

fn shown(stored: &StoredReport) -> HttpResponse {
    answer::record(StatusCode::OK, stored.revision, &ReportSummary::from(stored))
}

/// Issue a savings report
///
/// From then on it is frozen. Its month has to be over at every site; open exceptions take a
/// reason.
#[utoipa::path(tag = "savings reports", request_body = IssueInput,
    params(("id" = Uuid, Path, description = "The report's id"), ("If-Match" = String, Header, description = "ETag of the draft you read")),
    responses((status = 200, description = "The report as issued", body = ReportSummary), Problems,
        (status = 409, description = "It is issued, or may not be", content_type = "application/problem+json", body = ProblemBody)))]
#[post("/savings-reports/{id}/issue")]
async fn issue_savings_report(
    caller: Issuer,
    id: Path<ReportId>,
    at: IfMatch,
    input: Body<IssueInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    Ok(shown(&issue(&db, &caller, *id, at.0, &input.0).await?))
}

/// Get the proposed revision of a savings report
///
/// What an issued month comes to now, line by line beside what was issued, where the difference
/// is above the tolerance or a person says that it is an error. Until somebody decides, nothing
/// of it is carried.
#[utoipa::path(tag = "savings reports", params(("id" = Uuid, Path, description = "The report's id")),
    responses((status = 200, description = "The proposal", body = ProposalView), Problems))]
#[get("/savings-reports/{id}/proposal")]
async fn get_proposal(caller: Issuer, id: Path<ReportId>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let work = async |tx: &crate::db::Tx<'_>| {
        let stored = report::get(tx, *id).await?;
        let standing = standing::find(tx, *id).await?;
        standing.and_then(|one| ProposalView::of(&stored, one)).ok_or(DbError::NotFound)
    };
    Ok(db.read(caller.scope(), caller.now(), work).await?.answer())
}

/// Say that a savings report is wrong
///
/// Proposes a revision for a difference that would else be carried into the next report.
#[utoipa::path(tag = "savings reports", request_body = ReasonInput, params(("id" = Uuid, Path, description = "The report's id")),
    responses((status = 200, description = "The proposal", body = ProposalView), Problems,
        (status = 409, description = "Nothing differs", content_type = "application/problem+json", body = ProblemBody)))]
#[post("/savings-reports/{id}/proposal")]
async fn propose_revision(
    caller: Issuer,
    id: Path<ReportId>,
    input: Body<ReasonInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let standing = propose(&db, &caller, *id, &input.0).await?;
    let stored = db.read(caller.scope(), caller.now(), async |tx| report::get(tx, *id).await).await?;
    Ok(ProposalView::of(&stored, standing).ok_or_else(Problem::not_found)?.answer())
}

/// Accept the proposed revision
///
/// The revision supersedes what was issued, which stays readable.
#[utoipa::path(tag = "savings reports", request_body = ReasonInput,
    params(("id" = Uuid, Path, description = "The report's id"), ("If-Match" = String, Header, description = "ETag of the proposal you read")),
    responses((status = 200, description = "The report as revised", body = ReportSummary), Problems,
        (status = 409, description = "Nothing is proposed", content_type = "application/problem+json", body = ProblemBody)))]
#[post("/savings-reports/{id}/revise")]
async fn revise_savings_report(
    caller: Issuer,
    id: Path<ReportId>,
    at: IfMatch,
    input: Body<ReasonInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    Ok(shown(&revise(&db, &caller, *id, at.0, &input.0).await?))
}

/// Decline the proposed revision
///
/// The difference is carried in the next report. The customer does not see the reason.
#[utoipa::path(tag = "savings reports", request_body = ReasonInput,
    params(("id" = Uuid, Path, description = "The report's id"), ("If-Match" = String, Header, description = "ETag of the proposal you read")),
    responses((status = 200, description = "The report, unchanged", body = ReportSummary), Problems,
        (status = 409, description = "Nothing is proposed", content_type = "application/problem+json", body = ProblemBody)))]
#[post("/savings-reports/{id}/decline")]
async fn decline_revision(
    caller: Issuer,
    id: Path<ReportId>,
    at: IfMatch,
    input: Body<ReasonInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    Ok(shown(&decline(&db, &caller, *id, at.0, &input.0).await?))
}
