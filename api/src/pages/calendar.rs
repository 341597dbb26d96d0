//! `/week/calendar`: one's own visits in a calendar program: addresses that it reads, made and revoked.

use super::fault::Fault;
use super::form::{self, Typed};
use super::visitor::{Sender, Visitor};
use super::{html_for, words};
use crate::auth::{Caller, Permission, perm};
use crate::db::service::feed::Feed;
use crate::db::{Db, Tx, dealer};
use crate::http::service::feeds;
use crate::mail::Post;
use crate::problem::Problem;
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Form, Path};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "calendar.html")]
struct Page {
    /// The address that was just made; it is shown this once.
    made: Option<String>,
    /// Whether the form came again; the first time it may have made one, or failed after it was taken.
    again: bool,
    key: String,
    rows: Vec<Row>,
}

/// An address that can be read; nobody is told which it is.
struct Row {
    id: Uuid,
    since: String,
}

async fn page<P: Permission>(caller: &Caller<P>, db: &Db, made: Option<String>) -> Result<Page, Problem> {
    let zone = db.read(caller.scope(), caller.now(), async |tx| dealer::zone(tx).await).await?;
    let mut feeds = db.feeds(caller.scope()).await?;
    feeds.retain(|feed| feed.revoked_at.is_none());
    let row = |feed: Feed| Row { id: feed.id, since: words::instant(zone, feed.created_at) };
    Ok(Page { made, again: false, key: form::key(), rows: feeds.into_iter().map(row).collect() })
}

#[get("/week/calendar")]
pub(super) async fn show(visitor: Visitor<perm::ReadVisits>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    Ok(html_for(&visitor.0, StatusCode::OK, &page(&visitor.0, &db, None).await?)?)
}

#[post("/week/calendar")]
pub(super) async fn make(
    sender: Sender<perm::WriteVisits>,
    typed: Form<Typed>,
    db: Data<Db>,
    post: Data<Post>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    // What an address ends with is kept as a hash alone, so it can't be shown to whoever sends the form twice.
    let is_first = async |tx: &Tx<'_>| form::is_first(tx, form::pairs(&typed)).await;
    if !db.write(caller.scope(), caller.now(), is_first).await? {
        let again = Page { again: true, ..page(&caller, &db, None).await? };
        return Ok(html_for(&caller, StatusCode::CONFLICT, &again)?);
    }
    let (_, path) = feeds::make(&db, caller.scope(), caller.now()).await?;
    let page = page(&caller, &db, Some(format!("{}{path}", post.public_url))).await?;
    Ok(html_for(&caller, StatusCode::CREATED, &page)?)
}

#[post("/week/calendar/{id}/revoke")]
pub(super) async fn revoke(
    sender: Sender<perm::WriteVisits>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    db.revoke_feed(caller.scope(), *id, caller.now()).await?;
    Ok(HttpResponse::SeeOther().insert_header((header::LOCATION, "/week/calendar")).finish())
}
