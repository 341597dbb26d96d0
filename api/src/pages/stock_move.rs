//! `/places/{id}/movement`: what came to a place, went from it or was written off there, as a line of the ledger.

use super::call_outs::{Choice, choices};
use super::form::{self, LOCAL, Typed, field};
use super::sheet::{self, About, Filled, Sheet, Spec, Takes, choice, spec};
use super::words;
use super::writing::{self, Written};
use crate::auth::{Caller, Permission, perm};
use crate::db::page::{After, CHOICES_MOST};
use crate::db::stock::item::{self, StoredItem};
use crate::db::stock::place::{self, StoredPlace};
use crate::db::stock::{lot, movement};
use crate::db::{Db, DbError, Tx};
use crate::extract::from_value;
use crate::http::stock::movements::MovementInput;
use crate::problem::Problem;
use actix_web::web::{self, ServiceConfig};
use domain::fault::Faults;
use domain::ids::{LotId, PlaceId};
use domain::stock::item::Lot;
use domain::stock::movement::{Event, Movement, Payer, WriteOffWhy};
use serde_json::{Value, json};

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .route("/places/{id}/movement", web::get().to(writing::show::<New>))
        .route("/places/{id}/movement", web::post().to(writing::take::<New>));
}

/// What the form chooses among.
struct Known {
    place: StoredPlace,
    items: Vec<StoredItem>,
    places: Vec<StoredPlace>,
    units: Vec<Choice>,
}

async fn known(tx: &Tx<'_>, id: PlaceId) -> Result<Known, DbError> {
    let all = After::first(CHOICES_MOST);
    Ok(Known {
        place: place::get(tx, id).await?,
        items: item::list(tx, false, &all).await?,
        places: place::list(tx, false, &all).await?,
        units: choices(tx, &Typed::new()).await?,
    })
}

async fn look<P: Permission>(caller: &Caller<P>, db: &Db, id: PlaceId) -> Result<Known, Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| known(tx, id).await).await?)
}

fn why_words(why: WriteOffWhy) -> &'static str {
    match why {
        WriteOffWhy::Expired => "past its date",
        WriteOffWhy::Damaged => "damaged, spilt or frozen",
        WriteOffWhy::SentBack => "sent back to who sold it",
        WriteOffWhy::Obsolete => "of no use any more",
        WriteOffWhy::Lost => "lost",
    }
}

fn specs(known: &Known) -> Vec<Spec> {
    let item = |one: &StoredItem| {
        let item = &one.value.item;
        (one.id.to_string(), format!("{}, in {}", item.name, item.unit.as_str()))
    };
    let others = known.places.iter().filter(|other| other.id != known.place.id);
    let others = others.map(|other| (other.id.to_string(), other.value.name.clone())).collect();
    let units = known.units.iter().map(|unit| (unit.id.to_string(), unit.name.clone())).collect();
    let payers = Payer::ALL.iter().map(|one| (one.as_str().to_owned(), words::payer(*one).to_owned())).collect();
    let whys = WriteOffWhy::ALL.iter().map(|one| (one.as_str().to_owned(), why_words(*one).to_owned())).collect();
    let kinds = choice([
        ("received", "it came in from outside"),
        ("moved", "it went to another place of yours"),
        ("issued", "a unit got it"),
        ("returned", "a unit gave it back unused"),
        ("written_off", "it is written off"),
    ]);
    let buyers = choice([("dealer", "you"), ("customer", "the customer, elsewhere")]);
    vec![
        spec("kind", "What happened", kinds).needed(),
        spec("item_id", "Of which item", Takes::OneOf(known.items.iter().map(item).collect())).needed(),
        spec("quantity", "How much", Takes::Amount).needed(),
        spec("at", "When", Takes::Instant).needed(),
        spec("moved_to", "To which place it went", Takes::OneOf(others)).under("Moved"),
        spec("unit_id", "Which unit got it, or gave it back", Takes::OneOf(units)).under("A unit\u{2019}s"),
        spec("payer", "Who pays", Takes::OneOf(payers)).under("A unit\u{2019}s"),
        spec("supplier", "From whom it came", Takes::Text).under("From outside"),
        spec("buyer", "Who bought it", buyers).under("From outside"),
        spec("why", "Why", Takes::OneOf(whys)).under("Written off"),
        spec("lot", "Its lot, of an item kept by lot", Takes::Text).under("By lot"),
        spec("expires_on", "Last good day of a lot that is new", Takes::Day).under("By lot"),
        spec("overdraw_reason", "Why more may leave than the ledger has here", Takes::Text).more(),
    ]
}

/// A line of the ledger, its supplier's name, and its lot as it was typed.
struct Typing {
    movement: Movement,
    supplier: Option<String>,
    lot: Option<Lot>,
}

