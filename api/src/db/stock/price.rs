//! Prices of items in the database: what the dealer pays, and what customers pay.

use super::item;
use crate::db::error::known;
use crate::db::range::{self, DateRange};
use crate::db::schema::item_price;
use crate::db::stamp::Change;
use crate::db::{DbError, Tx, dealer};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::dsl::upper_inf;
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::ItemId;
use domain::money::{Currency, Money};
use domain::stock::price::{Price, PriceKind, PriceList};
use rust_decimal::Decimal;
use serde_json::json;
use uuid::Uuid;

/// A price with its id and when it was written.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredPrice {
    /// Its id.
    pub id: Uuid,
    /// The price.
    pub price: Price,
    /// When it was added.
    pub created_at: DateTime<Utc>,
    /// When it was last written: ended since, or added.
    pub changed_at: DateTime<Utc>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = item_price)]
struct Row {
    id: Uuid,
    consumable_id: Uuid,
    kind: String,
    valid: DateRange,
    amount: Decimal,
    currency: String,
    created_at: DateTime<Utc>,
    end_noted_at: Option<DateTime<Utc>>,
}

impl TryFrom<Row> for StoredPrice {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let (from, to) = range::to_dates(row.valid)?;
        let currency = known("currency", Currency::parse(&row.currency).ok())?;
        let price = Price {
            item_id: ItemId(row.consumable_id),
            kind: known("kind", PriceKind::from_name(&row.kind))?,
            from,
            to,
            per_unit: Money { amount: row.amount, currency },
        };
        let changed_at = row.end_noted_at.unwrap_or(row.created_at);
        Ok(Self { id: row.id, price, created_at: row.created_at, changed_at })
    }
}

fn days(price: &Price) -> DateRange {
    range::of_dates(price.from, price.to)
}

/// Adds a price; one of its kind that goes on until then ends where it begins.
///
/// # Errors
/// [`DbError::NotFound`] for an item outside the scope, [`DbError::Invalid`] for another currency
/// than the dealer's, [`DbError::Taken`] when another price holds on some of its days.
pub async fn create(tx: &Tx<'_>, new: &Price) -> Result<StoredPrice, DbError> {
    item::get(tx, new.item_id).await?;
    let currency = dealer::get(tx).await?.currency;
    if new.per_unit.currency.code() != currency {
        let fix = format!("give prices in {currency}, the dealer's currency");
        return Err(Faults::one("/per_unit/currency", "wrong_currency", fix).into());
    }
    checked(new)?;
    end_running(tx, new).await?;
    let row: Row = insert_into(item_price::table)
        .values((
            item_price::id.eq(tx.new_id()),
            item_price::consumable_id.eq(new.item_id.0),
            item_price::kind.eq(new.kind.as_str()),
            item_price::valid.eq(days(new)),
            item_price::amount.eq(new.per_unit.amount),
            item_price::currency.eq(&currency),
            item_price::created_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    log(tx, row.id, new, "created").await?;
    row.try_into()
}

/// The price by itself, its faults at its own fields.
fn checked(new: &Price) -> Result<(), Faults> {
    let found = PriceList::parse(std::slice::from_ref(new)).err().unwrap_or_default();
    let mut faults = Faults::default();
    for fault in found.0 {
        faults.add(fault.pointer.trim_start_matches("/0"), fault.code, fault.detail);
    }
    faults.or(())
}

async fn end_running(tx: &Tx<'_>, new: &Price) -> Result<(), DbError> {
    let same = item_price::consumable_id.eq(new.item_id.0).and(item_price::kind.eq(new.kind.as_str()));
    let open = item_price::table.filter(same.and(upper_inf(item_price::valid))).select(Row::as_select());
    let running: Option<Row> = open.first(&mut tx.conn()).await.optional()?;
    let Some(old) = running.map(StoredPrice::try_from).transpose()? else { return Ok(()) };
    if old.price.from >= new.from {
        return Ok(());
    }
    let ended = Price { to: Some(new.from), ..old.price };
    let still = item_price::id.eq(old.id).and(upper_inf(item_price::valid));
    let end = (item_price::valid.eq(days(&ended)), item_price::end_noted_at.eq(tx.now()));
    let changed = update(item_price::table.filter(still)).set(end).execute(&mut tx.conn()).await?;
    // Nothing to update: another transaction ended it meanwhile.
    if changed == 0 {
        return Err(DbError::Collided);
    }
    log(tx, old.id, &ended, "updated").await
}

/// The prices of an item that were written, or ended, since, the oldest first.
///
/// # Errors
/// [`DbError::NotFound`] for an item outside the scope.
pub async fn list(tx: &Tx<'_>, item_id: ItemId, since: Option<DateTime<Utc>>) -> Result<Vec<StoredPrice>, DbError> {
    item::get(tx, item_id).await?;
    let mut query = item_price::table
        .filter(item_price::consumable_id.eq(item_id.0))
        .select(Row::as_select())
        .order((item_price::kind, item_price::valid))
        .into_boxed();
    if let Some(since) = since {
        query = query.filter(item_price::created_at.ge(since).or(item_price::end_noted_at.ge(since)));
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// All prices.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn all(tx: &Tx<'_>) -> Result<PriceList, DbError> {
    let rows: Vec<Row> = item_price::table.select(Row::as_select()).load(&mut tx.conn()).await?;
    let prices =
        rows.into_iter().map(|row| Ok(StoredPrice::try_from(row)?.price)).collect::<Result<Vec<_>, DbError>>()?;
    Ok(PriceList::parse(&prices)?)
}

/// What customers pay for one of an item's unit on a day; `None` where no price holds.
pub(super) async fn selling(tx: &Tx<'_>, item: ItemId, day: NaiveDate) -> Result<Option<Money>, DbError> {
    let of_item = item_price::consumable_id.eq(item.0).and(item_price::kind.eq(PriceKind::Selling.as_str()));
    let held = item_price::table.filter(of_item.and(item_price::valid.contains(day))).select(Row::as_select());
    let row: Option<Row> = held.first(&mut tx.conn()).await.optional()?;
    row.map(|row| Ok(StoredPrice::try_from(row)?.price.per_unit)).transpose()
}

async fn log(tx: &Tx<'_>, id: Uuid, price: &Price, verb: &str) -> Result<(), DbError> {
    let detail = json!({ "item_id": price.item_id, "kind": price.kind, "from": price.from, "to": price.to });
    let record_id = id.to_string();
    tx.log(Change { record: "item_price", record_id, revision: None, verb, customer: None, detail }).await
}
