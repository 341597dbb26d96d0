//! The forms of a report beside JSON: PDF and CSV, made of the stored figures when they are asked for.

use crate::auth::{Caller, Permission};
use crate::db::Db;
use crate::db::report::{StoredReport, style};
use crate::problem::Problem;
use crate::report::{Wanted, facts, print, statement};
use actix_web::http::header::{self, ContentDisposition, DispositionParam, DispositionType};
use actix_web::{HttpRequest, HttpResponse};
use weirbook_paper::Logo;

/// A form that is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    Json,
    Page,
    Pdf,
    Csv,
}

const MEDIA: [(Form, &str); 4] = [
    (Form::Json, "application/json"),
    (Form::Page, "text/html"),
    (Form::Pdf, "application/pdf"),
    (Form::Csv, "text/csv"),
];

impl Form {
    /// The one that the Accept field names first; JSON where it names none.
    pub(super) fn asked(request: &HttpRequest) -> Self {
        let accepted = request.headers().get(header::ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or_default();
        let named = MEDIA.iter().filter_map(|(form, media)| Some((accepted.find(media)?, *form)));
        named.min_by_key(|(place, _)| *place).map_or(Self::Json, |(_, form)| form)
    }
}

/// A report as PDF.
///
/// # Errors
/// When the database fails or the report can't be set.
pub(crate) async fn pdf<P: Permission>(
    db: &Db,
    caller: &Caller<P>,
    stored: StoredReport,
    wanted: Wanted,
) -> Result<HttpResponse, Problem> {
    let logo = logo_of(db, caller, &stored).await?;
    let name = print::file_name(&stored, "pdf");
    let bytes = print::in_turn(stored, logo, wanted).await.map_err(|error| Problem::internal(&error))?;
    Ok(file("application/pdf", name, bytes))
}

async fn logo_of<P: Permission>(db: &Db, caller: &Caller<P>, stored: &StoredReport) -> Result<Option<Logo>, Problem> {
    let style = &stored.figures.style;
    let logo = db.read(caller.scope(), caller.now(), async |tx| style::logo(tx, style).await).await?;
    Ok(logo.map(|bytes| Logo { bytes }))
}

/// A report as PDF in a style that it does not have, with a logo that need not be among the files.
///
/// # Errors
/// When the database fails or the report can't be set.
pub(crate) async fn pdf_with<P: Permission>(
    db: &Db,
    caller: &Caller<P>,
    stored: StoredReport,
    logo: Option<Logo>,
) -> Result<HttpResponse, Problem> {
    let logo = match logo {
        Some(logo) => Some(logo),
        None => logo_of(db, caller, &stored).await?,
    };
    let bytes = print::in_turn(stored, logo, Wanted::default()).await.map_err(|error| Problem::internal(&error))?;
    Ok(file("application/pdf", "report-style.pdf".to_owned(), bytes))
}

/// A report's figures as CSV.
///
/// # Errors
/// When they can't be written.
pub(crate) fn csv(stored: &StoredReport, wanted: Wanted) -> Result<HttpResponse, Problem> {
    let text = facts::csv(&statement(stored, wanted).facts).map_err(|error| Problem::internal(&error))?;
    Ok(file("text/csv; charset=utf-8", print::file_name(stored, "csv"), text.into_bytes()))
}

fn file(media: &str, name: String, bytes: Vec<u8>) -> HttpResponse {
    let disposition =
        ContentDisposition { disposition: DispositionType::Inline, parameters: vec![DispositionParam::Filename(name)] };
    HttpResponse::Ok()
        .content_type(media)
        .insert_header(disposition)
        .insert_header((header::VARY, "accept"))
        .insert_header((header::CACHE_CONTROL, "private, no-cache"))
        .body(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    #[test]
    fn what_accept_names_first_is_given() {
        let asked =
            |accept: &str| Form::asked(&TestRequest::default().insert_header(("accept", accept)).to_http_request());
        assert_eq!(asked("application/pdf"), Form::Pdf);
        assert_eq!(asked("text/html,application/xhtml+xml,*/*;q=0.8"), Form::Page);
        assert_eq!(asked("text/csv, application/json"), Form::Csv);
        assert_eq!(asked("*/*"), Form::Json);
    }
}
