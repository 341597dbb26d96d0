//! How a report's page looks where that is the dealer's own: its colour and its logo, those of the
//! revision that is shown. The page may load nothing else than addresses of this service.

use super::fault::Fault;
use super::statement::{Asked, stored};
use super::visitor::Visitor;
use crate::auth::perm;
use crate::db::Db;
use crate::db::report::style;
use crate::problem::Problem;
use actix_web::http::header;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get};
use domain::file::MediaType;

#[get("/savings-reports/{id}/look.css")]
pub(super) async fn css(
    visitor: Visitor<perm::ReadReports>,
    id: Path<String>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let accent = stored(&visitor, &id, &asked, &db).await?.figures.style.accent().to_owned();
    let rules = format!(".statement{{--accent:{accent}}}\n");
    Ok(own("text/css; charset=utf-8").body(rules))
}

#[get("/savings-reports/{id}/logo")]
pub(super) async fn logo(
    visitor: Visitor<perm::ReadReports>,
    id: Path<String>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let style = stored(&visitor, &id, &asked, &db).await?.figures.style;
    let Visitor(caller) = visitor;
    let bytes = db.read(caller.scope(), caller.now(), async |tx| style::logo(tx, &style).await).await;
    let bytes = bytes.map_err(Problem::from)?.ok_or_else(Problem::not_found)?;
    let media = MediaType::sniffed_photo(&bytes).or(Err(Problem::not_found()))?;
    Ok(own(media.as_str()).body(bytes))
}

/// An answer that is the reader's alone and is asked for again.
fn own(media: &str) -> actix_web::HttpResponseBuilder {
    let mut answer = HttpResponse::Ok();
    answer.content_type(media).insert_header((header::CACHE_CONTROL, "private, no-cache"));
    answer
}
