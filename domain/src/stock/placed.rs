//! Goods on order: what was ordered from a supplier, and the parts of it that have come.

use super::quantity::{Quantity, float};
use crate::fault::Faults;
use crate::ids::{ItemId, MovementId, PlaceId, SupplierId};
use crate::span;
use chrono::{DateTime, NaiveDate, Utc};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// A part of an order that came.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Receipt {
    /// The line of the ledger by which it came.
    pub movement_id: MovementId,
    /// When.
    pub at: DateTime<Utc>,
    /// How much.
    pub quantity: Quantity,
}

/// An item that was ordered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlacedOrder {
    /// From whom.
    pub supplier_id: SupplierId,
    /// Which item.
    pub item_id: ItemId,
    /// Where it is to come to.
    pub place_id: PlaceId,
    /// How much, in the item's unit.
    pub quantity: Quantity,
    /// The day of the order.
    pub ordered_on: NaiveDate,
    /// The day on which it is expected.
    pub expected_on: NaiveDate,
    /// What of it came.
    pub receipts: Vec<Receipt>,
}

impl PlacedOrder {
    /// The record, by the dealer's local day `today`.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self, today: NaiveDate) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if self.quantity == Quantity::ZERO {
            faults.add("/quantity", "not_positive", "give more than nothing");
        }
        span::date(&mut faults, "/ordered_on", self.ordered_on);
        if self.ordered_on > today {
            faults.add("/ordered_on", "future", "give the day on which it was ordered");
        }
        span::date(&mut faults, "/expected_on", self.expected_on);
        if self.expected_on < self.ordered_on {
            faults.add("/expected_on", "before_ordered", "give a day from that of the order on");
        }
        faults.or(self)
    }

    /// What came of it.
    #[must_use]
    pub fn received(&self) -> Decimal {
        self.receipts.iter().map(|receipt| receipt.quantity.get()).sum()
    }

    /// What has not come; more than was ordered leaves nothing to come.
    #[must_use]
    pub fn outstanding(&self) -> Decimal {
        (self.quantity.get() - self.received()).max(Decimal::ZERO)
    }
}

/// Goods on their way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coming {
    /// The day on which they are counted on.
    pub on: NaiveDate,
    /// How much, in the item's unit.
    pub quantity: f64,
    /// Whether the expected day has passed: whoever is cautious does not count on them.
    pub late: bool,
}

/// What is on its way of an item to a place, of orders that are open.
#[must_use]
pub fn on_order(open: &[PlacedOrder], place_id: PlaceId, item_id: ItemId) -> Decimal {
    of(open, place_id, item_id).map(PlacedOrder::outstanding).sum()
}

/// The same by day, seen on the day `today`: what is late may come any day.
#[must_use]
pub fn coming(open: &[PlacedOrder], place_id: PlaceId, item_id: ItemId, today: NaiveDate) -> Vec<Coming> {
    let coming = of(open, place_id, item_id).map(|order| Coming {
        on: order.expected_on.max(today),
        quantity: float(order.outstanding()),
        late: order.expected_on < today,
    });
    coming.collect()
}

fn of(open: &[PlacedOrder], place_id: PlaceId, item_id: ItemId) -> impl Iterator<Item = &PlacedOrder> {
    open.iter().filter(move |order| (order.place_id, order.item_id) == (place_id, item_id))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::movement::tests::{ACID, SITE, WAREHOUSE, noon};
    use crate::stock::quantity::tests::quantity;
    use uuid::Uuid;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn order(amount: &str, came: &[&str]) -> PlacedOrder {
        let receipt = |amount: &&str| Receipt {
            movement_id: MovementId(Uuid::from_u128(1)),
            at: noon(5),
            quantity: quantity(amount),
        };
        PlacedOrder {
            supplier_id: SupplierId(Uuid::from_u128(70)),
            item_id: ACID,
            place_id: WAREHOUSE,
            quantity: quantity(amount),
            ordered_on: day("2026-03-02"),
            expected_on: day("2026-03-12"),
            receipts: came.iter().map(receipt).collect(),
        }
    }

    #[test]
    fn every_fault_is_named() {
        let today = day("2026-03-02");
        assert_eq!(order("50", &[]).checked(today), Ok(order("50", &[])));
        let wrong = PlacedOrder { ordered_on: day("2026-03-13"), ..order("0", &[]) };
        let pointers: Vec<_> = wrong.checked(today).unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(pointers, ["/quantity", "/ordered_on", "/expected_on"]);
    }

    #[test]
    fn what_came_in_parts_is_on_its_way_no_more() {
        let open = [order("50", &["20", "12.5"]), order("10", &["12"]), order("8", &[])];
        assert_eq!(on_order(&open, WAREHOUSE, ACID).to_string(), "25.5");
        assert_eq!(on_order(&open, SITE, ACID), Decimal::ZERO);
        let seen = |today: &str| {
            let coming = coming(&open[2..], WAREHOUSE, ACID, day(today));
            coming.into_iter().map(|one| (one.on, one.quantity, one.late)).collect::<Vec<_>>()
        };
        assert_eq!(seen("2026-03-12"), [(day("2026-03-12"), 8.0, false)]);
        assert_eq!(seen("2026-03-20"), [(day("2026-03-20"), 8.0, true)], "it may come any day");
    }
}
