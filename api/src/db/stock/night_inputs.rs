//! What the night run reads of the stock: what stands where, what left each place by month, and
//! which sites have to be looked at closely.

use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Date, Double, Integer, Nullable, Numeric, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::{ItemId, PlaceId};
use rust_decimal::Decimal;
use std::collections::HashMap;
use uuid::Uuid;

/// An item at a place: what stands there, and what went out by month.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    /// Where.
    pub place: PlaceId,
    /// The site, if the place is one.
    pub site: Option<Uuid>,
    /// Which item.
    pub item: ItemId,
    /// What stands there, all lots together.
    pub on_hand: Decimal,
    /// The day of its first line.
    pub since: NaiveDate,
    /// First days of months, and what went out in them.
    pub months: Vec<(NaiveDate, f64)>,
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = SqlUuid)]
    place_id: Uuid,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    site_id: Option<Uuid>,
    #[diesel(sql_type = SqlUuid)]
    consumable_id: Uuid,
    #[diesel(sql_type = Numeric)]
    on_hand: Decimal,
    #[diesel(sql_type = Date)]
    since: NaiveDate,
    #[diesel(sql_type = Array<Date>)]
    months: Vec<NaiveDate>,
    #[diesel(sql_type = Array<Double>)]
    quantities: Vec<f64>,
}

/// Out of a warehouse goes what was issued or moved on, less what came back; elsewhere what was
/// issued. A count that says it was used counts with it. One pass over the postings.
const HELD: &str = "
with out_of as (
  select s.place_id, s.consumable_id, date_trunc('month', s.at at time zone $2) as month,
         min(s.at) as first,
         sum(case when s.is_issue or m.kind = 'moved' and p.kind = 'warehouse' or s.is_count and m.why = 'used'
             then -s.change else 0 end)::float8 as quantity
    from stock_posting s
    join stock_movement m on m.dealer_id = s.dealer_id and m.id = s.movement_id
    join place p on p.dealer_id = s.dealer_id and p.id = s.place_id
   where s.at >= $1 and s.at <= $3
   group by 1, 2, 3),
by_item as (
  select place_id, consumable_id, min(first) as first,
         array_agg(month::date order by month) as months, array_agg(quantity order by month) as quantities
    from out_of group by 1, 2),
standing as (
  select place_id, consumable_id, sum(quantity) as on_hand from stock_balance group by 1, 2)
select b.place_id, p.site_id, b.consumable_id, b.on_hand,
       coalesce((u.first at time zone $2)::date, ($3 at time zone $2)::date) as since,
       coalesce(u.months, '{}') as months, coalesce(u.quantities, '{}') as quantities
  from standing b
  join place p on p.id = b.place_id and p.ended_at is null
  join consumable c on c.id = b.consumable_id and c.ended_at is null
  left join by_item u on u.place_id = b.place_id and u.consumable_id = b.consumable_id";

/// Every item at every place, with what went out since `from`.
///
/// # Errors
/// When the database fails.
pub async fn held(tx: &Tx<'_>, from: DateTime<Utc>, zone: &str) -> Result<Vec<Held>, DbError> {
    let rows: Vec<Row> = sql_query(HELD)
        .bind::<Timestamptz, _>(from)
        .bind::<Text, _>(zone)
        .bind::<Timestamptz, _>(tx.now())
        .load(&mut tx.conn())
        .await?;
    let held = rows.into_iter().map(|row| Held {
        place: PlaceId(row.place_id),
        site: row.site_id,
        item: ItemId(row.consumable_id),
        on_hand: row.on_hand,
        since: row.since,
        months: row.months.into_iter().zip(row.quantities).collect(),
    });
    Ok(held.collect())
}

#[derive(QueryableByName)]
struct SiteRow {
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
}

#[derive(QueryableByName)]
struct UnitsRow {
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = Integer)]
    units: i32,
}

/// How many units stand at each site.
///
/// # Errors
/// When the database fails.
pub async fn units_at(tx: &Tx<'_>) -> Result<HashMap<Uuid, u32>, DbError> {
    let rows: Vec<UnitsRow> =
        sql_query("select site_id, count(*)::int4 as units from placement where valid @> $1 group by site_id")
            .bind::<Timestamptz, _>(tx.now())
            .load(&mut tx.conn())
            .await?;
    Ok(rows.into_iter().map(|row| (row.site_id, u32::try_from(row.units).unwrap_or_default())).collect())
}

/// Sites with a place where somebody dipped, or noted how a pump doses.
const LOOKED_AT: &str = "
select p.site_id from place p
 where p.site_id is not null and p.ended_at is null and (
   exists (select from dip d where d.dealer_id = p.dealer_id and d.site_id = p.site_id and d.withdrawn_at is null)
   or exists (select from placement q
     join dosing_setting s on s.dealer_id = q.dealer_id and s.unit_id = q.unit_id and q.valid @> s.at
     where q.dealer_id = p.dealer_id and q.site_id = p.site_id and s.withdrawn_at is null))";

/// Sites whose use is known better than by the ledger alone.
///
/// # Errors
/// When the database fails.
pub async fn looked_at(tx: &Tx<'_>) -> Result<Vec<Uuid>, DbError> {
    let rows: Vec<SiteRow> = sql_query(LOOKED_AT).load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(|row| row.site_id).collect())
}
