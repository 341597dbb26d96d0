//! What a van takes along on a day, from what is kept for its visits and what is aboard.

use super::item::Named;
use super::{item, place, reservation};
use crate::db::schema::stock_balance;
use crate::db::{DbError, Tx};
use chrono::NaiveDate;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{ItemId, PlaceId};
use domain::span;
use domain::stock::hazard::{ALWAYS, HazardGroup};
use domain::stock::load::LoadList;
use domain::stock::place::PlaceKind;
use rust_decimal::Decimal;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use uuid::Uuid;

/// A list with the names of its items, and what to mind with them.
pub struct NamedLoad {
    /// The list.
    pub list: LoadList,
    /// What to mind with such goods; the safety data sheets always.
    pub cautions: Vec<&'static str>,
    items: HashMap<ItemId, Named>,
}

impl NamedLoad {
    /// What an item is called, and what it is counted in.
    #[must_use]
    pub fn item(&self, id: ItemId) -> (String, String) {
        let named = self.items.get(&id).map(|named| &named.item);
        named.map(|item| (item.name.clone(), item.unit.as_str().to_owned())).unwrap_or_default()
    }
}

/// What a van takes along on a day.
///
/// # Errors
/// [`DbError::NotFound`] for a place outside the scope, [`DbError::Invalid`] for one that is no van, and for a day
/// without reason.
pub async fn of(tx: &Tx<'_>, van: PlaceId, day: NaiveDate) -> Result<NamedLoad, DbError> {
    if place::get(tx, van).await?.value.kind != PlaceKind::Van {
        return Err(Faults::one("/id", "no_van", "give a place that is a van").into());
    }
    let mut faults = Faults::default();
    span::date(&mut faults, "/date", day);
    faults.or(())?;
    let reservations = reservation::of_van(tx, van, day).await?;
    let items = item::all(tx).await?;
    let rows: Vec<(Uuid, Decimal)> = stock_balance::table
        .filter(stock_balance::place_id.eq(van.0))
        .select((stock_balance::consumable_id, stock_balance::quantity))
        .load(&mut tx.conn())
        .await?;
    let mut aboard: BTreeMap<ItemId, Decimal> = BTreeMap::new();
    for (item, quantity) in rows {
        *aboard.entry(ItemId(item)).or_default() += quantity;
    }
    let hazard = |id| items.get(&id).map_or(HazardGroup::Harmless, |named| named.item.hazard);
    let list = LoadList::of(&reservations, &aboard, hazard);
    let riding = aboard.iter().filter(|(_, there)| **there > Decimal::ZERO).map(|(item, _)| *item);
    let groups: BTreeSet<HazardGroup> = riding.chain(list.lines.iter().map(|line| line.item_id)).map(hazard).collect();
    let cautions = groups.into_iter().filter_map(HazardGroup::caution).chain([ALWAYS]).collect();
    Ok(NamedLoad { list, cautions, items })
}
