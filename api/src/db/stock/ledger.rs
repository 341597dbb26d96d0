//! The shelves that a line of the ledger reaches: locked in order, judged and added up by the
//! domain, and written with what stands there after it.

use crate::db::schema::stock_posting;
use crate::db::{DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Bool, Nullable, Numeric, Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, sql_query};
use diesel_async::RunQueryDsl;
use domain::ids::{LotId, MovementId, PlaceId};
use domain::stock::ledger::{Ledger, Posting, Role, Shelf};
use domain::stock::movement::Movement;
use rust_decimal::Decimal;
use std::collections::BTreeSet;
use uuid::Uuid;

/// The shelves of a line, in the order in which every writer locks them.
#[must_use]
pub fn shelves(movement: &Movement) -> BTreeSet<Shelf> {
    let shelf = |place_id| Shelf { place_id, item_id: movement.item_id, lot_id: movement.lot_id };
    movement.changes().map(|(place_id, _)| shelf(place_id)).collect()
}

/// How a shelf's lot is stored.
#[must_use]
pub fn lot_key(lot: Option<LotId>) -> Uuid {
    lot.map_or(Uuid::nil(), |lot| lot.0)
}

/// The lot of a stored shelf.
#[must_use]
pub fn lot_of(key: Uuid) -> Option<LotId> {
    (!key.is_nil()).then_some(LotId(key))
}

/// Locks shelves until the transaction ends; a shelf that was never used is made.
///
/// # Errors
/// When the database fails.
pub async fn lock(tx: &Tx<'_>, shelves: &BTreeSet<Shelf>) -> Result<(), DbError> {
    for shelf in shelves {
        let made =
            "insert into stock_balance (place_id, consumable_id, lot_id) values ($1, $2, $3) on conflict do nothing";
        on_shelf(made, shelf).execute(&mut tx.conn()).await?;
        let locked = "select from stock_balance where place_id = $1 and consumable_id = $2 and lot_id = $3 for update";
        on_shelf(locked, shelf).execute(&mut tx.conn()).await?;
    }
    Ok(())
}

type OnShelf = diesel::query_builder::BoxedSqlQuery<'static, diesel::pg::Pg, diesel::query_builder::SqlQuery>;

fn on_shelf(sql: &str, shelf: &Shelf) -> OnShelf {
    sql_query(sql)
        .into_boxed()
        .bind::<SqlUuid, _>(shelf.place_id.0)
        .bind::<SqlUuid, _>(shelf.item_id.0)
        .bind::<SqlUuid, _>(lot_key(shelf.lot_id))
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = Timestamptz)]
    at: DateTime<Utc>,
    #[diesel(sql_type = Bool)]
    is_count: bool,
    #[diesel(sql_type = Bool)]
    is_issue: bool,
    #[diesel(sql_type = SqlUuid)]
    movement_id: Uuid,
    #[diesel(sql_type = Numeric)]
    change: Decimal,
    #[diesel(sql_type = Numeric)]
    balance: Decimal,
}

impl From<Row> for Posting {
    fn from(row: Row) -> Self {
        let role = match (row.is_count, row.is_issue) {
            (true, _) => Role::Count(row.balance),
            (false, true) => Role::Issue,
            (false, false) => Role::Carried,
        };
        let movement_id = MovementId(row.movement_id);
        Self { at: row.at, movement_id, change: row.change, balance: row.balance, role }
    }
}

/// The line before an instant, and those from it on up to the next count: what a line of that
/// instant can change, and what it is judged by.
const AROUND: &str = "
select * from (
  (select at, is_count, is_issue, movement_id, change, balance from stock_posting
    where place_id = $1 and consumable_id = $2 and lot_id = $3 and at < $4
    order by at desc, is_count desc, movement_id desc limit 1)
  union all
  (select at, is_count, is_issue, movement_id, change, balance from stock_posting
    where place_id = $1 and consumable_id = $2 and lot_id = $3 and at >= $4
      and at <= coalesce((select min(at) from stock_posting
        where place_id = $1 and consumable_id = $2 and lot_id = $3 and at >= $4 and is_count), 'infinity'))
) as around order by at, is_count, movement_id";

async fn around(tx: &Tx<'_>, shelf: &Shelf, at: DateTime<Utc>) -> Result<Vec<Posting>, DbError> {
    let rows: Vec<Row> = on_shelf(AROUND, shelf).bind::<Timestamptz, _>(at).load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(Into::into).collect())
}

/// Judges a line among those of its shelves, which are locked, and gives what its postings and
/// those after it become.
///
/// # Errors
/// [`DbError::Invalid`] for a line that does not fit.
pub async fn judged(tx: &Tx<'_>, movement: &Movement) -> Result<Vec<(Shelf, Posting)>, DbError> {
    let mut before = Vec::new();
    for shelf in shelves(movement) {
        before.push((shelf, around(tx, &shelf, movement.at).await?));
    }
    let mut ledger = Ledger::resumed(before.clone());
    ledger.admit(movement)?;
    ledger.post(movement);
    let changed = before.iter().flat_map(|(shelf, old)| {
        let now = ledger.postings(shelf).iter();
        now.filter(|posting| !old.contains(posting)).map(|posting| (*shelf, *posting))
    });
    Ok(changed.collect())
}

/// Writes postings that are new or have changed, and what stands on their shelves now; what a new one
/// did is use of these places.
///
/// # Errors
/// When the database fails.
pub async fn write(tx: &Tx<'_>, postings: &[(Shelf, Posting)], used_at: &[PlaceId]) -> Result<(), DbError> {
    for (shelf, posting) in postings {
        let changed = (stock_posting::change.eq(posting.change), stock_posting::balance.eq(posting.balance));
        insert_into(stock_posting::table)
            .values((
                stock_posting::place_id.eq(shelf.place_id.0),
                stock_posting::consumable_id.eq(shelf.item_id.0),
                stock_posting::lot_id.eq(lot_key(shelf.lot_id)),
                stock_posting::at.eq(posting.at),
                stock_posting::is_count.eq(posting.is_count()),
                stock_posting::movement_id.eq(posting.movement_id.0),
                stock_posting::is_issue.eq(posting.role == Role::Issue),
                stock_posting::is_use.eq(used_at.contains(&shelf.place_id)),
                changed,
            ))
            .on_conflict((
                stock_posting::dealer_id,
                stock_posting::place_id,
                stock_posting::consumable_id,
                stock_posting::lot_id,
                stock_posting::at,
                stock_posting::is_count,
                stock_posting::movement_id,
            ))
            .do_update()
            .set(changed)
            .execute(&mut tx.conn())
            .await?;
    }
    let reached: BTreeSet<Shelf> = postings.iter().map(|(shelf, _)| *shelf).collect();
    for shelf in reached {
        let counts = postings.iter().filter(|(of, posting)| *of == shelf && posting.is_count());
        let counted_at = counts.map(|(_, posting)| posting.at).max();
        on_shelf(BALANCE, &shelf).bind::<Nullable<Timestamptz>, _>(counted_at).execute(&mut tx.conn()).await?;
    }
    Ok(())
}

const BALANCE: &str = "
update stock_balance b
   set quantity = last.balance, moved_at = last.at, counted_at = greatest(b.counted_at, $4)
  from (select balance, at from stock_posting
         where place_id = $1 and consumable_id = $2 and lot_id = $3
         order by at desc, is_count desc, movement_id desc limit 1) as last
 where b.place_id = $1 and b.consumable_id = $2 and b.lot_id = $3";
