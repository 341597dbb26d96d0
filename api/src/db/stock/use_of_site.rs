//! What one site used of each item between two days.

use super::{forecast, item, site_use};
use crate::db::{DbError, Tx, site};
use chrono::NaiveDate;
use domain::ids::{ItemId, SiteId};
use domain::stock::expect::{Expectation, UseFinding};
use domain::stock::hazard::HazardGroup;
use domain::stock::site_use::SiteUse;
use domain::zone::day_start;

/// What a site used of an item.
#[derive(Debug, Clone, PartialEq)]
pub struct ItemUse {
    /// Which item.
    pub item_id: ItemId,
    /// What it is called.
    pub item: String,
    /// What it does to other goods.
    pub hazard: HazardGroup,
    /// What it is counted in.
    pub unit: String,
    /// The use.
    pub used: SiteUse,
    /// Whether it is out of line.
    pub finding: Option<UseFinding>,
}

/// What a site used from one of its local days up to another, of every item that can be told.
///
/// # Errors
/// [`DbError::NotFound`] for a site outside the scope.
pub async fn of(tx: &Tx<'_>, id: SiteId, (first, next): (NaiveDate, NaiveDate)) -> Result<Vec<ItemUse>, DbError> {
    let zone = site::get(tx, id).await?.value.time_zone;
    let span = (day_start(zone, first), day_start(zone, next).min(tx.now()));
    let records = site_use::records(tx, &[id.0], span).await?;
    let Some(records) = records.first() else { return Ok(Vec::new()) };
    let (items, usual) = (item::all(tx).await?, forecast::per_day(tx, records.place).await?);
    let use_of = |item_id: ItemId| {
        let item = &items.get(&item_id)?.item;
        let feeds = records.feeds(item_id, item, span.1);
        let stock = records.stock(item_id, &feeds);
        let used = stock.used(span.0, span.1)?;
        let stretches = stock.stretches(span.0, span.1);
        let expected = Expectation::of(&stretches, usual.get(&item_id).copied());
        let finding = expected.and_then(|expected| expected.finding(&stretches, zone, &records.idle));
        let (name, unit) = (item.name.clone(), item.unit.as_str().to_owned());
        Some(ItemUse { item_id, item: name, hazard: item.hazard, unit, used, finding })
    };
    let mut found: Vec<ItemUse> = records.items().into_iter().filter_map(use_of).collect();
    found.sort_by(|one, other| one.item.cmp(&other.item));
    Ok(found)
}
