//! `/stock/items`: consumables and spare parts that are kept in stock, and how they are bought.

use super::super::fault::Fault;
use super::super::form::{self, Typed};
use super::super::html_for;
use super::super::sheet::{self, About, End, Filled, Sheet, Spec, Takes, choice, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::writing::{self, Retired, Written};
use crate::auth::{Caller, Permission, perm};
use crate::db::page::{After, PAGE_MAX};
use crate::db::stock::item::{self, Named, StoredItem};
use crate::db::{Db, Revision, Tx};
use crate::extract::from_value;
use crate::http::stock::items::ConsumableInput;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{self, Data, Form, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::ids::ItemId;
use serde_json::{Map, Value};
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(all_items)
        .service(begin)
        .service(add)
        .route("/stock/items/{id}", web::get().to(writing::show::<Edit>))
        .route("/stock/items/{id}", web::post().to(writing::take::<Edit>))
        .route("/stock/items/{id}/retire", web::post().to(writing::retire::<Edit>));
}

#[derive(Template)]
#[template(path = "items.html")]
struct List {
    rows: Vec<Row>,
    may_write: bool,
}

struct Row {
    id: Uuid,
    name: String,
    unit: &'static str,
    hazard: &'static str,
    supplier: String,
}

/// What a product does to others, by name and in words.
const HAZARDS: [(&str, &str); 8] = [
    ("harmless", "nothing to speak of: filters, hoses, salt"),
    ("acid", "acid, acid coagulants too"),
    ("alkali", "alkali"),
    ("hypochlorite", "hypochlorite and other bleach with chlorine"),
    ("oxidiser", "another oxidiser, such as peroxide"),
    ("organic", "oil, solvent, antifoam or surfactant"),
    ("microbes", "a living culture"),
    ("sludge", "sludge"),
];

fn row(stored: StoredItem) -> Row {
    let Named { item, supplier } = stored.value;
    Row {
        id: stored.id.0,
        unit: item.unit.as_str(),
        hazard: HAZARDS.iter().find(|(name, _)| *name == item.hazard.as_str()).map_or("", |(_, words)| *words),
        supplier: supplier.unwrap_or_default(),
        name: item.name,
    }
}

#[get("/stock/items")]
async fn all_items(visitor: Visitor<perm::ReadStock>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let first = After::first(PAGE_MAX);
    let items = db.read(caller.scope(), caller.now(), async |tx| item::list(tx, false, &first).await).await?;
    let may_write = perm::WriteItems::ROLES.contains(&caller.role());
    Ok(html_for(&caller, StatusCode::OK, &List { rows: items.into_iter().map(row).collect(), may_write })?)
}

const BOUGHT: &str = "How it is bought; empty where you don\u{2019}t";

/// The fields that the record has under `supply`.
const SUPPLY: [&str; 7] =
    ["supplier", "pack", "least_packs", "lead_time_d", "lead_time_sd_d", "order_cost", "holding_cost_per_year"];
/// Those of them that it can't do without.
const SUPPLY_NEEDED: [&str; 3] = ["supplier", "pack", "lead_time_d"];

fn specs() -> Vec<Spec> {
    let units = choice([("kg", "kg"), ("l", "L"), ("m", "m"), ("piece", "pieces")]);
    vec![
        spec("name", "What it is called", Takes::Text).needed(),
        spec("unit", "Counted in; that stays", units).needed(),
        spec("hazard", "What it does to other goods", choice(HAZARDS))
            .needed()
            .hint("Go by its safety data sheet: what must not ride together is told by this."),
        spec("by_lot", "It is kept by lot", Takes::Tick),
        spec("shelf_life_d", "Days for which a new lot is good", Takes::Number),
        spec("supplier", "From whom", Takes::Text).under(BOUGHT),
        spec("pack", "How much a pack holds", Takes::Amount).under(BOUGHT),
        spec("least_packs", "Packs that an order takes at least", Takes::Number).under(BOUGHT),
        spec("lead_time_d", "Days from order to delivery, as a rule", Takes::Number).under(BOUGHT),
        spec("lead_time_sd_d", "How much those days vary: standard deviation", Takes::Number).under(BOUGHT).more(),
        spec("order_cost", "What an order costs, whatever its size", Takes::Amount).under(BOUGHT).more(),
        spec("holding_cost_per_year", "What keeping one unit of it for a year costs", Takes::Amount)
            .under(BOUGHT)
            .more(),
        spec("density_kg_per_l", "Mass of a litre, in kg", Takes::Number).more(),
        spec("active_share", "Active substance in it by mass, such as 0.125", Takes::Number).more(),
        spec("service_level", "Chance that its stock suffices until the next delivery", Takes::Number)
            .hint("0.5 to 0.9999; empty for 0.95.")
            .more(),
    ]
}

/// A record as its fields have it.
fn flat(record: &ConsumableInput) -> Map<String, Value> {
    let Ok(Value::Object(mut fields)) = serde_json::to_value(record) else { return Map::new() };
    if let Some(Value::Object(supply)) = fields.remove("supply") {
        fields.extend(supply);
    }
    fields
}

/// What was typed, over what the record has besides.
fn read(mut record: Map<String, Value>, typed: &Typed) -> Result<Named, Problem> {
    record.extend(sheet::read(&specs(), typed, Tz::UTC)?);
    record.retain(|_, value| !value.is_null());
    let supply: Map<String, Value> = SUPPLY.iter().filter_map(|name| record.remove_entry(*name)).collect();
    let mut faults = Faults::default();
    if !supply.is_empty() {
        for name in SUPPLY_NEEDED.iter().filter(|name| !supply.contains_key(**name)) {
            faults.add(format!("/{name}"), "required", "fill it in too, or leave empty all of how it is bought");
        }
        record.insert("supply".to_owned(), Value::Object(supply));
    }
    faults.or(())?;
    Ok(from_value::<ConsumableInput>(&Value::Object(record))?.parse()?)
}

fn new_sheet(filled: &Filled<'_>, faults: &[(String, String)]) -> Sheet {
    let about = About {
        title: "Add an item".to_owned(),
        lead: "A consumable or a spare part. What moves of it is written down at a place.".to_owned(),
        action: "/stock/items".to_owned(),
        button: "Add it",
        revision: None,
        back: ("/stock/items".to_owned(), "Back to the items".to_owned()),
        end: None,
        specs: &specs(),
    };
    Sheet::of(about, filled, faults)
}

#[get("/stock/items/new")]
async fn begin(visitor: Visitor<perm::WriteItems>) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &new_sheet(&Filled::Typed(&Typed::new()), &[]))
}

