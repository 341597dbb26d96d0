//! Goods that were kept for a visit on its form: what was used of them leaves stock with the visit, and
//! the rest is free again.

use super::at_unit::{Input, again};
use super::call_outs::Choice;
use super::form::{Typed, decimal, field};
use super::words;
use crate::db::service::visit::{self, Planned};
use crate::db::stock::balance::{self, Balance};
use crate::db::stock::item;
use crate::db::{DbError, Tx};
use domain::fault::Faults;
use domain::ids::{ItemId, LotId, PlaceId};
use domain::service::event::{Line, LineKind, LineUnit};
use domain::stock::movement::Payer;
use rust_decimal::Decimal;

/// How the field of an item begins; its id follows.
const USED: &str = "used-";
/// How the field of its lot begins.
const LOT: &str = "lot-";

/// An item that was kept.
pub(super) struct Goods {
    item_id: ItemId,
    name: String,
    unit: String,
    kept: Decimal,
    place_id: PlaceId,
    /// What stands there by lot, the first to expire first; nothing of an item not kept by lot.
    lots: Vec<Balance>,
}

/// Its fields.
pub(super) struct GoodsInput {
    pub(super) used: Input,
    pub(super) lot: String,
    pub(super) lots: Vec<Choice>,
}

/// What is kept for a visit.
///
/// # Errors
/// When the database fails.
pub(super) async fn of(tx: &Tx<'_>, planned: Option<&Planned>) -> Result<Vec<Goods>, DbError> {
    let Some(planned) = planned else { return Ok(Vec::new()) };
    let names = item::names(tx, &visit::items_of(std::slice::from_ref(planned))).await?;
    let by_lot: Vec<ItemId> = names.iter().filter(|(_, called)| called.by_lot).map(|(id, _)| *id).collect();
    let standing = balance::lots(tx, &by_lot).await?;
    let mut goods = Vec::new();
    for kept in planned.goods.iter().filter(|kept| kept.ended_at.is_none()) {
        let place_id = kept.value.reservation.place_id;
        for line in &kept.value.reservation.lines {
            let (item_id, kept) = (line.item_id, line.quantity.get().normalize());
            let Some(called) = names.get(&item_id).cloned() else { continue };
            let there = |lot: &&Balance| lot.place_id == place_id.0 && lot.item_id == item_id.0;
            let lots = standing.iter().filter(there).cloned().collect();
            goods.push(Goods { item_id, name: called.name, unit: called.unit, kept, place_id, lots });
        }
    }
    Ok(goods)
}

/// A lot as a form shows it: its number, how much stands there and how long it is good.
pub(super) fn of_lot(balance: &Balance) -> String {
    let until = balance.expires_on.map_or_else(String::new, |last| format!(", good until {}", words::day(last)));
    let number = balance.lot.as_deref().unwrap_or_default();
    format!("{number}: {}{until}", words::quantity(balance.quantity, &balance.unit))
}

impl Goods {
    fn field(&self, begins: &str) -> String {
        format!("{begins}{}", self.item_id)
    }

    /// Its fields; a fresh form says that all of it was used.
    pub(super) fn input(&self, typed: &Typed, fresh: bool) -> GoodsInput {
        let (name, lot) = (self.field(USED), self.field(LOT));
        let value = if fresh { self.kept.to_string() } else { again(typed, &name) };
        let label = format!("{}, of {}", self.name, words::quantity(self.kept, &self.unit));
        let choice = |balance: &Balance| Some(Choice::of(typed, &lot, balance.lot_id()?.0, of_lot(balance)));
        GoodsInput { used: Input { name, label, value }, lots: self.lots.iter().filter_map(choice).collect(), lot }
    }

    fn line(&self, typed: &Typed, quantity: Decimal, payer: Payer) -> Option<Line> {
        let unit = LineUnit::from_name(&self.unit)?;
        let part = LineKind::Part.units().contains(&unit);
        Some(Line {
            kind: if part { LineKind::Part } else { LineKind::Consumable },
            what: self.name.clone(),
            item_id: Some(self.item_id.0),
            quantity,
            unit,
            payer: Some(payer),
            from_place_id: Some(self.place_id),
            lot_id: field(typed, &self.field(LOT)).and_then(|id| id.parse().ok()).map(LotId),
            overdraw_reason: None,
        })
    }
}

/// What was used, as lines of a service event.
pub(super) fn lines(faults: &mut Faults, typed: &Typed, goods: &[Goods]) -> Vec<Line> {
    let payer = field(typed, "payer").and_then(Payer::from_name).unwrap_or(Payer::Included);
    let mut lines = Vec::new();
    for one in goods {
        let Some(text) = field(typed, &one.field(USED)) else { continue };
        let quantity = faults.take(&format!("/{}", one.name), decimal(text));
        let used = quantity.filter(|quantity| !quantity.is_zero());
        lines.extend(used.and_then(|quantity| one.line(typed, quantity, payer)));
    }
    lines
}

/// Who may pay, by name and in words, and whether it was chosen.
pub(super) fn payers(typed: &Typed) -> Vec<(&'static str, &'static str, bool)> {
    let all = [Payer::Included, Payer::Billed, Payer::Warranty, Payer::AlreadyPaid];
    all.map(|payer| (payer.as_str(), words::payer(payer), field(typed, "payer") == Some(payer.as_str()))).into()
}
