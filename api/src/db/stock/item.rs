//! Items in the database: consumables and spare parts that are kept in stock.

use super::{placed, supplier};
use crate::db::error::known;
use crate::db::page::{After, paged};
use crate::db::schema::consumable;
use crate::db::stamp::one_changed;
use crate::db::{DbError, Revision, Stored, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{ItemId, SupplierId};
use domain::stock::hazard::HazardGroup;
use domain::stock::item::{Item, OrderCosts, Supply};
use domain::stock::quantity::{Quantity, StockUnit};
use domain::stock::replenish::ServiceLevel;
use rust_decimal::Decimal;
use serde_json::{Value, json};
use std::collections::{BTreeSet, HashMap};
use uuid::Uuid;

/// An item, and what its supplier is called.
#[derive(Debug, Clone, PartialEq)]
pub struct Named {
    /// The item.
    pub item: Item,
    /// The supplier's name; none when the dealer does not buy it.
    pub supplier: Option<String>,
}

/// An item with its stamps.
pub type StoredItem = Stored<ItemId, Named>;

#[derive(Queryable, Selectable)]
#[diesel(table_name = consumable)]
struct Row {
    id: Uuid,
    name: String,
    unit: String,
    density_kg_per_l: Option<f64>,
    active_share: Option<f64>,
    per_day: Option<Value>,
    hazard: String,
    by_lot: bool,
    shelf_life_d: Option<i32>,
    service_level: f64,
    supplier_id: Option<Uuid>,
    pack: Option<Decimal>,
    least_packs: Option<i32>,
    lead_time_d: Option<i32>,
    lead_time_sd_d: Option<f64>,
    order_cost: Option<Decimal>,
    holding_cost_per_year: Option<Decimal>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

impl Row {
    fn supply(&self) -> Option<Supply> {
        Some(Supply {
            supplier_id: SupplierId(self.supplier_id?),
            pack: Quantity::parse(self.pack?).ok()?,
            least_packs: u32::try_from(self.least_packs?).ok()?,
            lead_time_d: u16::try_from(self.lead_time_d?).ok()?,
            lead_time_sd_d: self.lead_time_sd_d?,
            costs: self
                .order_cost
                .zip(self.holding_cost_per_year)
                .map(|(order, holding_per_year)| OrderCosts { order, holding_per_year }),
        })
    }

    fn stored(self, supplier: impl FnOnce(SupplierId) -> Option<String>) -> Result<StoredItem, DbError> {
        let supply = self.supply();
        let supplier = supply.and_then(|supply| supplier(supply.supplier_id));
        let item = Item {
            unit: known("unit", StockUnit::from_name(&self.unit))?,
            density_kg_per_l: self.density_kg_per_l,
            active_share: self.active_share,
            per_day: self.per_day.map(serde_json::from_value).transpose().map_err(DbError::internal)?,
            hazard: known("hazard", HazardGroup::from_name(&self.hazard))?,
            by_lot: self.by_lot,
            shelf_life_d: self.shelf_life_d.and_then(|days| u16::try_from(days).ok()),
            service_level: known("service_level", ServiceLevel::parse(self.service_level).ok())?,
            supply,
            name: self.name,
        };
        Ok(Stored {
            id: ItemId(self.id),
            revision: self.revision,
            created_at: self.created_at,
            changed_at: self.changed_at,
            ended_at: self.ended_at,
            value: Named { item, supplier },
        })
    }
}

#[derive(Insertable, AsChangeset)]
#[diesel(table_name = consumable, treat_none_as_null = true)]
struct Fields<'a> {
    name: &'a str,
    unit: &'static str,
    density_kg_per_l: Option<f64>,
    active_share: Option<f64>,
    per_day: Option<Value>,
    hazard: &'static str,
    by_lot: bool,
    shelf_life_d: Option<i32>,
    service_level: f64,
    supplier_id: Option<Uuid>,
    pack: Option<Decimal>,
    least_packs: Option<i32>,
    lead_time_d: Option<i32>,
    lead_time_sd_d: Option<f64>,
    order_cost: Option<Decimal>,
    holding_cost_per_year: Option<Decimal>,
    changed_at: DateTime<Utc>,
}

impl<'a> Fields<'a> {
    /// Finds the supplier by its name; the item's own supplier id counts for nothing.
    async fn of(tx: &Tx<'_>, new: &'a Named) -> Result<Self, DbError> {
        let supplier_id = match &new.supplier {
            Some(name) => Some(supplier::named(tx, name).await?.0),
            None => None,
        };
        let Item { name, unit, hazard, supply, per_day, .. } = &new.item;
        let costs = supply.and_then(|supply| supply.costs);
        Ok(Self {
            name,
            unit: unit.as_str(),
            density_kg_per_l: new.item.density_kg_per_l,
            active_share: new.item.active_share,
            per_day: per_day.map(|law| json!(law)),
            hazard: hazard.as_str(),
            by_lot: new.item.by_lot,
            shelf_life_d: new.item.shelf_life_d.map(i32::from),
            service_level: f64::from(new.item.service_level),
            supplier_id,
            pack: supply.map(|supply| supply.pack.get()),
            least_packs: supply.map(|supply| i32::try_from(supply.least_packs).unwrap_or(i32::MAX)),
            lead_time_d: supply.map(|supply| i32::from(supply.lead_time_d)),
            lead_time_sd_d: supply.map(|supply| supply.lead_time_sd_d),
            order_cost: costs.map(|costs| costs.order),
            holding_cost_per_year: costs.map(|costs| costs.holding_per_year),
            changed_at: tx.now(),
        })
    }
}

/// Adds an item.
///
/// # Errors
/// [`DbError::Taken`] when another has its name.
pub async fn create(tx: &Tx<'_>, new: &Named) -> Result<StoredItem, DbError> {
    let row: Row = insert_into(consumable::table)
        .values((consumable::id.eq(tx.new_id()), consumable::created_at.eq(tx.now()), Fields::of(tx, new).await?))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, one(tx, row).await?, "created").await
}

