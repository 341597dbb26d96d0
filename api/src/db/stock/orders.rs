//! What to order: the domain's suggestions for what the night run foresees and what stands there now.

use super::forecast::{self, Foreseen};
use super::item::Named;
use super::{item, placed, reservation};
use crate::db::{DbError, Tx, dealer};
use domain::ids::{ItemId, PlaceId, SupplierId};
use domain::stock::kit::reserved;
use domain::stock::order::{OrderLine, Standing, Suggestions};
use domain::stock::placed::on_order;
use std::collections::HashMap;
use uuid::Uuid;

/// An order that is suggested.
#[derive(Debug, Clone, PartialEq)]
pub struct Order {
    /// From whom.
    pub supplier_id: SupplierId,
    /// What the supplier is called.
    pub supplier: String,
    /// Where to.
    pub place_id: PlaceId,
    /// What the place is called.
    pub place: String,
    /// Its lines.
    pub lines: Vec<NamedLine>,
}

/// A line of an order, with its item's name.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedLine {
    /// The line.
    pub line: OrderLine,
    /// What the item is called.
    pub item: String,
    /// What it is counted in.
    pub unit: String,
}

/// What is due and has no supplier.
#[derive(Debug, Clone, PartialEq)]
pub struct Unsupplied {
    /// Where.
    pub place_id: PlaceId,
    /// What the place is called.
    pub place: String,
    /// Which item.
    pub item_id: ItemId,
    /// What the item is called.
    pub item: String,
}

/// What to order today, of a place or of all.
///
/// # Errors
/// When the database fails.
pub async fn due(tx: &Tx<'_>, place: Option<PlaceId>) -> Result<(Vec<Order>, Vec<Unsupplied>), DbError> {
    let today = dealer::today(tx).await?;
    let kept = reservation::open(tx).await?;
    let places: Vec<PlaceId> = kept.iter().map(|one| one.place_id).collect();
    let open = placed::open(tx).await?;
    let rows = forecast::maybe_due(tx, today, place, &places).await?;
    let items = item::all(tx).await?;
    let standing = |row: &Foreseen| {
        let (place_id, item_id) = (PlaceId(row.forecast.place_id), ItemId(row.forecast.consumable_id));
        Some(Standing {
            place_id,
            item_id,
            item: &items.get(&item_id)?.item,
            on_hand: row.on_hand(),
            on_order: on_order(&open, place_id, item_id),
            on_order_foreseen: row.forecast.on_order,
            reserved: reserved(&kept, place_id, item_id),
            reorder_point: row.forecast.reorder_point?,
            order_quantity: row.forecast.order_quantity?,
            order_by: row.forecast.order_by,
        })
    };
    let standings: Vec<Standing<'_>> = rows.iter().filter_map(standing).collect();
    Ok(named(Suggestions::on(today, &standings), &rows, &items))
}

fn named(due: Suggestions, rows: &[Foreseen], items: &HashMap<ItemId, Named>) -> (Vec<Order>, Vec<Unsupplied>) {
    let places: HashMap<Uuid, &str> = rows.iter().map(|row| (row.forecast.place_id, row.place.as_str())).collect();
    let place_name = |place: PlaceId| places.get(&place.0).copied().unwrap_or_default().to_owned();
    let item_of = |id: ItemId| items.get(&id).map(|named| &named.item);
    let line = |line: OrderLine| {
        let item = item_of(line.item_id)?;
        Some(NamedLine { line, item: item.name.clone(), unit: item.unit.as_str().to_owned() })
    };
    let supplier = |lines: &[OrderLine]| items.get(&lines.first()?.item_id)?.supplier.clone();
    let orders = due.orders.into_iter().map(|((supplier_id, place_id), lines)| Order {
        supplier_id,
        supplier: supplier(&lines).unwrap_or_default(),
        place_id,
        place: place_name(place_id),
        lines: lines.into_iter().filter_map(line).collect(),
    });
    let unsupplied = due.without_supplier.into_iter().map(|(place_id, item_id)| Unsupplied {
        place_id,
        place: place_name(place_id),
        item_id,
        item: item_of(item_id).map(|item| item.name.clone()).unwrap_or_default(),
    });
    (orders.collect(), unsupplied.collect())
}
