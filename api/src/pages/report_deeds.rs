//! The forms of a report's page. Each does what its route does, by the same function, and shows
//! the page again.

use super::fault::Fault;
use super::form::{self, Typed, field};
use super::visitor::Sender;
use crate::auth::perm;
use crate::db::report::{life as deeds, question};
use crate::db::{Db, Tx};
use crate::http::savings_reports::life::{self, IssueInput, ReasonInput};
use crate::http::savings_reports::questions::{self, AnswerInput, QuestionInput};
use crate::problem::Problem;
use actix_web::http::header;
use actix_web::web::{Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, post};
use domain::ids::ReportId;
use serde::Deserialize;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(issue).service(send).service(propose).service(revise).service(decline).service(ask).service(answer);
}

/// A deed on what the page showed at a revision or version.
#[derive(Deserialize)]
struct Deed {
    at: i32,
    reason: String,
}

/// Shows the report's page again.
fn back(id: ReportId) -> HttpResponse {
    HttpResponse::SeeOther().insert_header((header::LOCATION, format!("/savings-reports/{id}"))).finish()
}

#[post("/savings-reports/{id}/issue")]
async fn issue(
    sender: Sender<perm::IssueReports>,
    id: Path<ReportId>,
    typed: Form<Deed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Deed { at, reason } = typed.into_inner();
    life::issue(&db, &sender.0, *id, at, &IssueInput { reason: Some(reason) }).await?;
    Ok(back(*id))
}

#[post("/savings-reports/{id}/send")]
async fn send(sender: Sender<perm::IssueReports>, id: Path<ReportId>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    db.write(caller.scope(), caller.now(), async |tx| deeds::send(tx, *id).await).await?;
    Ok(back(*id))
}

#[post("/savings-reports/{id}/proposal")]
async fn propose(
    sender: Sender<perm::IssueReports>,
    id: Path<ReportId>,
    typed: Form<ReasonInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    life::propose(&db, &sender.0, *id, &typed).await?;
    Ok(back(*id))
}

#[post("/savings-reports/{id}/revise")]
async fn revise(
    sender: Sender<perm::IssueReports>,
    id: Path<ReportId>,
    typed: Form<Deed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Deed { at, reason } = typed.into_inner();
    life::revise(&db, &sender.0, *id, at, &ReasonInput { reason }).await?;
    Ok(back(*id))
}

#[post("/savings-reports/{id}/decline")]
async fn decline(
    sender: Sender<perm::IssueReports>,
    id: Path<ReportId>,
    typed: Form<Deed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Deed { at, reason } = typed.into_inner();
    life::decline(&db, &sender.0, *id, at, &ReasonInput { reason }).await?;
    Ok(back(*id))
}

#[post("/savings-reports/{id}/questions")]
async fn ask(
    sender: Sender<perm::AskReports>,
    id: Path<ReportId>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let text = |name: &str| field(&typed, name).unwrap_or_default().to_owned();
    let asked = QuestionInput { figure: text("figure"), words: text("words") };
    let (figure, words) = asked.parse().map_err(Problem::from)?;
    let work = async |tx: &Tx<'_>| {
        form::once(tx, &typed, async || question::ask(tx, *id, figure, &words).await.map(drop)).await
    };
    db.write(sender.0.scope(), sender.0.now(), work).await?;
    Ok(back(*id))
}

#[post("/savings-reports/{id}/questions/{question_id}/answer")]
async fn answer(
    sender: Sender<perm::IssueReports>,
    path: Path<(ReportId, Uuid)>,
    typed: Form<AnswerInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let (id, question) = path.into_inner();
    questions::answer(&db, &sender.0, (id, question), &typed).await?;
    Ok(back(id))
}
