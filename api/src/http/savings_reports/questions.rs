//! Questions about figures of a report, which the customer and the dealer both see.

use super::super::answer::{self, Arranging, Page, Problems};
use super::super::table::{Kind, Tabled, whole};
use crate::auth::{Caller, perm};
use crate::db::report::question::{self, StoredQuestion};
use crate::db::{Db, Tx, report};
use crate::extract::{Body, IdempotencyKey};
use crate::http::routing::Routes;
use crate::problem::{Problem, ProblemBody};
use crate::rates::Rates;
use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::ReportId;
use domain::report::figure::Name;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of questions.
pub fn routes(routes: &mut Routes) {
    routes.service(ask_question).service(list_questions).service(answer_question);
}

/// Most characters of a question or an answer.
const WORDS_CHARS_MOST: usize = 2000;

/// What is sent to ask.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct QuestionInput {
    /// The figure, by its `name` in the reckoning.
    #[schema(example = "fresh_used")]
    pub figure: String,
    /// The question.
    #[schema(example = "Why is this twice what we used in January?", max_length = 2000)]
    pub words: String,
}

impl QuestionInput {
    /// The figure and the trimmed words.
    ///
    /// # Errors
    /// A fault for each that is wrong.
    pub(crate) fn parse(&self) -> Result<(Name, String), Faults> {
        let mut faults = Faults::default();
        let words = faults.text("/words", &self.words, WORDS_CHARS_MOST);
        let figure = faults.take_or("/figure", Name::parse(&self.figure), Name::FreshUsed);
        faults.or((figure, words))
    }
}

/// What is sent to answer.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AnswerInput {
    /// The answer.
    #[schema(example = "The pit was filled twice after its clean-out.", max_length = 2000)]
    pub words: String,
}

/// A question and its answer.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ReportQuestion)]
pub struct QuestionView {
    id: Uuid,
    /// The figure, by its name in the reckoning.
    #[schema(example = "fresh_used")]
    figure: String,
    /// The question.
    #[schema(example = "Why did we use more fresh water than in December?")]
    words: String,
    /// The account that asked.
    asked_by: Option<Uuid>,
    /// Whether one of the customer's people asked.
    #[schema(example = true)]
    by_customer: bool,
    /// When it was asked.
    asked_at: DateTime<Utc>,
    /// The answer; null while there is none.
    answer: Option<AnswerView>,
}

/// An answer.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ReportAnswer)]
pub struct AnswerView {
    /// The answer.
    #[schema(example = "The pit was cleaned out and filled anew on 14 January.")]
    words: String,
    /// The account that answered.
    answered_by: Option<Uuid>,
    /// When.
    answered_at: DateTime<Utc>,
}

impl From<StoredQuestion> for QuestionView {
    fn from(stored: StoredQuestion) -> Self {
        let answer = stored.answer.zip(stored.answered_at);
        Self {
            id: stored.id,
            figure: stored.figure,
            words: stored.words,
            asked_by: stored.asked_by,
            by_customer: stored.by_customer,
            asked_at: stored.asked_at,
            answer: answer.map(|(words, answered_at)| AnswerView {
                words,
                answered_by: stored.answered_by,
                answered_at,
            }),
        }
    }
}

/// Answers a question.
///
/// # Errors
/// As [`question::answer`].
pub(crate) async fn answer(
    db: &Db,
    caller: &Caller<perm::IssueReports>,
    (report, id): (ReportId, Uuid),
    input: &AnswerInput,
) -> Result<StoredQuestion, Problem> {
    let mut faults = Faults::default();
    let words = faults.text("/words", &input.words, WORDS_CHARS_MOST);
    let words = faults.or(words)?;
    Ok(db.write(caller.scope(), caller.now(), async |tx| question::answer(tx, report, id, &words).await).await?)
}

/// Ask about a figure of a savings report
///
/// The customer's people and the dealer's; both see the question and its answer.
#[utoipa::path(tag = "savings reports", request_body = QuestionInput,
    params(("id" = Uuid, Path, description = "The report's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The question", body = QuestionView), Problems))]
#[post("/savings-reports/{id}/questions")]
async fn ask_question(
    caller: Caller<perm::AskReports>,
    id: Path<ReportId>,
    key: IdempotencyKey,
    input: Body<QuestionInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (figure, words) = input.0.parse()?;
    let work = async |tx: &Tx<'_>| Ok((1, QuestionView::from(question::ask(tx, *id, figure, &words).await?)));
    answer::create(&db, &caller, &key, &(*id, &input.0), work).await
}

/// List the questions about a savings report
///
/// All of them on one page, the oldest first; or as a table (`Accept`), with the instant of each answer beside it.
#[utoipa::path(tag = "savings reports", params(("id" = Uuid, Path, description = "The report's id"), Arranging),
    responses((status = 200, description = "All questions", content(
        (Page<QuestionView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/savings-reports/{id}/questions")]
async fn list_questions(
    request: HttpRequest,
    caller: Caller<perm::ReadReports>,
    id: Path<ReportId>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let work = async |tx: &Tx<'_>| {
        report::get(tx, *id).await?;
        question::list(tx, *id).await
    };
    let asked = db.read(caller.scope(), caller.now(), work).await?;
    whole(&request, &caller, &rates, asked, QuestionView::from)
}

impl Tabled for QuestionView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("figure", Kind::Text),
        ("words", Kind::Text),
        ("asked_by", Kind::Text),
        ("by_customer", Kind::Text),
        ("asked_at", Kind::Instant),
        ("answer", Kind::Text),
        ("answer.answered_at", Kind::Instant),
    ];
}

/// Answer a question about a savings report
///
/// Once; the customer reads it.
#[utoipa::path(tag = "savings reports", request_body = AnswerInput,
    params(("id" = Uuid, Path, description = "The report's id"), ("question_id" = Uuid, Path, description = "The question's id")),
    responses((status = 200, description = "The question with its answer", body = QuestionView), Problems,
        (status = 409, description = "It was answered", content_type = "application/problem+json", body = ProblemBody)))]
#[post("/savings-reports/{id}/questions/{question_id}/answer")]
async fn answer_question(
    caller: Caller<perm::IssueReports>,
    path: Path<(ReportId, Uuid)>,
    input: Body<AnswerInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let answered = answer(&db, &caller, path.into_inner(), &input.0).await?;
    Ok(HttpResponse::Ok().json(QuestionView::from(answered)))
}
