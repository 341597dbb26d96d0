//! `/stock/count`: counting a place, on a phone as well as at a desk. What is typed goes the way of
//! the ledger's own route.

use super::fault::Fault;
use super::form::decimal;
use super::html_for;
use super::visitor::{Sender, Visitor};
use super::words::count_difference;
use crate::auth::perm;
use crate::db::page::{After, PAGE_MAX};
use crate::db::stock::balance::{self, Balance};
use crate::db::stock::{movement, place};
use crate::db::{Db, DbError, Tx};
use crate::http::stock::movements::MovementInput;
use crate::problem::{Kind, Problem};
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Form, Query};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use domain::fault::Faults;
use domain::ids::PlaceId;
use domain::stock::movement::DifferenceWhy;
use serde::Deserialize;
use std::collections::HashMap;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "stock_count.html")]
struct Page {
    place: Uuid,
    name: String,
    wrong: usize,
    shelves: Vec<Shelf>,
    whys: Vec<(&'static str, &'static str)>,
}

struct Shelf {
    /// What its fields are called by.
    key: String,
    item: String,
    lot: String,
    unit: String,
    found: String,
    why: String,
    fault: String,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    place: Uuid,
}

#[get("/stock/count")]
pub(super) async fn form(
    visitor: Visitor<perm::WriteStock>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let place = PlaceId(asked.place);
    let (name, shelves) = db.read(caller.scope(), caller.now(), async |tx| shelves(tx, place).await).await?;
    Ok(html_for(&caller, StatusCode::OK, &Page::of((place, name), &shelves, &Typed::default(), &Faults::default()))?)
}

#[post("/stock/count")]
pub(super) async fn counted(
    sender: Sender<perm::WriteStock>,
    asked: Query<Asked>,
    sent: Form<Vec<(String, String)>>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let (place, typed) = (PlaceId(asked.place), Typed(sent.into_inner().into_iter().collect()));
    let written = db.write(caller.scope(), caller.now(), async |tx| write(tx, place, &typed).await).await;
    match written.map_err(Problem::from) {
        Ok(()) => {
            let back = format!("/stock?place={place}");
            Ok(HttpResponse::SeeOther().insert_header((header::LOCATION, back)).finish())
        }
        Err(problem) if problem.kind() == Kind::Invalid => {
            let faults = Faults(problem.faults().to_vec());
            let (name, shelves) = db.read(caller.scope(), caller.now(), async |tx| shelves(tx, place).await).await?;
            Ok(html_for(&caller, problem.kind().status(), &Page::of((place, name), &shelves, &typed, &faults))?)
        }
        Err(problem) => Err(problem.into()),
    }
}

/// What was typed, by field.
#[derive(Default)]
struct Typed(HashMap<String, String>);

impl Typed {
    fn of(&self, field: &str, key: &str) -> &str {
        self.0.get(&format!("{field}-{key}")).map_or("", |text| text.trim())
    }
}

/// What is called so in the form's fields.
fn key(balance: &Balance) -> String {
    let lot = balance.lot_id().map_or(Uuid::nil(), |lot| lot.0);
    format!("{}-{}", balance.item_id.simple(), lot.simple())
}

async fn shelves(tx: &Tx<'_>, id: PlaceId) -> Result<(String, Vec<Balance>), DbError> {
    let name = place::get(tx, id).await?.value.name;
    let filter = balance::Filter { place: Some(id), ..balance::Filter::default() };
    let mut shelves = balance::list(tx, &filter, &After::first(PAGE_MAX)).await?;
    shelves.sort_by(|one, other| (&one.item, &one.lot).cmp(&(&other.item, &other.lot)));
    Ok((name, shelves))
}

/// Writes every count that was typed, or none: a fault stands at its shelf's key.
async fn write(tx: &Tx<'_>, place: PlaceId, typed: &Typed) -> Result<(), DbError> {
    let (_, shelves) = shelves(tx, place).await?;
    let mut faults = Faults::default();
    for shelf in &shelves {
        let key = key(shelf);
        let found = typed.of("found", &key);
        if found.is_empty() {
            continue;
        }
        match count(tx, (place, shelf), found, typed.of("why", &key)).await {
            Err(DbError::Invalid(found)) => drop(faults.take::<()>(&format!("/{key}"), Err(found))),
            other => other?,
        }
    }
    Ok(faults.or(())?)
}

async fn count(tx: &Tx<'_>, (place, shelf): (PlaceId, &Balance), found: &str, why: &str) -> Result<(), DbError> {
    let mut faults = Faults::default();
    let quantity = faults.take("/quantity", decimal(found));
    let Some(quantity) = quantity else { return Err(faults.into()) };
    let sent = MovementInput {
        item_id: shelf.item_id,
        lot_id: shelf.lot_id().map(|lot| lot.0),
        at: tx.now(),
        quantity,
        unit: shelf.unit.clone(),
        kind: "counted".to_owned(),
        place_id: Some(place.0),
        why: (!why.is_empty()).then(|| why.to_owned()),
        ..MovementInput::default()
    };
    let (new, supplier) = sent.parse()?;
    movement::post(tx, &new, supplier.as_deref()).await?;
    Ok(())
}

impl Page {
    fn of((place, name): (PlaceId, String), shelves: &[Balance], typed: &Typed, faults: &Faults) -> Self {
        let shelf = |balance: &Balance| {
            let key = key(balance);
            let own = faults.0.iter().filter(|fault| fault.pointer.starts_with(&format!("/{key}")));
            let details: Vec<_> = own.map(|fault| fault.detail.as_str()).collect();
            Shelf {
                item: balance.item.clone(),
                lot: balance.lot.as_ref().map_or_else(String::new, |lot| format!("lot {lot}")),
                unit: balance.unit.clone(),
                found: typed.of("found", &key).to_owned(),
                why: typed.of("why", &key).to_owned(),
                fault: details.join("; "),
                key,
            }
        };
        let shelves: Vec<Shelf> = shelves.iter().map(shelf).collect();
        let wrong = shelves.iter().filter(|shelf| !shelf.fault.is_empty()).count();
        let whys = DifferenceWhy::ALL.iter().map(|why| (why.as_str(), count_difference(*why))).collect();
        Self { place: place.0, name, wrong, shelves, whys }
    }
}
