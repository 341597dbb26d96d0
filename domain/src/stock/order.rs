//! What to order: by supplier and place, in whole packs.

use super::item::Item;
use super::quantity::float;
use crate::ids::{ItemId, PlaceId, SupplierId};
use crate::named::named;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use std::collections::BTreeMap;

/// An item at a place, and how it stands there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing<'a> {
    /// Where.
    pub place_id: PlaceId,
    /// Which item.
    pub item_id: ItemId,
    /// Its record.
    pub item: &'a Item,
    /// What is there.
    pub on_hand: Decimal,
    /// What was ordered and has not come.
    pub on_order: Decimal,
    /// What of that the day to order by knows of.
    pub on_order_foreseen: Decimal,
    /// What is kept for planned visits.
    pub reserved: Decimal,
    /// The stock at which to order, in the item's unit.
    pub reorder_point: f64,
    /// What to order at a time, in the item's unit.
    pub order_quantity: f64,
    /// The day to order by, when the stock runs out in sight.
    pub order_by: Option<NaiveDate>,
}

named! {
    /// Why to order.
    OrderWhy as "order_why" {
        /// What is there and on its way is down to the reorder point.
        AtReorderPoint = "at_reorder_point",
        /// The day to order by has come.
        RunsOut = "runs_out",
    }
}

/// A line of a suggested order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OrderLine {
    /// Which item.
    pub item_id: ItemId,
    /// Whole packs.
    pub packs: u32,
    /// What they hold, in the item's unit.
    pub quantity: Decimal,
    /// Why.
    pub why: OrderWhy,
    /// The day to order by, when the stock runs out in sight.
    pub order_by: Option<NaiveDate>,
}

/// What to order.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Suggestions {
    /// For each supplier and place of delivery, its lines.
    pub orders: BTreeMap<(SupplierId, PlaceId), Vec<OrderLine>>,
    /// What is due and has no supplier.
    pub without_supplier: Vec<(PlaceId, ItemId)>,
}

impl Suggestions {
    /// What is due on the day `today`.
    #[must_use]
    pub fn on(today: NaiveDate, standings: &[Standing<'_>]) -> Self {
        let mut suggestions = Self::default();
        for standing in standings {
            let Some(why) = standing.due(today) else { continue };
            match &standing.item.supply {
                Some(supply) => {
                    let packs = standing.packs(supply.pack.get()).max(supply.least_packs);
                    let quantity = supply.pack.get() * Decimal::from(packs);
                    let line =
                        OrderLine { item_id: standing.item_id, packs, quantity, why, order_by: standing.order_by };
                    suggestions.orders.entry((supply.supplier_id, standing.place_id)).or_default().push(line);
                }
                None => suggestions.without_supplier.push((standing.place_id, standing.item_id)),
            }
        }
        suggestions
    }
}

impl Standing<'_> {
    /// What can be counted on: there, or on its way, and not kept for a visit.
    #[must_use]
    pub fn position(&self) -> Decimal {
        self.on_hand + self.on_order - self.reserved
    }

    fn due(&self, today: NaiveDate) -> Option<OrderWhy> {
        if float(self.position()) <= self.reorder_point {
            Some(OrderWhy::AtReorderPoint)
        } else {
            // What was ordered since puts the day off, the next night run says until when.
            let known = self.on_order <= self.on_order_foreseen;
            self.order_by.filter(|day| known && *day <= today).map(|_| OrderWhy::RunsOut)
        }
    }

    /// Packs that lift the position to the reorder point and an order quantity above it.
    fn packs(&self, pack: Decimal) -> u32 {
        let wanted = Decimal::try_from(self.reorder_point + self.order_quantity).unwrap_or_default();
        let packs = (wanted - self.position()).checked_div(pack).unwrap_or_default().ceil();
        packs.max(Decimal::ZERO).to_u32().unwrap_or(u32::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::item::tests::acid;
    use crate::stock::movement::tests::{ACID, SITE, WAREHOUSE};

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn standing(item: &Item, on_hand: &str) -> Standing<'static> {
        Standing {
            place_id: WAREHOUSE,
            item_id: ACID,
            item: Box::leak(Box::new(item.clone())),
            on_hand: on_hand.parse().unwrap(),
            on_order: Decimal::from(20),
            on_order_foreseen: Decimal::from(20),
            reserved: Decimal::from(10),
            reorder_point: 60.0,
            order_quantity: 50.0,
            order_by: None,
        }
    }

    fn lines(standing: Standing<'_>) -> Vec<(u32, String, OrderWhy)> {
        let suggestions = Suggestions::on(day("2026-03-10"), &[standing]);
        let lines = suggestions.orders.into_values().flatten();
        lines.map(|line| (line.packs, line.quantity.to_string(), line.why)).collect()
    }

    #[test]
    fn it_is_due_at_the_reorder_point_and_comes_in_whole_packs() {
        assert_eq!(lines(standing(&acid(), "50.1")), [], "60.1 can be counted on");
        let why = OrderWhy::AtReorderPoint;
        // 110 wanted, 60 can be counted on: 50 are three packs of 20.
        assert_eq!(lines(standing(&acid(), "50")), [(3, "60".to_owned(), why)]);
        let nearly = Standing { order_quantity: 1.0, ..standing(&acid(), "50") };
        assert_eq!(lines(nearly), [(2, "40".to_owned(), why)], "an order takes two packs at least");
    }

    #[test]
    fn it_is_due_on_the_day_to_order_by() {
        let by = |order_by| lines(Standing { order_by: Some(day(order_by)), ..standing(&acid(), "90") });
        assert_eq!(by("2026-03-11"), []);
        assert_eq!(by("2026-03-10"), [(2, "40".to_owned(), OrderWhy::RunsOut)]);
        let ordered_since =
            Standing { order_by: Some(day("2026-03-10")), on_order_foreseen: Decimal::ZERO, ..standing(&acid(), "90") };
        assert_eq!(lines(ordered_since), []);
    }

    #[test]
    fn orders_go_by_supplier_and_place_and_nothing_is_left_out() {
        let other = Item {
            supply: acid().supply.map(|supply| crate::stock::item::Supply {
                supplier_id: SupplierId(uuid::Uuid::from_u128(71)),
                ..supply
            }),
            ..acid()
        };
        let own = Item { supply: None, ..acid() };
        let at_site = Standing { place_id: SITE, ..standing(&acid(), "0") };
        let standings =
            [standing(&acid(), "0"), standing(&acid(), "1"), at_site, standing(&other, "0"), standing(&own, "0")];
        let suggestions = Suggestions::on(day("2026-03-10"), &standings);
        let sizes: Vec<_> = suggestions.orders.iter().map(|((_, place), lines)| (*place, lines.len())).collect();
        assert_eq!(sizes, [(WAREHOUSE, 2), (SITE, 1), (WAREHOUSE, 1)]);
        assert_eq!(suggestions.without_supplier, [(WAREHOUSE, ACID)]);
    }
}