#[post("/stock/items")]
async fn add(sender: Sender<perm::WriteItems>, typed: Form<Typed>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let added = added(&caller, &db, &typed).await;
    sheet::answer(&caller, added, async |faults| Ok(new_sheet(&Filled::Typed(&typed), &faults))).await
}

async fn added<P: Permission>(caller: &Caller<P>, db: &Db, typed: &Typed) -> Result<String, Problem> {
    let new = read(Map::new(), typed)?;
    let create = async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(item::create(tx, &new).await?.id.0)).await;
    db.write(caller.scope(), caller.now(), create).await?;
    Ok("/stock/items".to_owned())
}

/// An item, for its form.
pub(super) async fn stored<P: Permission>(caller: &Caller<P>, db: &Db, id: ItemId) -> Result<StoredItem, Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| item::get(tx, id).await).await?)
}

/// The form that changes an item.
struct Edit;

impl Written for Edit {
    type May = perm::WriteItems;
    type Id = ItemId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: ItemId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let stored = stored(caller, db, id).await?;
        let end = End {
            action: format!("/stock/items/{id}/retire"),
            words: "It goes from the lists. What moved of it stays.",
            button: "Retire it",
        };
        let about = About {
            title: format!("Change {}", stored.value.item.name),
            lead: String::new(),
            action: format!("/stock/items/{id}"),
            button: "Keep it so",
            revision: Some(stored.revision),
            back: ("/stock/items".to_owned(), "Back to the items".to_owned()),
            end: stored.ended_at.is_none().then_some(end),
            specs: &specs(),
        };
        let record = Filled::Record(Value::Object(flat(&ConsumableInput::from(&stored.value))), Tz::UTC);
        Ok(Sheet::of(about, &record.with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: ItemId, typed: &Typed) -> Result<String, Problem> {
        let was = ConsumableInput::from(&stored(caller, db, id).await?.value);
        let (new, at) = (read(flat(&was), typed)?, sheet::revision(typed));
        db.write(caller.scope(), caller.now(), async |tx| item::update_at(tx, id, at, &new).await).await?;
        Ok("/stock/items".to_owned())
    }
}

impl Retired for Edit {
    async fn retire(caller: &Caller<Self::May>, db: &Db, id: ItemId, at: Revision) -> Result<String, Problem> {
        db.write(caller.scope(), caller.now(), async |tx| item::retire(tx, id, at).await).await?;
        Ok("/stock/items".to_owned())
    }
}
