//! `/read/{token}`: somebody who was asked enters readings on a phone, without signing in. The
//! page shows what reading the meters takes and nothing else of the customer's.

mod parts;
mod rows;
mod take;

use super::html;
use crate::auth::{LinkToken, Scope};
use crate::db::asking::request::{self, Asking};
use crate::db::{Db, DbError, Stored};
use crate::guesses::{Guesses, address_of};
use crate::problem::{Kind, Problem};
use crate::telemetry::Metrics;
use actix_multipart::Multipart;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, ResponseError, get, post};
use askama::Template;
use chrono::{DateTime, Utc};
use domain::asking::request::RequestState;
use domain::ids::ReadingRequestId;
use rows::{Row, Sheet};
use std::fmt;

#[derive(Template)]
#[template(path = "read.html")]
struct Page<'a> {
    dealer: &'a str,
    site: &'a str,
    person: &'a str,
    due: String,
    /// What was sent has come to, in words; empty before.
    outcome: String,
    complete: bool,
    rows: &'a [Row],
}

#[derive(Template)]
#[template(path = "notice.html")]
struct NoticePage<'a> {
    title: &'a str,
    detail: &'a str,
}

/// A problem as a page without the ways of who is signed in.
#[derive(Debug)]
pub(super) struct Notice(Problem);

impl<E: Into<Problem>> From<E> for Notice {
    fn from(error: E) -> Self {
        Self(error.into())
    }
}

impl fmt::Display for Notice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl ResponseError for Notice {
    fn status_code(&self) -> StatusCode {
        self.0.status_code()
    }

    fn error_response(&self) -> HttpResponse {
        let shown = NoticePage { title: self.0.kind().title(), detail: self.0.detail() };
        html(self.0.kind().status(), &shown).unwrap_or_else(|unshown| unshown.error_response())
    }
}

/// A request whose link was opened, and how far whoever holds the link reaches.
struct Opened {
    scope: Scope,
    now: DateTime<Utc>,
    asking: Stored<ReadingRequestId, Asking>,
}

/// Enter readings: the page.
#[get("/read/{token}")]
pub(super) async fn form(
    request: HttpRequest,
    token: Path<String>,
    db: Data<Db>,
    guesses: Data<Guesses>,
) -> Result<HttpResponse, Notice> {
    let opened = open(&request, &token, &db, &guesses).await?;
    let sheet = rows::sheet(&db, &opened).await?;
    let rows = sheet.rows(opened.now);
    page(&opened, &sheet, &rows, false, String::new())
}

/// Enter readings: what was typed.
#[post("/read/{token}")]
pub(super) async fn send(
    request: HttpRequest,
    token: Path<String>,
    parts: Multipart,
    db: Data<Db>,
    guesses: Data<Guesses>,
    metrics: Data<Metrics>,
) -> Result<HttpResponse, Notice> {
    let opened = open(&request, &token, &db, &guesses).await?;
    let typed = parts::read(parts).await?;
    let sheet = rows::sheet(&db, &opened).await?;
    let done = take::take(&db, &opened, &sheet, typed).await?;
    metrics.readings_stored(done.accepted);
    page(&opened, &sheet, &done.rows, done.complete, done.outcome())
}

fn page(opened: &Opened, sheet: &Sheet, rows: &[Row], complete: bool, outcome: String) -> Result<HttpResponse, Notice> {
    let request = &opened.asking.value.request;
    let shown = Page {
        dealer: &sheet.dealer,
        site: &sheet.site,
        person: &request.person,
        due: domain::report::display::date(request.due_on),
        outcome,
        complete,
        rows,
    };
    Ok(html(StatusCode::OK, &shown)?)
}

/// Opens a link: 404 for one that is none, 410 for one that is over.
async fn open(request: &HttpRequest, token: &str, db: &Db, guesses: &Guesses) -> Result<Opened, Problem> {
    let (address, now) = (address_of(request), Utc::now());
    if !guesses.may_try(address, now) {
        let detail = "Many wrong links came from your network. Try again in ten minutes.";
        return Err(Problem::new(Kind::TooMany, detail));
    }
    let Some((token, asking)) = find(db, token, now).await? else {
        guesses.missed(address, now);
        let detail = "This link is not known. Copy it whole, or ask whoever sent it for a new one.";
        return Err(Problem::new(Kind::NotFound, detail));
    };
    let over = match asking.state(now) {
        RequestState::Open => {
            let site = (asking.value.customer_id, asking.value.request.site_id);
            let scope = token.scope_of(site, asking.id.0).asked_from(address);
            return Ok(Opened { scope, now, asking });
        }
        RequestState::Taken => "All readings asked for by this link are in. Thank you: there is nothing left to do.",
        RequestState::Revoked => "This link was withdrawn. Ask whoever sent it whether the readings are still wanted.",
        RequestState::Expired => "This link has expired. Ask whoever sent it for a new one.",
    };
    Err(Problem::new(Kind::Gone, over))
}

async fn find(
    db: &Db,
    token: &str,
    now: DateTime<Utc>,
) -> Result<Option<(LinkToken, Stored<ReadingRequestId, Asking>)>, DbError> {
    let Some(token) = LinkToken::parse(token) else { return Ok(None) };
    let hash = token.hash();
    match db.read(&token.scope_to_look(), now, async |tx| request::by_link(tx, &hash).await).await {
        Ok(asking) => Ok(Some((token, asking))),
        Err(DbError::NotFound) => Ok(None),
        Err(error) => Err(error),
    }
}
