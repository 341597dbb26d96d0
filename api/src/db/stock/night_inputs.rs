//! What the night run reads of the stock: what stands where, what left each place by month, and
//! which sites have to be looked at closely.

use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{
    Array, BigInt, Bool, Date, Double, Integer, Nullable, Numeric, Text, Timestamptz, Uuid as SqlUuid,
};
use diesel_async::RunQueryDsl;
use domain::ids::{ItemId, PlaceId};
use domain::zone::Month;
use rust_decimal::Decimal;
use std::collections::{BTreeMap, BTreeSet, HashMap};
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
    /// Whether the ledger has a shelf for it there: else nothing is known of what stands there but
    /// by dips.
    pub in_ledger: bool,
    /// The day of its first line; today where it has none.
    pub since: NaiveDate,
    /// The day on which something was first issued from there; none where nothing was.
    pub first_issue: Option<NaiveDate>,
    /// First days of months, and what went out in them; in no order.
    pub months: Vec<(NaiveDate, f64)>,
    /// How often something was issued from there.
    pub issues: i64,
    /// What its units got straight from elsewhere, at a site.
    pub straight: Straight,
}

/// What units at a site got of an item straight from a van, a warehouse or another site.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Straight {
    /// The day of the first time.
    pub since: Option<NaiveDate>,
    /// First days of months, and what was issued in them.
    pub months: Vec<(NaiveDate, f64)>,
    /// How often.
    pub issues: i64,
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
    #[diesel(sql_type = Bool)]
    in_ledger: bool,
    #[diesel(sql_type = Date)]
    since: NaiveDate,
    #[diesel(sql_type = Nullable<Date>)]
    first_issue: Option<NaiveDate>,
    #[diesel(sql_type = Array<Integer>)]
    months: Vec<i32>,
    #[diesel(sql_type = Array<Double>)]
    quantities: Vec<f64>,
    #[diesel(sql_type = BigInt)]
    issues: i64,
}

/// One pass over the postings, each of which says whether it is use. What is known at a site by dips
/// or by the setting of a pump alone has no shelf in the ledger. Months go by their number in $1.
const HELD: &str = "
with out_of as (
  select place_id, consumable_id, width_bucket(at, $1) as month, min(at) as first,
         min(at) filter (where is_issue and change < 0) as first_issue,
         coalesce(sum(-change::float8) filter (where coalesce(is_use, is_issue)), 0) as quantity,
         count(*) filter (where is_issue and change < 0) as issues
    from stock_posting where at >= $1[1] and at <= $3
   group by 1, 2, 3),
by_item as (
  select place_id, consumable_id, min(first) as first, min(first_issue) as first_issue, array_agg(month) as months,
         array_agg(quantity) as quantities, sum(issues)::int8 as issues
    from out_of group by 1, 2),
noted as (
  select site_id, consumable_id from dip where withdrawn_at is null
  union
  select q.site_id, s.consumable_id
    from dosing_setting s
    join placement q on q.dealer_id = s.dealer_id and q.unit_id = s.unit_id and q.valid @> s.at and q.valid @> $3
   where s.withdrawn_at is null),
shelf as (
  select place_id, consumable_id, quantity, true as in_ledger from stock_balance
  union all
  select p.id, n.consumable_id, 0, false from noted n join place p on p.site_id = n.site_id),
standing as (
  select place_id, consumable_id, sum(quantity) as on_hand, bool_or(in_ledger) as in_ledger from shelf group by 1, 2)
select b.place_id, p.site_id, b.consumable_id, b.on_hand, b.in_ledger, coalesce(u.issues, 0) as issues,
       coalesce((u.first at time zone $2)::date, ($3 at time zone $2)::date) as since,
       (u.first_issue at time zone $2)::date as first_issue,
       coalesce(u.months, '{}') as months, coalesce(u.quantities, '{}') as quantities
  from standing b
  join place p on p.id = b.place_id and p.ended_at is null
  join consumable c on c.id = b.consumable_id and c.ended_at is null
  left join by_item u on u.place_id = b.place_id and u.consumable_id = b.consumable_id";

/// Every item at every place, with what went out in these months, which follow each other; each with its
/// ends.
///
/// # Errors
/// When the database fails.
pub async fn held(
    tx: &Tx<'_>,
    months: &[(Month, DateTime<Utc>, DateTime<Utc>)],
    zone: Tz,
) -> Result<Vec<Held>, DbError> {
    let begin: Vec<DateTime<Utc>> = months.iter().map(|(_, from, _)| *from).collect();
    let rows: Vec<Row> = sql_query(HELD)
        .bind::<Array<Timestamptz>, _>(begin)
        .bind::<Text, _>(zone.name())
        .bind::<Timestamptz, _>(tx.now())
        .load(&mut tx.conn())
        .await?;
    let first_day = |number: i32| Some(months.get(usize::try_from(number).ok()?.checked_sub(1)?)?.0.first_day());
    let by_month = |row: &Row| {
        let numbered = row.months.iter().zip(&row.quantities);
        numbered.filter_map(|(number, quantity)| Some((first_day(*number)?, *quantity))).collect()
    };
    let held = rows.into_iter().map(|row| Held {
        place: PlaceId(row.place_id),
        site: row.site_id,
        item: ItemId(row.consumable_id),
        on_hand: row.on_hand,
        in_ledger: row.in_ledger,
        since: row.since,
        first_issue: row.first_issue,
        months: by_month(&row),
        issues: row.issues,
        straight: Straight::default(),
    });
    Ok(held.collect())
}

