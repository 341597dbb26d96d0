//! `/unsubscribe/{token}`: whoever gets reports or files of figures by mail wants no more of them, without
//! signing in. A mail program does the same by one POST (RFC 8058), which it sends from nowhere.

use super::html;
use super::read::Notice;
use crate::auth::LinkToken;
use crate::db::report::recipient;
use crate::db::{Db, DbError, Tx, customer, monthly_file};
use crate::guesses::{Guesses, address_of};
use crate::problem::{Kind, Problem};
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, get, post};
use askama::Template;
use chrono::Utc;
use domain::ids::CustomerId;

#[derive(Template)]
#[template(path = "unsubscribe.html")]
struct Page {
    /// What comes by mail.
    what: &'static str,
    email: String,
    customer: String,
    ended: bool,
}

/// Asks whether no more is wanted.
#[get("/unsubscribe/{token}")]
pub(super) async fn ask(
    request: HttpRequest,
    token: Path<String>,
    db: Data<Db>,
    guesses: Data<Guesses>,
) -> Result<HttpResponse, Notice> {
    Ok(html(StatusCode::OK, &opened(&request, &token, &db, &guesses, false).await?)?)
}

/// No more of it.
#[post("/unsubscribe/{token}")]
pub(super) async fn no_more(
    request: HttpRequest,
    token: Path<String>,
    db: Data<Db>,
    guesses: Data<Guesses>,
) -> Result<HttpResponse, Notice> {
    Ok(html(StatusCode::OK, &opened(&request, &token, &db, &guesses, true).await?)?)
}

/// Who holds the token, and of whom they get what; ended when that is wanted.
async fn opened(request: &HttpRequest, text: &str, db: &Db, guesses: &Guesses, end: bool) -> Result<Page, Problem> {
    let (address, now) = (address_of(request), Utc::now());
    if !guesses.may_try(address, now) {
        let detail = "Many wrong links came from your network. Try again in ten minutes.";
        return Err(Problem::new(Kind::TooMany, detail));
    }
    let unknown = || {
        guesses.missed(address, now);
        Problem::new(Kind::NotFound, "This link is not known. Copy it whole out of the mail.")
    };
    let Some(token) = LinkToken::parse(text) else { return Err(unknown()) };
    let work = async |tx: &Tx<'_>| match of_reports(tx, &token, end).await {
        Err(DbError::NotFound) => of_files(tx, &token, end).await,
        other => other,
    };
    match db.write(&token.scope_to_look(), now, work).await {
        Err(DbError::NotFound) => Err(unknown()),
        other => Ok(other?),
    }
}

async fn of_reports(tx: &Tx<'_>, token: &LinkToken, end: bool) -> Result<Page, DbError> {
    let held = recipient::by_unsubscribe(tx, &token.hash()).await?;
    let held = if end { recipient::end(tx, held.id, "recipient").await? } else { held };
    let customer = customer::get(tx, CustomerId(held.customer_id)).await?.value.name;
    Ok(Page { what: "Savings reports", email: held.email, customer, ended: held.ended_at.is_some() })
}

async fn of_files(tx: &Tx<'_>, token: &LinkToken, end: bool) -> Result<Page, DbError> {
    let held = monthly_file::by_unsubscribe(tx, &token.hash()).await?;
    let held = if end { monthly_file::unsubscribe(tx, held.id).await? } else { held };
    let customer = customer::get(tx, held.value.file.customer_id).await?.value.name;
    Ok(Page { what: "Water figures", email: held.value.file.email, customer, ended: held.ended_at.is_some() })
}
