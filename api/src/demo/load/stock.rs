//! The stores: places, items with lots and prices, and a ledger of what came and went.

use super::{Loader, instant};
use crate::db::stock::placed::{self, Came, Wanted};
use crate::db::stock::{item, lot, movement, place, price};
use crate::db::{DbError, Tx};
use crate::demo::Fleet;
use crate::demo::invent::money::CURRENCY;
use crate::demo::invent::oddity::Oddity;
use crate::demo::invent::plan::UnitPlan;
use crate::demo::invent::stock::{Deed, ITEMS, ItemPlan, LinePlan, ORDERED, VANS, is_billed, ledger};
use chrono::Days;
use domain::ids::{ItemId, LotId, MovementId, PlaceId, SupplierId, UnitId};
use domain::money::{Currency, Money};
use domain::stock::item::{Item, Lot, Supply};
use domain::stock::movement::{Buyer, DifferenceWhy, Event, Movement, Payer};
use domain::stock::place::{Place, PlaceKind};
use domain::stock::price::{Price, PriceKind};
use domain::stock::quantity::Quantity;
use domain::stock::replenish::ServiceLevel;
use domain::zone::local_date;
use rust_decimal::Decimal;
use std::collections::HashMap;
use uuid::Uuid;

const SUPPLIER: &str = "Ribeira Process Supplies";
const ZONE: chrono_tz::Tz = chrono_tz::Tz::Europe__Lisbon;

/// Fills the stores, and gives their items.
pub(super) async fn add(loader: &Loader<'_>, fleet: &Fleet, units: &[UnitId]) -> Result<Vec<ItemId>, DbError> {
    let here = |(plan, _): &&(UnitPlan, _)| plan.oddity != Some(Oddity::Moved);
    let numbers: Vec<usize> = fleet.units.iter().filter(here).map(|(plan, _)| plan.number).collect();
    // Every unit has been put in by then.
    let from_s = fleet.units.iter().map(|(plan, _)| plan.from_s).max().unwrap_or_default();
    let lines = ledger(from_s, loader.now.timestamp(), &numbers);
    loader
        .db
        .write(&loader.scope, loader.now, async |tx| {
            let mut stores = Stores::open(tx, from_s).await?;
            for line in &lines {
                stores.post(tx, line, (fleet, units)).await?;
            }
            stores.order(tx).await?;
            Ok(stores.items)
        })
        .await
}

/// The stores with what lies in them.
struct Stores {
    /// The warehouse, then the vans.
    places: Vec<PlaceId>,
    items: Vec<ItemId>,
    lots: HashMap<(usize, usize), LotId>,
}

impl Stores {
    async fn open(tx: &Tx<'_>, from_s: i64) -> Result<Self, DbError> {
        let mut stores = Self { places: Vec::new(), items: Vec::new(), lots: HashMap::new() };
        let vans = (1..=VANS).map(|van| (format!("Van {van}"), PlaceKind::Van));
        for (name, kind) in std::iter::once(("Warehouse".to_owned(), PlaceKind::Warehouse)).chain(vans) {
            let new = Place { name, kind, time_zone: ZONE }.checked()?;
            stores.places.push(place::create(tx, &new).await?.id);
        }
        for planned in &ITEMS {
            stores.items.push(add_item(tx, planned, from_s).await?);
        }
        Ok(stores)
    }

    fn place(&self, number: usize) -> Result<PlaceId, DbError> {
        self.places.get(number).copied().ok_or(DbError::NotFound)
    }

    async fn post(&mut self, tx: &Tx<'_>, line: &LinePlan, (fleet, units): (&Fleet, &[UnitId])) -> Result<(), DbError> {
        let planned = ITEMS.get(line.item).ok_or(DbError::NotFound)?;
        let warehouse = self.place(0)?;
        let event = match line.deed {
            Deed::Receive => Event::Received { to_place_id: warehouse, supplier_id: None, buyer: Buyer::Dealer },
            Deed::Load { van } => {
                Event::Moved { from_place_id: warehouse, to_place_id: self.place(van + 1)?, payer: None }
            }
            Deed::Use { van, unit } => Event::Issued {
                from_place_id: self.place(van + 1)?,
                unit_id: units.get(unit).copied().ok_or(DbError::NotFound)?,
                payer: payer(line, fleet.units.get(unit).map(|(plan, _)| plan)),
            },
            Deed::Count => Event::Counted { place_id: warehouse, why: Some(DifferenceWhy::Missing) },
        };
        let new = Movement {
            // The ledger gives it its own.
            id: MovementId(Uuid::nil()),
            item_id: self.items.get(line.item).copied().ok_or(DbError::NotFound)?,
            lot_id: self.lot(tx, planned, line).await?,
            at: instant(line.at_s),
            quantity: Quantity::parse(Decimal::from(line.quantity))?,
            unit: planned.unit,
            event,
            overdraw_reason: None,
        };
        let from = (line.deed == Deed::Receive).then_some(SUPPLIER);
        movement::post(tx, &new, from).await?;
        Ok(())
    }

