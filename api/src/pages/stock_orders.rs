//! What the forms of `/stock` do with orders: one is placed as it was suggested, a part of one came, or
//! no more of one comes.

use super::fault::Fault;
use super::form::{self, Typed, field};
use super::stock;
use super::visitor::Sender;
use crate::auth::{Caller, Permission, perm};
use crate::db::stock::lot;
use crate::db::stock::placed::{self, Came, Wanted};
use crate::db::{Db, DbError, Tx};
use crate::problem::{Kind, Problem};
use actix_web::http::header;
use actix_web::web::{Data, Form, Path};
use actix_web::{HttpResponse, post};
use domain::fault::Faults;
use domain::ids::{ItemId, PlaceId};
use domain::stock::quantity::Quantity;
use uuid::Uuid;

/// How the field of an item begins; its id follows.
const ITEM: &str = "item-";

#[post("/stock/orders")]
pub(super) async fn place_order(
    sender: Sender<perm::WriteItems>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let write = async |tx: &Tx<'_>| form::once(tx, &typed, async || place(tx, &typed).await).await;
    let placed = db.write(caller.scope(), caller.now(), write).await;
    answer(&caller, &db, &typed, placed).await
}

/// Orders each item of the form.
async fn place(tx: &Tx<'_>, typed: &Typed) -> Result<(), DbError> {
    let mut faults = Faults::default();
    let place_id = PlaceId(field(typed, "place").and_then(|id| id.parse().ok()).unwrap_or_default());
    let expected_on = form::day(&mut faults, typed, "expected");
    let items = typed.iter().filter_map(|(name, amount)| Some((name.strip_prefix(ITEM)?.parse().ok()?, amount)));
    // In one order, whatever the form's was.
    let mut items: Vec<(Uuid, &String)> = items.collect();
    items.sort_unstable();
    for (item, amount) in items {
        let Some(quantity) = faults.take("/quantity", amount_of(amount)) else { continue };
        let supplier = field(typed, "supplier");
        let wanted = Wanted { supplier, item_id: ItemId(item), place_id, quantity, ordered_on: None, expected_on };
        match placed::create(tx, &wanted).await {
            Err(DbError::Invalid(found)) => drop(faults.take::<()>("", Err(found))),
            other => drop(other?),
        }
    }
    Ok(faults.or(())?)
}

fn amount_of(text: &str) -> Result<Quantity, Faults> {
    Quantity::parse(form::decimal(text)?)
}

#[post("/stock/orders/{id}/receive")]
pub(super) async fn receive(
    sender: Sender<perm::WriteStock>,
    id: Path<Uuid>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let came = async |tx: &Tx<'_>| came(tx, *id, &typed).await;
    let received = db.write(caller.scope(), caller.now(), came).await;
    answer(&caller, &db, &typed, received).await
}

async fn came(tx: &Tx<'_>, id: Uuid, typed: &Typed) -> Result<(), DbError> {
    let mut faults = Faults::default();
    let quantity = faults.take("/quantity", amount_of(field(typed, "quantity").unwrap_or_default()));
    let quantity = quantity.ok_or(faults)?;
    let order = placed::get(tx, id).await?.value.order;
    let lot_id = match field(typed, "lot") {
        Some(number) => Some(lot::of_number(tx, order.item_id, number).await?),
        None => None,
    };
    placed::receive(tx, id, revision(typed), &Came { at: tx.now(), quantity, lot_id }).await.map(drop)
}

#[post("/stock/orders/{id}/close")]
pub(super) async fn close(
    sender: Sender<perm::WriteStock>,
    id: Path<Uuid>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let close = async |tx: &Tx<'_>| placed::close(tx, *id, revision(&typed)).await.map(drop);
    let closed = db.write(caller.scope(), caller.now(), close).await;
    answer(&caller, &db, &typed, closed).await
}

fn revision(typed: &Typed) -> i32 {
    field(typed, "revision").and_then(|text| text.parse().ok()).unwrap_or(0)
}

/// The way back to the page, or the page with what is wrong.
async fn answer<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    typed: &Typed,
    done: Result<(), DbError>,
) -> Result<HttpResponse, Fault> {
    let shown = field(typed, "shown").and_then(|id| id.parse().ok());
    let problem = match done.map_err(Problem::from) {
        Ok(()) => {
            let address = shown.map_or("/stock".to_owned(), |id: Uuid| format!("/stock?place={id}"));
            return Ok(HttpResponse::SeeOther().insert_header((header::LOCATION, address)).finish());
        }
        Err(problem) if problem.kind() == Kind::Invalid => problem,
        Err(problem) => return Err(problem.into()),
    };
    let status = problem.kind().status();
    stock::page(caller, db, shown.map(PlaceId), status, form::words(problem)?).await
}
