//! Dated prices of goods and work: what they cost the dealer, and what goods are sold at.

use crate::fault::Faults;
use crate::ids::ItemId;
use crate::measures::days::Days;
use crate::money::Money;
use crate::named::named;
pub use crate::stock::price::PriceKind;
use chrono::NaiveDate;
use rust_decimal::Decimal;

named! {
    /// What has a price.
    Priced as "priced" {
        /// An item of the stock.
        Item = "item",
        /// An hour of people.
        Labour = "labour",
        /// A way, or time on it.
        Travel = "travel",
        /// A load of sludge, oil or waste water taken away at the dealer's expense.
        Disposal = "disposal",
    }
}

/// A price's record.
#[derive(Debug, Clone, PartialEq)]
pub struct DatedPrice {
    /// Of what.
    pub what: Priced,
    /// Which item; of items alone.
    pub item_id: Option<ItemId>,
    /// Whose.
    pub kind: PriceKind,
    /// On which local days it holds.
    pub days: Days,
    /// For one of what: `h`, `km`, `load`, the item's unit; 1 to 20 characters.
    pub unit: String,
    /// How much, without tax.
    pub per_unit: Money,
}

/// Largest price.
const PRICE_MAX: i64 = 1_000_000_000;

impl DatedPrice {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.unit = faults.text("/unit", &self.unit, 20);
        match (self.what, self.item_id) {
            (Priced::Item, None) => faults.add("/item_id", "required", "give the item that it is the price of"),
            (Priced::Labour | Priced::Travel | Priced::Disposal, Some(_)) => {
                faults.add("/item_id", "not_taken", "only a price of an item has one; leave it out");
            }
            _ => {}
        }
        if self.what != Priced::Item && self.kind == PriceKind::Selling {
            faults.add("/kind", "not_taken", "work is billed by billed items; give what it costs as purchase");
        }
        let price = self.per_unit.amount;
        if price < Decimal::ZERO || price > Decimal::from(PRICE_MAX) {
            faults.add("/amount", "out_of_range", format!("give a price from 0 to {PRICE_MAX}"));
        }
        faults.or(self)
    }

    fn holds(&self, day: NaiveDate) -> bool {
        self.days.from() <= day && self.days.to().is_none_or(|to| day < to)
    }
}

/// What one of something cost the dealer on a day; `None` where no price in that unit held.
#[must_use]
pub fn purchase_price(
    prices: &[DatedPrice],
    (what, item_id): (Priced, Option<ItemId>),
    unit: &str,
    day: NaiveDate,
) -> Option<Money> {
    let fits = |price: &&DatedPrice| {
        (price.what, price.item_id, price.kind) == (what, item_id, PriceKind::Purchase) && price.unit == unit
    };
    prices.iter().filter(fits).find(|price| price.holds(day)).map(|price| price.per_unit)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::cost::ledger::tests::{date, money};
    use uuid::Uuid;

    pub(in crate::cost) fn price(what: Priced, unit: &str, amount: &str) -> DatedPrice {
        let item_id = (what == Priced::Item).then(|| ItemId(Uuid::from_u128(3)));
        DatedPrice {
            what,
            item_id,
            kind: PriceKind::Purchase,
            days: Days::since(date("2026-01-01")),
            unit: unit.to_owned(),
            per_unit: money(amount),
        }
    }

    #[test]
    fn the_price_of_the_day_counts() {
        let until = Days::parse(date("2026-01-01"), Some(date("2026-03-01"))).unwrap();
        let prices = [
            DatedPrice { days: until, ..price(Priced::Labour, "h", "50") },
            DatedPrice { days: Days::since(date("2026-03-01")), ..price(Priced::Labour, "h", "55") },
            DatedPrice { kind: PriceKind::Selling, ..price(Priced::Item, "kg", "9") },
        ];
        let labour = |day: &str| purchase_price(&prices, (Priced::Labour, None), "h", date(day));
        assert_eq!(labour("2026-02-28"), Some(money("50")));
        assert_eq!(labour("2026-03-01"), Some(money("55")));
        assert_eq!(labour("2025-12-31"), None);
        assert_eq!(purchase_price(&prices, (Priced::Labour, None), "min", date("2026-03-01")), None);
        let item = (Priced::Item, Some(ItemId(Uuid::from_u128(3))));
        assert_eq!(purchase_price(&prices, item, "kg", date("2026-03-01")), None, "what it sells at is no cost");
    }

    #[test]
    fn every_fault_is_named() {
        let codes = |price: DatedPrice| {
            let faults = price.checked().unwrap_err();
            faults.0.into_iter().map(|fault| fault.pointer).collect::<Vec<_>>()
        };
        let bare = DatedPrice { item_id: None, ..price(Priced::Item, " ", "-1") };
        assert_eq!(codes(bare), ["/unit", "/item_id", "/amount"]);
        let item_id = Some(ItemId(Uuid::from_u128(1)));
        let sold = DatedPrice { item_id, kind: PriceKind::Selling, ..price(Priced::Travel, "km", "1") };
        assert_eq!(codes(sold), ["/item_id", "/kind"]);
    }
}
