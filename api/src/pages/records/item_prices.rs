//! `/stock/items/{id}/prices`: what the dealer pays for an item and what customers pay, each from a day on.

use super::super::form::{self, Typed};
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, choice, spec};
use super::super::words;
use super::super::writing::{self, Written};
use crate::auth::{Caller, Permission, perm};
use crate::chart::escaped;
use crate::db::stock::item;
use crate::db::stock::price::{self, StoredPrice};
use crate::db::{Db, DbError, Tx, dealer};
use crate::extract::from_value;
use crate::http::stock::prices::ItemPriceInput;
use crate::problem::Problem;
use actix_web::web::{self, ServiceConfig};
use chrono::NaiveDate;
use chrono_tz::Tz;
use domain::ids::ItemId;
use domain::stock::price::{Price, PriceKind};
use serde_json::{Value, json};

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .route("/stock/items/{id}/prices", web::get().to(writing::show::<New>))
        .route("/stock/items/{id}/prices", web::post().to(writing::take::<New>));
}

/// An item with its prices, and what a new one begins with.
struct Known {
    name: String,
    unit: &'static str,
    today: NaiveDate,
    currency: String,
    prices: Vec<StoredPrice>,
}

async fn known(tx: &Tx<'_>, id: ItemId) -> Result<Known, DbError> {
    let item = item::get(tx, id).await?.value.item;
    Ok(Known {
        unit: item.unit.as_str(),
        name: item.name,
        today: dealer::today(tx).await?,
        currency: dealer::get(tx).await?.currency,
        prices: price::list(tx, id, None).await?,
    })
}

async fn look<P: Permission>(caller: &Caller<P>, db: &Db, id: ItemId) -> Result<Known, Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| known(tx, id).await).await?)
}

fn specs() -> Vec<Spec> {
    vec![
        spec("kind", "Who pays it", choice([("purchase", "you, to whom you buy from"), ("selling", "a customer")]))
            .needed(),
        spec("from", "The first day on which it holds", Takes::Day).needed(),
        spec("amount", "How much, without tax", Takes::Amount).needed(),
    ]
}

/// The prices so far, the newest first, as markup of our own.
fn so_far(prices: &[StoredPrice]) -> String {
    if prices.is_empty() {
        return "<p>None is written down yet.</p>".to_owned();
    }
    let line = |stored: &StoredPrice| {
        let Price { kind, from, to, per_unit, .. } = &stored.price;
        let who = match kind {
            PriceKind::Purchase => "You pay",
            PriceKind::Selling => "A customer pays",
        };
        let until = to.map_or_else(String::new, |to| format!(" up to {}", words::day(to)));
        let (amount, currency) = (per_unit.amount.normalize(), per_unit.currency);
        let says = format!("{who} {amount} {currency} from {}{until}", words::day(*from));
        format!("<li>{}</li>\n", escaped(&says))
    };
    let lines: String = prices.iter().rev().map(line).collect();
    format!("<h2>Its prices</h2>\n<ul>{lines}</ul>\n<h2>Another price</h2>")
}

/// The field of a fault of the money.
fn of_field(pointer: &str) -> Option<String> {
    (pointer == "/per_unit").then(|| "amount".to_owned())
}

/// The form that adds a price.
struct New;

impl Written for New {
    type May = perm::WritePrices;
    type Id = ItemId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: ItemId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let Known { name, unit, today, currency, prices } = look(caller, db, id).await?;
        let about = About {
            title: format!("Prices of {name}"),
            lead: format!(
                "In {currency}, for one {unit}, without tax. A price that goes on ends where the next of its kind begins."
            ),
            action: format!("/stock/items/{id}/prices"),
            button: "Add it",
            revision: None,
            back: ("/stock/items".to_owned(), "Back to the items".to_owned()),
            end: None,
            specs: &specs(),
        };
        let begun = form::begun(&Typed::new(), [("from", today.to_string())]);
        let sheet = Sheet::of(about, &Filled::Typed(typed.unwrap_or(&begun)), faults);
        Ok(sheet.with_sample(so_far(&prices)))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: ItemId, typed: &Typed) -> Result<String, Problem> {
        let currency = look(caller, db, id).await?.currency;
        let mut fields = sheet::read(&specs(), typed, Tz::UTC)?;
        let amount = fields.remove("amount");
        fields.insert("per_unit".to_owned(), json!({ "amount": amount, "currency": currency }));
        let new = from_value::<ItemPriceInput>(&Value::Object(fields))?.parse(id)?;
        let create = async |tx: &Tx<'_>| form::once(tx, typed, async || price::create(tx, &new).await.map(drop)).await;
        let added = db.write(caller.scope(), caller.now(), create).await.map_err(Problem::from);
        added.map_err(|problem| sheet::renamed(problem, of_field))?;
        Ok(format!("/stock/items/{id}/prices"))
    }
}
