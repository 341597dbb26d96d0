//! `/v1/savings-reports/{id}/mails`: who was sent a report's newest revision.

use super::super::answer::{self, Arranging, Page, Problems};
use super::super::table::{Kind, Tabled, whole};
use crate::auth::{Caller, perm};
use crate::db::report::recipient::{self, ReportMail};
use crate::db::report::{self, life};
use crate::db::{Db, Tx};
use crate::http::routing::Routes;
use crate::problem::{Problem, ProblemBody};
use crate::rates::Rates;
use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::ids::ReportId;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_report_mails).service(send_savings_report);
}

/// The mail of a report's newest revision to one recipient.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ReportMail)]
pub struct MailView {
    /// The recipient's id.
    recipient_id: Uuid,
    /// The address.
    #[schema(example = "facilities@example.com")]
    email: String,
    /// `not_sent` where none was wanted, `waiting` on its way, `sent`, or `given_up`.
    #[schema(example = "sent")]
    state: &'static str,
    /// When the mail server took it; null before.
    sent_at: Option<DateTime<Utc>>,
}

impl From<ReportMail> for MailView {
    fn from(mail: ReportMail) -> Self {
        let state = mail.state();
        Self { recipient_id: mail.recipient_id, email: mail.email, state, sent_at: mail.sent_at }
    }
}

/// List the mails of a savings report
///
/// Of its newest revision, one for each recipient that its customer has now, all on one page; or as a table (`Accept`).
#[utoipa::path(tag = "savings reports", params(("id" = Uuid, Path, description = "The report's id"), Arranging),
    responses((status = 200, description = "The mails", content(
        (Page<MailView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/savings-reports/{id}/mails")]
async fn list_report_mails(
    request: HttpRequest,
    caller: Caller<perm::IssueReports>,
    id: Path<ReportId>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let work = async |tx: &Tx<'_>| recipient::mails(tx, &report::get(tx, *id).await?).await;
    let mails = db.read(caller.scope(), caller.now(), work).await?;
    whole(&request, &caller, &rates, mails, MailView::from)
}

impl Tabled for MailView {
    const COLUMNS: &'static [(&'static str, Kind)] =
        &[("recipient_id", Kind::Text), ("email", Kind::Text), ("state", Kind::Text), ("sent_at", Kind::Instant)];
}

/// Mail a savings report
///
/// To those recipients who were not sent its newest revision: who came after it was issued. Nobody is sent
/// it twice.
#[utoipa::path(tag = "savings reports", params(("id" = Uuid, Path, description = "The report's id")),
    responses((status = 200, description = "The mails as they are now", body = Page<MailView>), Problems,
        (status = 409, description = "It is a draft", content_type = "application/problem+json", body = ProblemBody)))]
#[post("/savings-reports/{id}/mails")]
async fn send_savings_report(
    caller: Caller<perm::IssueReports>,
    id: Path<ReportId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let mails = db.write(caller.scope(), caller.now(), async |tx| life::send(tx, *id).await).await?;
    Ok(answer::all(mails, MailView::from))
}
