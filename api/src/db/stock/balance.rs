//! What stands where, now and at any instant before.

use super::ledger::lot_of;
use crate::db::page::{After, unknown_cursor};
use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Date, Nullable, Numeric, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{ItemId, LotId, PlaceId};
use rust_decimal::Decimal;
use uuid::Uuid;

/// What stands on one shelf.
#[derive(Debug, Clone, PartialEq, QueryableByName)]
pub struct Balance {
    /// Where.
    #[diesel(sql_type = SqlUuid)]
    pub place_id: Uuid,
    /// What the place is called.
    #[diesel(sql_type = Text)]
    pub place: String,
    /// Which item.
    #[diesel(sql_type = SqlUuid)]
    pub item_id: Uuid,
    /// What the item is called.
    #[diesel(sql_type = Text)]
    pub item: String,
    /// What it is counted in.
    #[diesel(sql_type = Text)]
    pub unit: String,
    #[diesel(sql_type = SqlUuid)]
    lot_key: Uuid,
    /// The lot's number, for items kept by lot.
    #[diesel(sql_type = Nullable<Text>)]
    pub lot: Option<String>,
    /// The lot's last good day.
    #[diesel(sql_type = Nullable<Date>)]
    pub expires_on: Option<NaiveDate>,
    /// How much.
    #[diesel(sql_type = Numeric)]
    pub quantity: Decimal,
    /// When it was last counted; of a past instant, none.
    #[diesel(sql_type = Nullable<Timestamptz>)]
    pub counted_at: Option<DateTime<Utc>>,
}

impl Balance {
    /// The lot, for items kept by lot.
    #[must_use]
    pub fn lot_id(&self) -> Option<LotId> {
        lot_of(self.lot_key)
    }

    /// The sort text and id of its cursor.
    #[must_use]
    pub fn key(&self) -> (String, Uuid) {
        (format!("{}{}", self.place_id.simple(), self.item_id.simple()), self.lot_key)
    }
}

/// Which shelves.
#[derive(Debug, Clone, Copy, Default)]
pub struct Filter {
    /// At a place.
    pub place: Option<PlaceId>,
    /// Of an item.
    pub item: Option<ItemId>,
    /// As they stood at that instant, its lines included; now when left out.
    pub at: Option<DateTime<Utc>>,
}

const NAMES: &str = "
  join place p on p.dealer_id = b.dealer_id and p.id = b.place_id
  join consumable c on c.dealer_id = b.dealer_id and c.id = b.consumable_id
  left join stock_lot l on l.dealer_id = b.dealer_id and l.id = b.lot_id
 where (b.place_id, b.consumable_id, b.lot_id) > ($1, $2, $3)
   and ($4 is null or b.place_id = $4) and ($5 is null or b.consumable_id = $5)
 order by b.place_id, b.consumable_id, b.lot_id limit $6";

const COLUMNS: &str = "b.place_id, p.name as place, b.consumable_id as item_id, c.name as item, c.unit,
       b.lot_id as lot_key, l.number as lot, l.expires_on";

/// What stands on shelves, one more than the page holds.
///
/// # Errors
/// [`DbError::Invalid`] for a cursor of another list.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<Balance>, DbError> {
    let (place, item) = of_cursor(after.key().0)?;
    let query = match filter.at {
        None => sql_query(format!("select {COLUMNS}, b.quantity, b.counted_at from stock_balance b {NAMES}")),
        Some(_) => sql_query(format!(
            "select {COLUMNS}, then_there.balance as quantity, null::timestamptz as counted_at
               from stock_balance b
               join lateral (select s.balance from stock_posting s
                 where s.dealer_id = b.dealer_id and s.place_id = b.place_id
                   and s.consumable_id = b.consumable_id and s.lot_id = b.lot_id and s.at <= $7
                 order by s.at desc, s.is_count desc, s.movement_id desc limit 1) as then_there on true {NAMES}"
        )),
    };
    let query = query
        .into_boxed::<diesel::pg::Pg>()
        .bind::<SqlUuid, _>(place)
        .bind::<SqlUuid, _>(item)
        .bind::<SqlUuid, _>(after.key().1)
        .bind::<Nullable<SqlUuid>, _>(filter.place.map(|place| place.0))
        .bind::<Nullable<SqlUuid>, _>(filter.item.map(|item| item.0))
        .bind::<BigInt, _>(after.ask());
    match filter.at {
        None => Ok(query.load(&mut tx.conn()).await?),
        Some(at) => Ok(query.bind::<Timestamptz, _>(at).load(&mut tx.conn()).await?),
    }
}

const LOTS: &str = "
  join place p on p.dealer_id = b.dealer_id and p.id = b.place_id
  join consumable c on c.dealer_id = b.dealer_id and c.id = b.consumable_id
  join stock_lot l on l.dealer_id = b.dealer_id and l.id = b.lot_id
 where b.consumable_id = any($1) and b.quantity > 0
 order by l.expires_on nulls last, p.name, l.number";

/// The lots of items of which something stands there, the first to expire first.
///
/// # Errors
/// When the database fails.
pub async fn lots(tx: &Tx<'_>, items: &[ItemId]) -> Result<Vec<Balance>, DbError> {
    let items: Vec<Uuid> = items.iter().map(|item| item.0).collect();
    Ok(sql_query(format!("select {COLUMNS}, b.quantity, b.counted_at from stock_balance b {LOTS}"))
        .bind::<Array<SqlUuid>, _>(items)
        .load(&mut tx.conn())
        .await?)
}

/// Place and item of a cursor's text; the beginning has none, and no lot key is below nil.
fn of_cursor(text: &str) -> Result<(Uuid, Uuid), Faults> {
    if text.is_empty() {
        return Ok((Uuid::nil(), Uuid::nil()));
    }
    let halves = text.split_at_checked(32).map(|(place, item)| (Uuid::parse_str(place), Uuid::parse_str(item)));
    match halves {
        Some((Ok(place), Ok(item))) => Ok((place, item)),
        _ => Err(unknown_cursor()),
    }
}
