//! Lots in the database.

use super::item;
use crate::db::schema::stock_lot;
use crate::db::stamp::Change;
use crate::db::{DbError, Tx, dealer};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{ItemId, LotId};
use domain::stock::item::Lot;
use serde_json::json;
use uuid::Uuid;

/// A lot with its id and when it was added.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredLot {
    /// Its id.
    pub id: LotId,
    /// The lot.
    pub lot: Lot,
    /// When it was added.
    pub created_at: DateTime<Utc>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = stock_lot)]
struct Row {
    id: Uuid,
    consumable_id: Uuid,
    number: String,
    expires_on: Option<NaiveDate>,
    created_at: DateTime<Utc>,
}

impl From<Row> for StoredLot {
    fn from(row: Row) -> Self {
        let lot = Lot { item_id: ItemId(row.consumable_id), number: row.number, expires_on: row.expires_on };
        Self { id: LotId(row.id), lot, created_at: row.created_at }
    }
}

/// Adds a lot. Without a date it is good for as long as its item's lots are as a rule, from today.
///
/// # Errors
/// [`DbError::NotFound`] for an item outside the scope, [`DbError::Invalid`] for one that is not
/// kept by lot, [`DbError::Taken`] when there is one of that number.
pub async fn create(tx: &Tx<'_>, new: &Lot) -> Result<StoredLot, DbError> {
    let item = item::get(tx, new.item_id).await?.value.item;
    if !item.by_lot {
        return Err(Faults::one("", "not_by_lot", "this item is not kept by lot; change its by_lot first").into());
    }
    let today = dealer::today(tx).await?;
    let row: Row = insert_into(stock_lot::table)
        .values((
            stock_lot::id.eq(tx.new_id()),
            stock_lot::consumable_id.eq(new.item_id.0),
            stock_lot::number.eq(&new.number),
            stock_lot::expires_on.eq(new.expires_on.or_else(|| item.expires_on(today))),
            stock_lot::created_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    let (record, record_id, verb) = ("stock_lot", row.id.to_string(), "created");
    let detail = json!({ "item_id": new.item_id, "number": new.number });
    tx.log(Change { record, record_id, revision: None, verb, customer: None, detail }).await?;
    Ok(row.into())
}

/// The lot of that number of an item; one that nobody added yet is added.
///
/// # Errors
/// [`DbError::Invalid`] for an item that is not kept by lot, or what can be no number.
pub async fn of_number(tx: &Tx<'_>, item_id: ItemId, number: &str) -> Result<LotId, DbError> {
    let lot = Lot { item_id, number: number.to_owned(), expires_on: None }.checked()?;
    let same = stock_lot::consumable_id.eq(item_id.0).and(stock_lot::number.eq(&lot.number));
    let found: Option<Uuid> =
        stock_lot::table.filter(same).select(stock_lot::id).first(&mut tx.conn()).await.optional()?;
    match found {
        Some(id) => Ok(LotId(id)),
        None => Ok(create(tx, &lot).await?.id),
    }
}

/// The lots of an item, the first to expire first.
///
/// # Errors
/// [`DbError::NotFound`] for an item outside the scope.
pub async fn list(tx: &Tx<'_>, item_id: ItemId) -> Result<Vec<StoredLot>, DbError> {
    item::get(tx, item_id).await?;
    let rows: Vec<Row> = stock_lot::table
        .filter(stock_lot::consumable_id.eq(item_id.0))
        .select(Row::as_select())
        .order((stock_lot::expires_on.asc().nulls_last(), stock_lot::number))
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(Into::into).collect())
}

/// One lot.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: LotId) -> Result<StoredLot, DbError> {
    let found = stock_lot::table.filter(stock_lot::id.eq(id.0));
    let row: Row = found.select(Row::as_select()).first(&mut tx.conn()).await?;
    Ok(row.into())
}