/// One item.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: ItemId) -> Result<StoredItem, DbError> {
    let found = consumable::table.filter(consumable::id.eq(id.0));
    let row: Row = found.select(Row::as_select()).first(&mut tx.conn()).await?;
    one(tx, row).await
}

/// An item with its supplier's name alone.
async fn one(tx: &Tx<'_>, row: Row) -> Result<StoredItem, DbError> {
    let name = match row.supplier_id {
        Some(id) => supplier::name(tx, SupplierId(id)).await?,
        None => None,
    };
    row.stored(|_its_own| name)
}

/// Items by name or as the page is sorted, one more than it holds; retired ones only when asked for.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, retired: bool, after: &After) -> Result<Vec<StoredItem>, DbError> {
    let mut query = paged!(consumable::table.select(Row::as_select()), after, consumable, name);
    if !retired {
        query = query.filter(consumable::ended_at.is_null());
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    let suppliers = supplier::names(tx).await?;
    rows.into_iter().map(|row| row.stored(|id| suppliers.get(&id).cloned())).collect()
}

/// What an item is called, and how it is kept.
#[derive(Debug, Clone, Default)]
pub struct Called {
    /// Its name.
    pub name: String,
    /// In what it is counted.
    pub unit: String,
    /// Whether it is kept by lot.
    pub by_lot: bool,
}

/// What some items are called.
///
/// # Errors
/// When the database fails.
pub async fn names(tx: &Tx<'_>, of: &BTreeSet<ItemId>) -> Result<HashMap<ItemId, Called>, DbError> {
    if of.is_empty() {
        return Ok(HashMap::new());
    }
    let rows: Vec<(Uuid, String, String, bool)> = consumable::table
        .filter(consumable::id.eq_any(of.iter().map(|id| id.0)))
        .select((consumable::id, consumable::name, consumable::unit, consumable::by_lot))
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(|(id, name, unit, by_lot)| (ItemId(id), Called { name, unit, by_lot })).collect())
}

/// All items, retired ones too.
///
/// # Errors
/// When the database fails.
pub async fn all(tx: &Tx<'_>) -> Result<HashMap<ItemId, Named>, DbError> {
    let rows: Vec<Row> = consumable::table.select(Row::as_select()).load(&mut tx.conn()).await?;
    let suppliers = supplier::names(tx).await?;
    let stored = rows.into_iter().map(|row| row.stored(|id| suppliers.get(&id).cloned()));
    stored.map(|stored| stored.map(|stored| (stored.id, stored.value))).collect()
}

/// Changes an item that is still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] when it is not, [`DbError::Invalid`] for another unit, [`DbError::NotFound`]
/// outside the scope.
pub async fn update_at(tx: &Tx<'_>, id: ItemId, at: Revision, new: &Named) -> Result<StoredItem, DbError> {
    let item = get(tx, id).await?.value.item.becomes(new.item.clone())?;
    let new = Named { item, supplier: new.supplier.clone() };
    let same = consumable::id.eq(id.0).and(consumable::revision.eq(at));
    let changed: Option<Row> = update(consumable::table.filter(same))
        .set((Fields::of(tx, &new).await?, consumable::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, one(tx, row).await?, "updated").await
}

/// Retires an item that is still at revision `at`; retiring twice changes nothing.
///
/// # Errors
/// [`DbError::Refused`] while some is on its way, [`DbError::Stale`] at another revision,
/// [`DbError::NotFound`] outside the scope.
pub async fn retire(tx: &Tx<'_>, id: ItemId, at: Revision) -> Result<StoredItem, DbError> {
    let now = get(tx, id).await?;
    if now.retired_at(at) {
        return Ok(now);
    }
    placed::none_open(tx, None, Some(id)).await?;
    let running = consumable::id.eq(id.0).and(consumable::revision.eq(at)).and(consumable::ended_at.is_null());
    let changed: Option<Row> = update(consumable::table.filter(running))
        .set((consumable::ended_at.eq(tx.now()), consumable::changed_at.eq(tx.now()), consumable::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, one(tx, row).await?, "retired").await
}

async fn logged(tx: &Tx<'_>, stored: StoredItem, verb: &str) -> Result<StoredItem, DbError> {
    let detail = json!({ "name": stored.value.item.name });
    tx.logged(stored, ("consumable", verb), None, detail).await
}
