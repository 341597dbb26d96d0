//! `/savings-reports/{id}`: a report at one of its revisions, as a page and as the files of it. It
//! shows the report's document and computes nothing.

use super::fault::Fault;
use super::html_for;
use super::report_life::{Life, Loaded};
use super::visitor::Visitor;
use crate::auth::perm;
use crate::db::Db;
use crate::db::report::StoredReport;
use crate::http::savings_reports::forms;
use crate::problem::Problem;
use crate::report::{Wanted, Words, counted, statement};
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get};
use askama::Template;
use domain::ids::ReportId;
use domain::report::SavingsReport;
use domain::report::style::{Counted, Language};
use serde::Deserialize;
use weirbook_paper::document::{Block, Document};

#[derive(Template)]
#[template(path = "statement.html")]
struct Page<'a> {
    r: &'a SavingsReport,
    doc: Document,
    life: Life,
    /// Where the report is in other forms and languages.
    forms: Vec<(String, String)>,
    /// What asks for the revision that is shown.
    at: String,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    /// An earlier revision than the newest.
    revision: Option<i32>,
    /// Another language than the report's own.
    language: Option<Language>,
    /// Other days than the dealer has set: the calendar month, or those between readings.
    counted: Option<Counted>,
}

impl Asked {
    fn wanted(&self) -> Wanted {
        Wanted { language: self.language, counted: self.counted }
    }
}

/// The id in an address; what can't be one names nothing.
fn parsed(id: &str) -> Result<ReportId, Problem> {
    id.parse().map(ReportId).or(Err(Problem::not_found()))
}

#[get("/savings-reports/{id}")]
pub(super) async fn savings_report(
    visitor: Visitor<perm::ReadReports>,
    id: Path<String>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let id = parsed(&id)?;
    let work = async |tx: &crate::db::Tx<'_>| Loaded::of(tx, id, asked.revision, caller.role()).await;
    let loaded = db.read(caller.scope(), caller.now(), work).await?;
    let life = Life::of(&loaded, caller.role());
    let doc = statement(&loaded.stored, asked.wanted()).document;
    let forms = ways(&loaded.stored, &asked);
    let at = asked.revision.map(|n| format!("?revision={n}")).unwrap_or_default();
    Ok(html_for(&caller, StatusCode::OK, &Page { r: &loaded.stored.figures, doc, life, forms, at })?)
}

/// The same in other forms and languages and, where units are read by hand, over other days.
fn ways(stored: &StoredReport, asked: &Asked) -> Vec<(String, String)> {
    let words = Words::of(&stored.figures, asked.language);
    let over = counted(&stored.figures, asked.wanted());
    let at = asked.revision.map(|n| format!("revision={n}&")).unwrap_or_default();
    let address = |form: &str, language: Language, over: Counted| {
        let (language, over) = (language.as_str(), over.as_str());
        format!("/savings-reports/{}{form}?{at}language={language}&counted={over}", stored.id)
    };
    let own = words.language();
    let other = match over {
        Counted::Month => (Counted::Readings, "section-readings"),
        Counted::Readings => (Counted::Month, "section-month"),
    };
    let mut ways = vec![
        (address("/pdf", own, over), "PDF".to_owned()),
        (address("/csv", own, over), "CSV".to_owned()),
        (address("", Language::English, over), "English".to_owned()),
        (address("", Language::German, over), "Deutsch".to_owned()),
    ];
    let read_by_hand = stored.figures.readings.is_some();
    ways.extend(read_by_hand.then(|| (address("", own, other.0), words.say(other.1))));
    ways
}

pub(super) async fn stored(
    visitor: &Visitor<perm::ReadReports>,
    id: &str,
    asked: &Asked,
    db: &Db,
) -> Result<StoredReport, Problem> {
    let id = parsed(id)?;
    let work = async |tx: &crate::db::Tx<'_>| match asked.revision {
        Some(n) => crate::db::report::revision(tx, id, n).await,
        None => crate::db::report::get(tx, id).await,
    };
    Ok(db.read(visitor.0.scope(), visitor.0.now(), work).await?)
}

#[get("/savings-reports/{id}/pdf")]
pub(super) async fn pdf(
    visitor: Visitor<perm::ReadReports>,
    id: Path<String>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let stored = stored(&visitor, &id, &asked, &db).await?;
    Ok(forms::pdf(&db, &visitor.0, stored, asked.wanted()).await?)
}

#[get("/savings-reports/{id}/csv")]
pub(super) async fn csv(
    visitor: Visitor<perm::ReadReports>,
    id: Path<String>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let stored = stored(&visitor, &id, &asked, &db).await?;
    Ok(forms::csv(&stored, asked.wanted())?)
}
