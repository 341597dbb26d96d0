//! `/settings/prices`: what the dealer's own work costs; never shown to customers.

use super::super::fault::Fault;
use super::super::form::{self, Typed, field};
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::{html_for, words};
use crate::auth::{Caller, Permission, perm};
use crate::db::page::{After, PAGE_MAX};
use crate::db::price::{self, StoredPrice};
use crate::db::{Db, Tx, dealer};
use crate::http::prices::PriceInput;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono_tz::Tz;
use domain::ids::PriceId;
use domain::zone::local_date;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(prices).service(begin).service(add).service(withdraw);
}

#[derive(Template)]
#[template(path = "prices.html")]
struct List {
    rows: Vec<Row>,
}

struct Row {
    id: Uuid,
    what: &'static str,
    each: String,
    from: String,
    to: String,
}

fn what_words(what: &str) -> &'static str {
    match what {
        "labour" => "an hour of work",
        "travel" => "the way",
        "disposal" => "a load taken away",
        _ => "other",
    }
}

#[get("/settings/prices")]
async fn prices(visitor: Visitor<perm::WritePrices>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let list = async |tx: &Tx<'_>| price::list(tx, false, &After::first(PAGE_MAX)).await;
    let stored = db.read(caller.scope(), caller.now(), list).await?;
    let row = |stored: StoredPrice| Row {
        id: stored.id.0,
        what: what_words(stored.value.what.as_str()),
        each: format!("{} per {}", words::money(stored.value.per_unit), stored.value.unit),
        from: words::day(stored.value.days.from()),
        to: stored.value.days.to().map_or("goes on".to_owned(), words::day),
    };
    Ok(html_for(&caller, StatusCode::OK, &List { rows: stored.into_iter().rev().map(row).collect() })?)
}

fn specs() -> Vec<Spec> {
    let whats = ["labour", "travel", "disposal"].map(|what| (what.to_owned(), what_words(what).to_owned())).into();
    vec![
        spec("what", "Of", Takes::OneOf(whats)).needed(),
        spec("amount", "How much, without tax", Takes::Amount).needed(),
        spec("currency", "Currency", Takes::Text).needed().hint("Three letters after ISO 4217, such as EUR."),
        spec("unit", "For one of", Takes::Text).needed().hint("h, km or load."),
        spec("from", "The first day it holds", Takes::Day).needed(),
        spec("to", "The day after the last", Takes::Day).hint("Left empty, it goes on until another begins."),
    ]
}

async fn new_sheet<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    typed: &Typed,
    faults: &[(String, String)],
) -> Result<Sheet, Problem> {
    let dealer = db.read(caller.scope(), caller.now(), async |tx| dealer::get(tx).await).await?;
    let zone = dealer.time_zone.parse().unwrap_or(Tz::UTC);
    let today = local_date(zone, caller.now()).to_string();
    let begun = [("currency", dealer.currency), ("unit", "h".to_owned()), ("from", today)];
    let filled = form::begun(typed, begun);
    let about = About {
        title: "Add a price".to_owned(),
        lead: "The one of the same work that goes on until then ends where this begins.".to_owned(),
        action: "/settings/prices".to_owned(),
        button: "Add it",
        revision: None,
        back: ("/settings/prices".to_owned(), "Back to the prices".to_owned()),
        end: None,
        specs: &specs(),
    };
    Ok(Sheet::of(about, &Filled::Typed(&filled), faults))
}

#[get("/settings/prices/new")]
async fn begin(visitor: Visitor<perm::WritePrices>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &new_sheet(&visitor.0, &db, &Typed::new(), &[]).await?)
}

#[post("/settings/prices")]
async fn add(sender: Sender<perm::WritePrices>, typed: Form<Typed>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let added = added(&caller, &db, &typed).await;
    sheet::answer(&caller, added, async |faults: Vec<_>| new_sheet(&caller, &db, &typed, &faults).await).await
}

async fn added<P: Permission>(caller: &Caller<P>, db: &Db, typed: &Typed) -> Result<String, Problem> {
    let new = sheet::made::<PriceInput>(&specs(), typed, Tz::UTC)?.parse()?;
    let create = async |tx: &Tx<'_>| form::once(tx, typed, async || price::create(tx, &new).await.map(drop)).await;
    db.write(caller.scope(), caller.now(), create).await?;
    Ok("/settings/prices".to_owned())
}

#[post("/settings/prices/{id}/withdraw")]
async fn withdraw(
    sender: Sender<perm::WritePrices>,
    id: Path<PriceId>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let why = domain::measures::reason(field(&typed, "reason").unwrap_or_default()).map_err(Problem::from)?;
    db.write(caller.scope(), caller.now(), async |tx| price::withdraw(tx, *id, &why).await).await?;
    Ok(sheet::to("/settings/prices"))
}
