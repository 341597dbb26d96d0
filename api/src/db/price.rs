//! Dated rates of work in the database: the dealer's alone.

use super::error::known;
use super::measures::dated::WRITTEN;
use super::page::After;
use super::range::{self, DateRange};
use super::schema::price;
use super::stamp::Change;
use super::{DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::dsl::upper_inf;
use diesel::prelude::*;
use diesel::sql_types::{BigInt, Bool, Nullable, Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, sql_query, update};
use diesel_async::RunQueryDsl;
use domain::cost::purchase::{DatedPrice, Priced};
use domain::ids::{AccountId, PriceId};
use domain::money::{Currency, Money};
use rust_decimal::Decimal;
use serde_json::json;
use uuid::Uuid;

/// A price as it is stored.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredPrice {
    /// Its key.
    pub id: PriceId,
    /// The price.
    pub value: DatedPrice,
    /// Who wrote it down.
    pub recorded_by: Option<AccountId>,
    /// When.
    pub created_at: DateTime<Utc>,
    /// When it was last written: ended or withdrawn since, or written down.
    pub changed_at: DateTime<Utc>,
    /// When it was withdrawn and why, if it was wrong.
    pub withdrawn: Option<(DateTime<Utc>, String)>,
}

#[derive(Queryable, QueryableByName, Selectable)]
#[diesel(table_name = price)]
struct Row {
    id: Uuid,
    what: String,
    valid: DateRange,
    unit: String,
    amount: Decimal,
    currency: String,
    recorded_by: Option<Uuid>,
    created_at: DateTime<Utc>,
    end_noted_at: Option<DateTime<Utc>>,
    withdrawn_at: Option<DateTime<Utc>>,
    withdrawn_why: Option<String>,
}

impl TryFrom<Row> for StoredPrice {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let currency = known("currency", Currency::parse(&row.currency).ok())?;
        let value = DatedPrice {
            what: known("what", Priced::from_name(&row.what))?,
            days: range::to_days(row.valid)?,
            unit: row.unit,
            per_unit: Money { amount: row.amount, currency },
        };
        Ok(Self {
            id: PriceId(row.id),
            value,
            recorded_by: row.recorded_by.map(AccountId),
            created_at: row.created_at,
            changed_at: row.withdrawn_at.or(row.end_noted_at).unwrap_or(row.created_at),
            withdrawn: row.withdrawn_at.zip(row.withdrawn_why),
        })
    }
}

/// Adds a price; the one of the same work and unit that goes on until then ends where it begins.
///
/// # Errors
/// [`DbError::Taken`] when another holds on some of its days.
pub async fn create(tx: &Tx<'_>, new: &DatedPrice) -> Result<StoredPrice, DbError> {
    end_running(tx, new).await?;
    let row: Row = insert_into(price::table)
        .values((
            price::id.eq(tx.new_id()),
            price::what.eq(new.what.as_str()),
            price::valid.eq(range::of_days(new.days)),
            price::unit.eq(&new.unit),
            price::amount.eq(new.per_unit.amount),
            price::currency.eq(new.per_unit.currency.to_string()),
            price::recorded_by.eq(tx.scope().account().map(|account| account.0)),
            price::created_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, row.try_into()?, "created").await
}

async fn end_running(tx: &Tx<'_>, new: &DatedPrice) -> Result<(), DbError> {
    let same = price::what.eq(new.what.as_str()).and(price::unit.eq(&new.unit));
    let running: Vec<Row> = price::table
        .filter(same.and(price::withdrawn_at.is_null()).and(upper_inf(price::valid)))
        .select(Row::as_select())
        .load(&mut tx.conn())
        .await?;
    for row in running {
        let from = range::to_dates(row.valid)?.0;
        if from >= new.days.from() {
            continue;
        }
        let ended: Row = update(price::table.filter(price::id.eq(row.id)))
            .set((price::valid.eq(range::of_dates(from, Some(new.days.from()))), price::end_noted_at.eq(tx.now())))
            .returning(Row::as_returning())
            .get_result(&mut tx.conn())
            .await?;
        logged(tx, ended.try_into()?, "updated").await?;
    }
    Ok(())
}

/// Prices in the order in which they were written down or as the page is sorted, one more than it holds; withdrawn
/// ones only when asked for. One is written again when it is ended or withdrawn.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, withdrawn: bool, after: &After) -> Result<Vec<StoredPrice>, DbError> {
    let (past, order, at) = after.by_id(("p", "$5"), ("p.created_at", WRITTEN));
    let rows: Vec<Row> = sql_query(format!(
        "select p.* from price p
          where {past} and ($2 or p.withdrawn_at is null) and ($3 is null or {WRITTEN} >= $3)
          order by {order} limit $4"
    ))
    .bind::<SqlUuid, _>(after.key().1)
    .bind::<Bool, _>(withdrawn)
    .bind::<Nullable<Timestamptz>, _>(after.changed_since())
    .bind::<BigInt, _>(after.ask())
    .bind::<Nullable<Timestamptz>, _>(at)
    .load(&mut tx.conn())
    .await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// The rates that count.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn rates(tx: &Tx<'_>) -> Result<Vec<DatedPrice>, DbError> {
    let rows: Vec<Row> =
        price::table.filter(price::withdrawn_at.is_null()).select(Row::as_select()).load(&mut tx.conn()).await?;
    rows.into_iter().map(|row| Ok(StoredPrice::try_from(row)?.value)).collect()
}

/// Withdraws a wrong price.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, [`DbError::Refused`] when it was withdrawn before.
pub async fn withdraw(tx: &Tx<'_>, id: PriceId, why: &str) -> Result<StoredPrice, DbError> {
    let old: Row = price::table.filter(price::id.eq(id.0)).select(Row::as_select()).first(&mut tx.conn()).await?;
    if old.withdrawn_at.is_some() {
        return Err(DbError::refused("withdrawn_already", "It was withdrawn before; its answer says by whom and why."));
    }
    let row: Option<Row> = update(price::table.filter(price::id.eq(id.0).and(price::withdrawn_at.is_null())))
        .set((
            price::withdrawn_at.eq(tx.now()),
            price::withdrawn_by.eq(tx.scope().account().map(|account| account.0)),
            price::withdrawn_why.eq(why),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    // Nothing to update: another transaction withdrew it meanwhile.
    logged(tx, row.ok_or(DbError::Collided)?.try_into()?, "retired").await
}

/// The line belongs to no customer, and says nothing of the amount.
async fn logged(tx: &Tx<'_>, stored: StoredPrice, verb: &str) -> Result<StoredPrice, DbError> {
    let value = &stored.value;
    let detail = json!({ "what": value.what, "from": value.days.from(), "to": value.days.to() });
    let record_id = stored.id.to_string();
    tx.log(Change { record: "price", record_id, revision: None, verb, customer: None, detail }).await?;
    Ok(stored)
}

#[cfg(test)]
mod tests {
    use super::WRITTEN;

    const INDEXES: &str = include_str!("../../../migrations/2026-11-27-0077_sorted_lists/up.sql");

    /// An index in other words would not be gone by, and nothing else would tell.
    #[test]
    fn when_prices_were_written_is_asked_in_the_words_of_their_index() {
        assert!(INDEXES.contains(&format!("price_changed on price (dealer_id, {WRITTEN}, id);")));
    }
}
