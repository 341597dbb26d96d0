//! What to bring: the kits that parts are replaced with, their prices of today, and what of them is at hand.
//! One query for however many parts.

use crate::db::{DbError, Tx};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Nullable, Numeric, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use rust_decimal::Decimal;
use std::collections::BTreeSet;
use uuid::Uuid;

/// An item of the kit that a part is replaced with.
#[derive(Debug, Clone, PartialEq, QueryableByName)]
pub struct ToBring {
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Nullable<Text>)]
    model: Option<String>,
    /// The kit.
    #[diesel(sql_type = SqlUuid)]
    pub kit_id: Uuid,
    /// Its name.
    #[diesel(sql_type = Text)]
    pub kit: String,
    /// The item.
    #[diesel(sql_type = SqlUuid)]
    pub item_id: Uuid,
    /// Its name.
    #[diesel(sql_type = Text)]
    pub item: String,
    /// What it is counted in.
    #[diesel(sql_type = Text)]
    pub unit: String,
    /// How much of it the kit has.
    #[diesel(sql_type = Numeric)]
    pub quantity: Decimal,
    /// What one of its unit costs the dealer, where a price is known.
    #[diesel(sql_type = Nullable<Numeric>)]
    pub purchase: Option<Decimal>,
    /// What one of its unit costs customers.
    #[diesel(sql_type = Nullable<Numeric>)]
    pub selling: Option<Decimal>,
    /// The currency of the prices: the dealer's.
    #[diesel(sql_type = Text)]
    pub currency: String,
    /// What of it is in vans.
    #[diesel(sql_type = Numeric)]
    pub in_vans: Decimal,
    /// What of it is in warehouses.
    #[diesel(sql_type = Numeric)]
    pub in_warehouses: Decimal,
}

impl ToBring {
    /// Whether it is for a part of that kind and maker's model.
    #[must_use]
    pub fn is_for(&self, kind: &str, model: Option<&str>) -> bool {
        self.kind == kind && self.model.as_deref() == model
    }
}

/// A kit of the part's own model goes before one of its kind.
const KITS: &str = "
with wanted as (select * from unnest($1::text[], $2::text[]) as w (kind, model)),
kits as (
  select w.kind, w.model, k.id, k.name, k.lines
    from wanted w
    cross join lateral (
      select k.id, k.name, k.lines from kit k
       where k.for_kind = w.kind and (k.for_model is null or k.for_model = w.model) and k.ended_at is null
       order by k.for_model nulls last limit 1) k),
today as (select ($3 at time zone time_zone)::date as day, currency from dealer),
at_hand as (
  select b.consumable_id, sum(b.quantity) filter (where p.kind = 'van') as in_vans,
         sum(b.quantity) filter (where p.kind = 'warehouse') as in_warehouses
    from stock_balance b join place p on p.dealer_id = b.dealer_id and p.id = b.place_id
   where b.consumable_id in (select (l ->> 'item_id')::uuid from kits, jsonb_array_elements(kits.lines) l)
   group by b.consumable_id)
select k.kind, k.model, k.id as kit_id, k.name as kit, c.id as item_id, c.name as item, c.unit,
       (l.line ->> 'quantity')::numeric as quantity, t.currency,
       (select i.amount from item_price i
         where i.consumable_id = c.id and i.kind = 'purchase' and i.valid @> t.day) as purchase,
       (select i.amount from item_price i
         where i.consumable_id = c.id and i.kind = 'selling' and i.valid @> t.day) as selling,
       coalesce(h.in_vans, 0) as in_vans, coalesce(h.in_warehouses, 0) as in_warehouses
  from kits k
  cross join today t
  cross join lateral jsonb_array_elements(k.lines) with ordinality as l (line, n)
  join consumable c on c.id = (l.line ->> 'item_id')::uuid
  left join at_hand h on h.consumable_id = c.id
 order by k.kind, k.model, l.n";

/// What parts are replaced with, by kind and maker's model, where a kit says it.
///
/// # Errors
/// When the database fails.
pub async fn kits(tx: &Tx<'_>, parts: &[(&str, Option<&str>)]) -> Result<Vec<ToBring>, DbError> {
    let wanted: BTreeSet<(&str, Option<&str>)> = parts.iter().copied().collect();
    if wanted.is_empty() {
        return Ok(Vec::new());
    }
    let (kinds, models): (Vec<&str>, Vec<Option<&str>>) = wanted.into_iter().unzip();
    Ok(sql_query(KITS)
        .bind::<Array<Text>, _>(kinds)
        .bind::<Array<Nullable<Text>>, _>(models)
        .bind::<Timestamptz, _>(tx.now())
        .load(&mut tx.conn())
        .await?)
}
