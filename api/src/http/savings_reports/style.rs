//! `/v1/report-style`: how the dealer's reports look.

use super::super::answer::{self, Problems};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::report::style::{self, StoredStyle};
use crate::extract::{Body, IfMatch};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::report::print;
use actix_web::http::StatusCode;
use actix_web::web::Data;
use actix_web::{HttpResponse, get, put};
use domain::fault::Faults;
use domain::report::style::{Counted, Dates, Language, Limit, Logo, Numbers, PaperSize, ReportStyle};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use weirbook_paper::LogoError;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(get_report_style).service(set_report_style);
}

/// How savings reports look. What is left out follows the customer's units.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReportStyleInput {
    /// Lines below the dealer's name, four at most.
    #[serde(default)]
    #[schema(example = json!(["4 Mill Lane", "Brookside"]))]
    address: Vec<String>,
    /// `{"sha256": ..., "words": ...}`: a picture sent to `/v1/files`, and what it shows.
    #[serde(default)]
    #[schema(value_type = Option<Object>, example = json!(null))]
    logo: Option<Logo>,
    /// Colour of rules and headings, dark enough to be read on white.
    #[serde(default)]
    #[schema(example = "#1d4e5f")]
    accent: Option<String>,
    /// `a4` or `letter`.
    #[serde(default)]
    #[schema(value_type = Option<String>, example = "a4")]
    paper: Option<PaperSize>,
    /// `en` or `de`.
    #[serde(default)]
    #[schema(value_type = Option<String>, example = "en")]
    language: Option<Language>,
    /// `space_point` (1 234.5), `space_comma`, `comma_point` or `point_comma`.
    #[serde(default)]
    #[schema(value_type = Option<String>, example = "space_point")]
    numbers: Option<Numbers>,
    /// `day_first` (14 January 2026), `month_first` or `iso`.
    #[serde(default)]
    #[schema(value_type = Option<String>, example = "day_first")]
    dates: Option<Dates>,
    /// `month`, or `readings` to reckon first from one reading to the next, as water bills do.
    #[serde(default)]
    #[schema(value_type = Option<String>, example = "month")]
    counted: Option<Counted>,
    /// Limits that samples are held against, each `{"what", "unit", "least", "most", "source"}`.
    #[serde(default)]
    #[schema(value_type = Vec<Object>, example = json!([{"what": "ph", "unit": "ph", "least": 6.5, "most": 9.0, "source": "Sewer permit"}]))]
    limits: Vec<Limit>,
}

impl ReportStyleInput {
    pub(crate) fn parse(self) -> Result<ReportStyle, Faults> {
        ReportStyle::from(self).checked()
    }
}

impl From<ReportStyle> for ReportStyleInput {
    fn from(style: ReportStyle) -> Self {
        let ReportStyle { address, logo, accent, paper, language, numbers, dates, counted, limits } = style;
        Self { address, logo, accent, paper, language, numbers, dates, counted, limits }
    }
}

impl From<ReportStyleInput> for ReportStyle {
    fn from(input: ReportStyleInput) -> Self {
        let ReportStyleInput { address, logo, accent, paper, language, numbers, dates, counted, limits } = input;
        Self { address, logo, accent, paper, language, numbers, dates, counted, limits }
    }
}

fn shown(stored: StoredStyle) -> HttpResponse {
    answer::record(StatusCode::OK, stored.revision, &ReportStyleInput::from(stored.style))
}

/// Get how savings reports look
///
/// While nothing was set its ETag is "0".
#[utoipa::path(tag = "savings reports",
    responses((status = 200, description = "The style", body = ReportStyleInput), Problems))]
#[get("/report-style")]
async fn get_report_style(caller: Caller<perm::IssueReports>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    Ok(shown(db.read(caller.scope(), caller.now(), async |tx| style::get(tx).await).await?))
}

/// Set how savings reports look
///
/// Drafts follow it with the next night run; an issued report stays as it was issued.
#[utoipa::path(tag = "savings reports", request_body = ReportStyleInput,
    params(("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The style as it is now", body = ReportStyleInput), Problems))]
#[put("/report-style")]
async fn set_report_style(
    caller: Caller<perm::IssueReports>,
    at: IfMatch,
    input: Body<ReportStyleInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let wanted = input.0.parse()?;
    if let Some(logo) = &wanted.logo {
        let bytes = db.read(caller.scope(), caller.now(), async |tx| style::wanted_logo(tx, logo).await).await?;
        tried(bytes).await?;
    }
    let stored = db.write(caller.scope(), caller.now(), async |tx| style::set(tx, at.0, &wanted).await).await?;
    Ok(shown(stored))
}

/// Refuses a picture that no report could be set with.
///
/// # Errors
/// A fault at [`style::LOGO`].
pub(crate) async fn tried(bytes: Vec<u8>) -> Result<(), Problem> {
    match print::try_logo(bytes).await.map_err(|error| Problem::internal(&error))? {
        Ok(()) => Ok(()),
        Err(LogoError::TooLarge { width, height }) => {
            let fix = format!("give a picture of fewer pixels: it is {width} by {height}");
            Err(Faults::one(style::LOGO, "too_large", fix).into())
        }
        Err(LogoError::Unreadable(_) | LogoError::Press(_)) => Err(Faults::one(
            style::LOGO,
            "not_a_picture",
            "save the picture anew as a PNG and send that: this file is broken",
        )
        .into()),
    }
}
