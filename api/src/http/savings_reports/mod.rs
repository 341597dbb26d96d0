//! `/v1/savings-reports`: the monthly statement of each customer, and its life.

pub mod forms;
pub mod issued;
pub mod life;
pub mod mails;
pub mod questions;
pub mod recipients;
pub mod revisions;
pub mod style;

use super::answer::{Page, Paging, Problems, Sorting};
use super::table::{Kind, Tabled, listed};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::report::question::{self, StoredQuestion};
use crate::db::report::standing::{self, StoredStanding};
use crate::db::report::{self, Issued, StoredReport};
use crate::db::{Db, Tx};
use crate::http::routing::Routes;
use crate::problem::{Kind as Wrong, Problem};
use crate::rates::Rates;
use crate::report::Wanted;
use actix_web::http::header;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::{CustomerId, ReportId};
use domain::report::style::{Counted, Language};
use domain::zone::Month;
use forms::Form;
use questions::QuestionView;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(list_savings_reports)
        .service(get_savings_report)
        .configure(issued::routes)
        .configure(life::routes)
        .configure(mails::routes)
        .configure(revisions::routes)
        .configure(questions::routes)
        .configure(recipients::routes)
        .configure(style::routes);
}

/// A savings report in a list.
#[derive(Serialize, ToSchema)]
pub struct ReportSummary {
    id: Uuid,
    /// The customer.
    customer_id: Uuid,
    /// The customer's name.
    #[schema(example = "Harbour Haulage")]
    customer: String,
    /// The month.
    #[schema(example = "2026-01")]
    month: String,
    /// `live` while it is a draft that may still change, `issued` once it is frozen.
    #[schema(example = "live")]
    state: &'static str,
    /// Which revision: a draft counts how often it was made; also the ETag.
    #[schema(example = 1)]
    revision: i32,
    /// When its figures were made.
    made_at: DateTime<Utc>,
    /// When and by whom it was issued; null for a draft.
    issued: Option<IssuedView>,
    /// The report in one sentence.
    #[schema(
        example = "In January 2026, Harbour Haulage washed with 412 m³ of treated water, 371 m³ of it recycled (90 % of all water to the washers), and used 44 m³ of fresh water."
    )]
    sentence: String,
}

/// That a revision was issued.
#[derive(Serialize, ToSchema)]
pub struct IssuedView {
    /// When.
    at: DateTime<Utc>,
    /// `person`, or `rule` for the dealer's rule.
    #[schema(example = "person")]
    by: String,
    /// The person's account; null for the rule.
    account_id: Option<Uuid>,
    /// Why in spite of open exceptions, or why it was revised.
    #[schema(example = json!(null))]
    reason: Option<String>,
}

impl From<&Issued> for IssuedView {
    fn from(issued: &Issued) -> Self {
        Self { at: issued.at, by: issued.how.clone(), account_id: issued.by, reason: issued.reason.clone() }
    }
}

/// A savings report.
#[derive(Serialize, ToSchema)]
pub struct ReportView {
    #[serde(flatten)]
    summary: ReportSummary,
    /// Whether a revision is proposed; left out for the customer's people.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = false)]
    revision_proposed: Option<bool>,
    /// The figures: `sentence`; `reckoning`, each figure printed with its coverage, estimated
    /// share and grade or withheld with the reason; `sites`, the reckoning of each site alone, which
    /// reports made by earlier versions lack; `readings`, the same from reading to reading, of each
    /// unit or site that is read by hand with its days; `adjustments`, what is added for earlier
    /// months, a line each; `flow`, the balance; `moved`, fills, drains and loads; `haulage` that was
    /// avoided; `invested`, payback measured against promised; `by_day`, `by_period` and `by_month`; `units`
    /// with their stays and states; `upkeep` with service, consumables and samples; `savings` and
    /// `costs`, line by line; `actual_bills`, the bills as they came, each with why it is other than the bill
    /// before less the saving, or than what the tariff asks; `exceptions`; `missing` days; `made`, how the
    /// figures were made; `cautions`; `style`. Volumes are litres.
    #[schema(value_type = Object)]
    figures: Value,
    /// Questions about it, the oldest first.
    questions: Vec<QuestionView>,
}

/// The word for a report's state in every computed figure.
fn state(stored: &StoredReport) -> &'static str {
    if stored.issued.is_some() { "issued" } else { "live" }
}

impl From<&StoredReport> for ReportSummary {
    fn from(stored: &StoredReport) -> Self {
        Self {
            id: stored.id,
            customer_id: stored.customer_id,
            customer: stored.figures.customer.clone(),
            month: stored.month.to_string(),
            state: state(stored),
            revision: stored.revision,
            made_at: stored.made_at,
            issued: stored.issued.as_ref().map(IssuedView::from),
            sentence: stored.figures.sentence.clone(),
        }
    }
}

