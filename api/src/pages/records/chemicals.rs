//! `/sites/{id}/chemicals`: what a site washes with and whether its units take it, and since when.

use super::super::fault::Fault;
use super::super::form::{self, Typed, field};
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::writing::{self, Written};
use super::super::{html_for, words};
use crate::auth::{Caller, Permission, perm};
use crate::db::measures::{self, Noted, Window, dated};
use crate::db::page::{After, PAGE_MAX};
use crate::db::{Db, DbError, Tx, site};
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{self, Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::NaiveDate;
use domain::fault::Faults;
use domain::ids::{NoteId, SiteId};
use domain::measures::days::Days;
use domain::service::chemical::{Standing, WashChemical};
use domain::site::Site;
use domain::zone::local_date;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(chemicals)
        .route("/sites/{id}/chemicals/new", web::get().to(writing::show::<New>))
        .route("/sites/{id}/chemicals", web::post().to(writing::take::<New>))
        .service(end);
}

#[derive(Template)]
#[template(path = "chemicals.html")]
struct Page {
    site: (Uuid, String),
    may_write: bool,
    rows: Vec<Row>,
}

struct Row {
    id: Uuid,
    product: String,
    standing: &'static str,
    from: String,
    to: String,
    note: String,
    /// Whether it goes on.
    open: bool,
}

fn standing_words(standing: Standing) -> &'static str {
    match standing {
        Standing::Accepted => "the unit takes it",
        Standing::NotAccepted => "it must not go into the loop",
        Standing::Untested => "nobody knows yet whether the unit takes it",
    }
}

fn row(noted: Noted<WashChemical>) -> Row {
    let WashChemical { days, product, standing, note } = noted.value;
    Row {
        id: noted.id.0,
        product,
        standing: standing_words(standing),
        from: words::day(days.from()),
        to: days.to().map_or_else(String::new, words::day),
        note: note.unwrap_or_default(),
        open: days.to().is_none(),
    }
}

#[get("/sites/{id}/chemicals")]
async fn chemicals(
    visitor: Visitor<perm::ReadMeasures>,
    id: Path<SiteId>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let known = async |tx: &Tx<'_>| {
        let site = site::get(tx, *id).await?.value;
        let all = After::first(PAGE_MAX);
        Ok((site, measures::list::<WashChemical>(tx, *id, &Window::default(), &all).await?))
    };
    let (site, noted) = db.read(caller.scope(), caller.now(), known).await?;
    // What is used now comes first, then what was, the newest of both before the older.
    let mut rows: Vec<Row> = noted.into_iter().rev().map(row).collect();
    rows.sort_by_key(|row| !row.open);
    let may_write = perm::WriteMeasures::ROLES.contains(&caller.role());
    Ok(html_for(&caller, StatusCode::OK, &Page { site: (id.0, site.name), may_write, rows })?)
}

fn specs() -> Vec<Spec> {
    let standings =
        Standing::ALL.iter().map(|one| (one.as_str().to_owned(), standing_words(*one).to_owned())).collect();
    vec![
        spec("product", "The product, as its can says", Takes::Text).needed(),
        spec("standing", "With it", Takes::OneOf(standings)).needed(),
        spec("from", "The first day", Takes::Day)
            .needed()
            .hint("A product that stands here with another word until then ends with it."),
        spec("note", "What else there is to say", Takes::Text),
    ]
}

fn read(typed: &Typed, today: NaiveDate) -> Result<WashChemical, Faults> {
    let mut faults = Faults::default();
    let from = form::day(&mut faults, typed, "from").unwrap_or(today);
    let standing = Standing::parse(field(typed, "standing").unwrap_or_default());
    let chemical = WashChemical {
        days: faults.take_or("", Days::parse(from, None), Days::since(today)),
        product: field(typed, "product").unwrap_or_default().to_owned(),
        standing: faults.take_or("/standing", standing, Standing::Untested),
        note: field(typed, "note").map(str::to_owned),
    };
    faults.and(chemical.checked())
}

async fn look<P: Permission>(caller: &Caller<P>, db: &Db, id: SiteId) -> Result<Site, Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| Ok(site::get(tx, id).await?.value)).await?)
}

/// The form that says of a product how it stands.
struct New;

impl Written for New {
    type May = perm::WriteMeasures;
    type Id = SiteId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: SiteId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let site = look(caller, db, id).await?;
        let about = About {
            title: format!("What {} washes with", site.name),
            lead: "A product, or that it stands otherwise from a day on. Go by its safety data sheet.".to_owned(),
            action: format!("/sites/{id}/chemicals"),
            button: "Keep it",
            revision: None,
            back: (format!("/sites/{id}/chemicals"), "Back to what it washes with".to_owned()),
            end: None,
            specs: &specs(),
        };
        let today = local_date(site.time_zone, caller.now()).to_string();
        let begun = form::begun(&Typed::new(), [("from", today), ("standing", "untested".to_owned())]);
        Ok(Sheet::of(about, &Filled::Typed(typed.unwrap_or(&begun)), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: SiteId, typed: &Typed) -> Result<String, Problem> {
        let today = local_date(look(caller, db, id).await?.time_zone, caller.now());
        let new = read(typed, today)?;
        let create =
            async |tx: &Tx<'_>| form::once(tx, typed, async || measures::create(tx, id, &new).await.map(drop)).await;
        db.write(caller.scope(), caller.now(), create).await?;
        Ok(format!("/sites/{id}/chemicals"))
    }
}

#[post("/sites/{id}/chemicals/{note_id}/end")]
async fn end(
    sender: Sender<perm::WriteMeasures>,
    path: Path<(SiteId, NoteId)>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let (Sender(caller), (id, note)) = (sender, *path);
    let mut faults = Faults::default();
    let to = form::day(&mut faults, &typed, "to");
    let to = to.ok_or_else(|| Problem::from(Faults::one("/to", "required", "give the first day without it")))?;
    let ended = async |tx: &Tx<'_>| -> Result<Noted<WashChemical>, DbError> { dated::end(tx, id, note, to).await };
    db.write(caller.scope(), caller.now(), ended).await?;
    Ok(sheet::to(&format!("/sites/{id}/chemicals")))
}