fn read(known: &Known, typed: &Typed) -> Result<Typing, Faults> {
    let mut fields = sheet::read(&specs(known), typed, known.place.value.time_zone)?;
    fields.retain(|_, value| !value.is_null());
    let (lot, expires_on) = (fields.remove("lot"), fields.remove("expires_on"));
    let (kind, here) = (field(typed, "kind").unwrap_or_default(), json!(known.place.id));
    match (kind, fields.remove("moved_to")) {
        ("moved", to) => {
            fields.insert("from_place_id".to_owned(), here);
            fields.extend(to.map(|to| ("to_place_id".to_owned(), to)));
        }
        (_, Some(_)) => {
            let fix = "leave it empty: only what is moved goes to another place of yours";
            return Err(Faults::one("/moved_to", "not_taken", fix));
        }
        ("received" | "returned", None) => drop(fields.insert("to_place_id".to_owned(), here)),
        (_, None) => drop(fields.insert("from_place_id".to_owned(), here)),
    }
    let chosen = known.items.iter().find(|item| fields.get("item_id") == Some(&json!(item.id)));
    let unit = chosen.map_or("", |item| item.value.item.unit.as_str());
    fields.insert("unit".to_owned(), json!(unit));
    let (movement, supplier) = from_value::<MovementInput>(&Value::Object(fields))?.parse()?;
    if lot.is_none() && expires_on.is_some() {
        return Err(Faults::one("/lot", "required", "give the number of the lot that is good until that day"));
    }
    let number = lot.as_ref().and_then(Value::as_str).map(str::to_owned);
    let expires_on = expires_on.and_then(|day| day.as_str()?.parse().ok());
    let lot = number.map(|number| Lot { item_id: movement.item_id, number, expires_on });
    Ok(Typing { movement, supplier, lot })
}

/// The lot that was typed; what is received may be of one that nobody added yet.
async fn lot_of(tx: &Tx<'_>, typed: &Lot, event: &Event) -> Result<LotId, DbError> {
    let lots = lot::list(tx, typed.item_id).await?;
    let known = lots.iter().find(|lot| lot.lot.number == typed.number.trim());
    match (known, event) {
        (Some(lot), _) if typed.expires_on.is_some_and(|day| lot.lot.expires_on != Some(day)) => {
            let fix = "leave it empty: the lot of this number is known, and good until another day";
            Err(Faults::one("/expires_on", "other_day", fix).into())
        }
        (Some(lot), _) => Ok(lot.id),
        (None, Event::Received { .. }) => Ok(lot::create(tx, &typed.clone().checked()?).await?.id),
        (None, _) => Err(Faults::one("/lot", "unknown_lot", "give the number of a lot that came in before").into()),
    }
}

async fn write(tx: &Tx<'_>, typing: &Typing) -> Result<(), DbError> {
    let lot_id = match &typing.lot {
        Some(lot) => Some(lot_of(tx, lot, &typing.movement.event).await?),
        None => None,
    };
    let movement = Movement { lot_id, ..typing.movement.clone() };
    movement::post(tx, &movement, typing.supplier.as_deref()).await.map(drop)
}

/// The field of a fault, where the ledger calls it otherwise.
fn of_field(pointer: &str) -> Option<String> {
    match pointer {
        "/to_place_id" => Some("moved_to".to_owned()),
        "/lot_id" | "/number" => Some("lot".to_owned()),
        _ => None,
    }
}

/// The form that writes a line.
struct New;

impl Written for New {
    type May = perm::WriteStock;
    type Id = PlaceId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: PlaceId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let known = look(caller, db, id).await?;
        let name = &known.place.value.name;
        let specs = specs(&known);
        let about = About {
            title: format!("What came or went: {name}"),
            lead: "A line of the ledger is never changed: a wrong one is answered by another.".to_owned(),
            action: format!("/places/{id}/movement"),
            button: "Write it down",
            revision: None,
            back: (format!("/stock?place={id}"), format!("Back to {name}")),
            end: None,
            specs: &specs,
        };
        let now = caller.now().with_timezone(&known.place.value.time_zone).format(LOCAL).to_string();
        let begun = form::begun(&Typed::new(), [("at", now)]);
        Ok(Sheet::of(about, &Filled::Typed(typed.unwrap_or(&begun)), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: PlaceId, typed: &Typed) -> Result<String, Problem> {
        let typing = read(&look(caller, db, id).await?, typed);
        let typing = typing.map_err(|faults| sheet::renamed(faults.into(), of_field))?;
        let post = async |tx: &Tx<'_>| form::once(tx, typed, async || write(tx, &typing).await).await;
        let posted = db.write(caller.scope(), caller.now(), post).await.map_err(Problem::from);
        posted.map_err(|problem| sheet::renamed(problem, of_field))?;
        Ok(format!("/stock?place={id}"))
    }
}