    /// Three pieces that were ordered last week, of which one has come.
    async fn order(&self, tx: &Tx<'_>) -> Result<(), DbError> {
        let wanted = Wanted {
            supplier: None,
            item_id: self.items.get(ORDERED).copied().ok_or(DbError::NotFound)?,
            place_id: self.place(0)?,
            quantity: Quantity::parse(Decimal::from(3))?,
            ordered_on: local_date(ZONE, tx.now()).checked_sub_days(Days::new(7)),
            expected_on: None,
        };
        let order = placed::create(tx, &wanted).await?;
        let came = Came { at: tx.now(), quantity: Quantity::parse(Decimal::ONE)?, lot_id: None };
        placed::receive(tx, order.id, order.revision, &came).await.map(drop)
    }

    /// The lot of a line, added when first named.
    async fn lot(&mut self, tx: &Tx<'_>, planned: &ItemPlan, line: &LinePlan) -> Result<Option<LotId>, DbError> {
        let Some(good_d) = planned.shelf_life_d else { return Ok(None) };
        let key = (line.item, line.quarter);
        if let Some(known) = self.lots.get(&key) {
            return Ok(Some(*known));
        }
        let item_id = self.items.get(line.item).copied().ok_or(DbError::NotFound)?;
        let came_on = local_date(ZONE, instant(line.at_s));
        let new = Lot {
            item_id,
            number: format!("L{:03}", 240 + 17 * line.quarter + line.item),
            expires_on: came_on.checked_add_days(Days::new(u64::from(good_d))),
        };
        let id = lot::create(tx, &new.checked()?).await?.id;
        self.lots.insert(key, id);
        Ok(Some(id))
    }
}

/// Who pays for what goes into a unit.
fn payer(line: &LinePlan, plan: Option<&UnitPlan>) -> Payer {
    let site = plan.and_then(|plan| plan.site_at(line.at_s));
    if site.is_some_and(|site| is_billed(line.item, site)) { Payer::Billed } else { Payer::Included }
}

async fn add_item(tx: &Tx<'_>, planned: &ItemPlan, from_s: i64) -> Result<ItemId, DbError> {
    let supply = Supply {
        // Known by name, and found when it is stored.
        supplier_id: SupplierId(Uuid::nil()),
        pack: Quantity::parse(Decimal::from(planned.pack))?,
        least_packs: 1,
        lead_time_d: planned.lead_time_d,
        lead_time_sd_d: f64::from(planned.lead_time_d) / 5.0,
        costs: None,
    };
    let new = Item {
        name: planned.name.to_owned(),
        unit: planned.unit,
        density_kg_per_l: None,
        active_share: None,
        per_day: None,
        hazard: planned.hazard,
        by_lot: planned.shelf_life_d.is_some(),
        shelf_life_d: planned.shelf_life_d,
        service_level: ServiceLevel::USUAL,
        supply: Some(supply),
    };
    let new = item::Named { item: new.checked()?, supplier: Some(SUPPLIER.to_owned()) };
    let item_id = item::create(tx, &new).await?.id;
    let (from, currency) = (local_date(ZONE, instant(from_s)), Currency::parse(CURRENCY)?);
    for (kind, cents) in [(PriceKind::Purchase, planned.cents.0), (PriceKind::Selling, planned.cents.1)] {
        let per_unit = Money { amount: Decimal::new(cents, 2), currency };
        price::create(tx, &Price { item_id, kind, from, to: None, per_unit }).await?;
    }
    Ok(item_id)
}