#[derive(QueryableByName)]
struct SiteRow {
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
}

#[derive(QueryableByName)]
struct StraightRow {
    #[diesel(sql_type = SqlUuid)]
    place_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    consumable_id: Uuid,
    #[diesel(sql_type = Date)]
    month: NaiveDate,
    #[diesel(sql_type = Date)]
    since: NaiveDate,
    #[diesel(sql_type = Double)]
    quantity: f64,
    #[diesel(sql_type = BigInt)]
    issues: i64,
}

const STRAIGHT: &str = "
with line as (
  select consumable_id, unit_id, at, case kind when 'issued' then quantity else -quantity end as quantity,
         coalesce(from_place_id, to_place_id) as place_id
    from stock_movement
   where kind in ('issued', 'returned') and at >= $1 and at <= $3 and consumable_id = any($4))
select h.id as place_id, h.site_id, l.consumable_id, date_trunc('month', l.at at time zone $2)::date as month,
       (min(l.at) at time zone $2)::date as since, sum(l.quantity)::float8 as quantity,
       count(*) filter (where l.quantity > 0) as issues
  from line l
  join placement q on q.unit_id = l.unit_id and q.valid @> l.at
  join place h on h.site_id = q.site_id and h.ended_at is null
 where l.place_id <> h.id
 group by 1, 2, 3, 4
 order by 4";

/// What units at sites got straight from elsewhere, by the site's place and the item, with the site.
pub type AllStraight = BTreeMap<(PlaceId, ItemId), (Uuid, Straight)>;

/// What units at sites got of these items straight from elsewhere since `from`.
///
/// # Errors
/// When the database fails.
pub async fn straight(
    tx: &Tx<'_>,
    items: &BTreeSet<ItemId>,
    (from, zone): (DateTime<Utc>, Tz),
) -> Result<AllStraight, DbError> {
    let mut found = AllStraight::new();
    if items.is_empty() {
        return Ok(found);
    }
    let items: Vec<Uuid> = items.iter().map(|item| item.0).collect();
    let rows: Vec<StraightRow> = sql_query(STRAIGHT)
        .bind::<Timestamptz, _>(from)
        .bind::<Text, _>(zone.name())
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Array<SqlUuid>, _>(items)
        .load(&mut tx.conn())
        .await?;
    for row in rows {
        let of = (PlaceId(row.place_id), ItemId(row.consumable_id));
        let (_, straight) = found.entry(of).or_insert_with(|| (row.site_id, Straight::default()));
        straight.since.get_or_insert(row.since);
        straight.months.push((row.month, row.quantity));
        straight.issues += row.issues;
    }
    Ok(found)
}

/// Adds what came straight to what is held; of what no shelf has, a line of its own from `today` on.
pub fn add_straight(held: &mut Vec<Held>, mut found: AllStraight, today: NaiveDate) {
    for held in held.iter_mut() {
        if let Some((_, straight)) = found.remove(&(held.place, held.item)) {
            held.straight = straight;
        }
    }
    held.extend(found.into_iter().map(|((place, item), (site, straight))| Held {
        place,
        site: Some(site),
        item,
        on_hand: Decimal::ZERO,
        in_ledger: false,
        since: today,
        first_issue: None,
        months: Vec::new(),
        issues: 0,
        straight,
    }));
}

/// The units at a site.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct UnitsAt {
    /// How many stand there.
    pub units: u32,
    /// Since when none came or went.
    pub since: DateTime<Utc>,
}

#[derive(QueryableByName)]
struct UnitsRow {
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = Integer)]
    units: i32,
    #[diesel(sql_type = Timestamptz)]
    since: DateTime<Utc>,
}

const UNITS_AT: &str = "
select site_id, (count(*) filter (where valid @> $1))::int4 as units,
       max(case when upper(valid) <= $1 then upper(valid) else lower(valid) end) as since
  from placement
 where lower(valid) <= $1
 group by site_id
having count(*) filter (where valid @> $1) > 0";

/// The units that stand at each site.
///
/// # Errors
/// When the database fails.
pub async fn units_at(tx: &Tx<'_>) -> Result<HashMap<Uuid, UnitsAt>, DbError> {
    let rows: Vec<UnitsRow> = sql_query(UNITS_AT).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    let at = |row: UnitsRow| {
        (row.site_id, UnitsAt { units: u32::try_from(row.units).unwrap_or_default(), since: row.since })
    };
    Ok(rows.into_iter().map(at).collect())
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