impl ReportView {
    fn of(stored: &StoredReport, questions: Vec<StoredQuestion>, standing: Option<&StoredStanding>) -> Self {
        Self {
            summary: ReportSummary::from(stored),
            revision_proposed: standing.map(|one| one.proposed.is_some()),
            figures: json!(stored.figures),
            questions: questions.into_iter().map(QuestionView::from).collect(),
        }
    }
}

/// Which reports.
#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListReports {
    /// Of one month, `YYYY-MM`.
    #[param(example = "2026-01")]
    month: Option<String>,
    /// Of this month and later ones.
    #[param(example = "2026-01")]
    from: Option<String>,
    /// Of this month and earlier ones.
    #[param(example = "2026-12")]
    to: Option<String>,
    /// Of one customer.
    customer_id: Option<Uuid>,
    /// Only issued ones (true), or only drafts (false).
    issued: Option<bool>,
}

impl ListReports {
    fn parse(&self) -> Result<report::Filter, Problem> {
        let mut faults = Faults::default();
        let mut parse = |pointer, text: Option<&str>| text.and_then(|text| faults.take(pointer, Month::parse(text)));
        let month = parse("/month", self.month.as_deref());
        let (from, to) = (parse("/from", self.from.as_deref()), parse("/to", self.to.as_deref()));
        faults.or(())?;
        if from.zip(to).is_some_and(|(from, to)| from > to) {
            return Err(Problem::at(Wrong::Invalid, "/to", "before_from", "Give a `to` that is not before `from`."));
        }
        let customer = self.customer_id.map(CustomerId);
        Ok(report::Filter { month, from, to, customer, issued: self.issued })
    }
}

/// List savings reports
///
/// Newest month first; each at its newest revision. As a table (`Accept`), all of them.
#[utoipa::path(tag = "savings reports", params(ListReports, Sorting, Paging),
    responses((status = 200, description = "A page of reports", content(
        (Page<ReportSummary> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/savings-reports")]
async fn list_savings_reports(
    request: HttpRequest,
    caller: Caller<perm::ReadReports>,
    asked: Query<ListReports>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (asked.parse()?, paging.sorted(&sorting, "month")?);
    let read = async move |tx: &Tx<'_>, after: &After| report::list(tx, &filter, after).await;
    let view = |row: StoredReport| ReportSummary::from(&row);
    listed(&request, &caller, (&db, &rates), after, read, (report::place, view)).await
}

impl Tabled for ReportSummary {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("customer_id", Kind::Text),
        ("customer", Kind::Text),
        ("month", Kind::Text),
        ("state", Kind::Text),
        ("revision", Kind::Whole),
        ("made_at", Kind::Instant),
        ("issued", Kind::Text),
        ("sentence", Kind::Text),
    ];
    const AT_ONCE: i64 = issued::REPORTS_AT_ONCE;
}

/// In which language, and over which days.
#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct GetReport {
    /// Of a page, a PDF or a CSV file: `en` or `de`; the report's own when left out.
    #[param(value_type = Option<String>, example = "en")]
    language: Option<Language>,
    /// Of a page, a PDF or a CSV file: what is reckoned first, the calendar `month`, or from `readings` to
    /// readings as utility bills do; as the dealer has set it when left out. JSON holds both.
    #[param(value_type = Option<String>, example = "readings")]
    counted: Option<Counted>,
}

/// Get a savings report
///
/// With `Accept: text/html`, `application/pdf` or `text/csv` the same figures as a page, on paper or
/// as a table.
#[utoipa::path(tag = "savings reports", params(("id" = Uuid, Path, description = "The report's id"), GetReport),
    responses((status = 200, description = "The report", content(
        (ReportView = "application/json"), (String = "text/html"), (Vec<u8> = "application/pdf"), (String = "text/csv"))), Problems))]
#[get("/savings-reports/{id}")]
async fn get_savings_report(
    request: HttpRequest,
    caller: Caller<perm::ReadReports>,
    id: Path<ReportId>,
    asked: Query<GetReport>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let form = Form::asked(&request);
    let wanted = Wanted { language: asked.language, counted: asked.counted };
    if form == Form::Page {
        let page = format!("/savings-reports/{id}");
        return Ok(HttpResponse::SeeOther().insert_header((header::LOCATION, page)).finish());
    }
    let work = async |tx: &Tx<'_>| {
        let stored = report::get(tx, *id).await?;
        Ok((ReportView::of(&stored, question::list(tx, *id).await?, standing::find(tx, *id).await?.as_ref()), stored))
    };
    let (view, stored) = db.read(caller.scope(), caller.now(), work).await?;
    match form {
        Form::Pdf => forms::pdf(&db, &caller, stored, wanted).await,
        Form::Csv => forms::csv(&stored, wanted),
        Form::Json | Form::Page => Ok(shown(&view, &stored)),
    }
}

fn shown(view: &ReportView, stored: &StoredReport) -> HttpResponse {
    HttpResponse::Ok()
        .insert_header((header::ETAG, format!("\"{}\"", stored.revision)))
        .insert_header((header::VARY, "accept"))
        .json(view)
}
