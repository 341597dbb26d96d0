//! `/unsubscribe/{token}`: whoever gets reports by mail wants no more of them, without signing in. A
//! mail program does the same by one POST (RFC 8058), which it sends from nowhere.

use super::html;
use super::read::Notice;
use crate::auth::LinkToken;
use crate::db::report::recipient::{self, StoredRecipient};
use crate::db::{Db, DbError, customer};
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
    email: String,
    customer: String,
    ended: bool,
}

/// Asks whether no more reports are wanted.
#[get("/unsubscribe/{token}")]
pub(super) async fn ask(
    request: HttpRequest,
    token: Path<String>,
    db: Data<Db>,
    guesses: Data<Guesses>,
) -> Result<HttpResponse, Notice> {
    page(&opened(&request, &token, &db, &guesses, false).await?)
}

/// No more reports.
#[post("/unsubscribe/{token}")]
pub(super) async fn no_more(
    request: HttpRequest,
    token: Path<String>,
    db: Data<Db>,
    guesses: Data<Guesses>,
) -> Result<HttpResponse, Notice> {
    page(&opened(&request, &token, &db, &guesses, true).await?)
}

fn page((one, customer): &(StoredRecipient, String)) -> Result<HttpResponse, Notice> {
    let shown = Page { email: one.email.clone(), customer: customer.clone(), ended: one.ended_at.is_some() };
    Ok(html(StatusCode::OK, &shown)?)
}

/// Who holds the token, and whose reports they get; ended when that is wanted.
async fn opened(
    request: &HttpRequest,
    text: &str,
    db: &Db,
    guesses: &Guesses,
    end: bool,
) -> Result<(StoredRecipient, String), Problem> {
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
    let work = async |tx: &crate::db::Tx<'_>| {
        let held = recipient::by_unsubscribe(tx, &token.hash()).await?;
        let held = if end { recipient::end(tx, held.id, "recipient").await? } else { held };
        let customer = customer::get(tx, CustomerId(held.customer_id)).await?.value.name;
        Ok((held, customer))
    };
    match db.write(&token.scope_to_look(), now, work).await {
        Err(DbError::NotFound) => Err(unknown()),
        other => Ok(other?),
    }
}
