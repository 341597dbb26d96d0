//! Dated prices, and what goods cost and earned when they were used.

use super::movement::{Event, Movement, Payer};
use super::quantity::Quantity;
use crate::fault::Faults;
use crate::ids::ItemId;
use crate::money::Money;
use crate::named::named;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

named! {
    /// Whose price.
    PriceKind as "price_kind" {
        /// What the dealer pays; never shown to a customer.
        Purchase = "purchase",
        /// What a customer pays.
        Selling = "selling",
    }
}

/// A price of an item from one day on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Price {
    /// Of which item.
    pub item_id: ItemId,
    /// Whose.
    pub kind: PriceKind,
    /// The first day it holds.
    pub from: NaiveDate,
    /// The day it holds no more; `None` while it holds.
    pub to: Option<NaiveDate>,
    /// Of one of the item's unit, without tax.
    pub per_unit: Money,
}

/// All prices; of an item and kind none overlaps another.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PriceList {
    /// Each in the order of its days.
    prices: BTreeMap<(ItemId, PriceKind), Vec<Price>>,
}

/// There is no price for a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("no {} price of the item holds on {day}: add one from that day or before", kind.as_str())]
pub struct NoPrice {
    /// Of which item.
    pub item_id: ItemId,
    /// Whose price is missing.
    pub kind: PriceKind,
    /// For which day.
    pub day: NaiveDate,
}

/// What a line of the ledger cost and earned; negative for goods given back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LineMoney {
    /// What the dealer paid for the goods, rounded to the currency's minor unit.
    pub cost: Option<Money>,
    /// What the customer is charged, rounded; `None` when another pays.
    pub charge: Option<Money>,
}

impl PriceList {
    /// The prices, in any order.
    ///
    /// # Errors
    /// Faults at `/{n}/per_unit`, `/{n}/to` and `/{n}/from`, n counting from 0.
    pub fn parse(prices: &[Price]) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        let mut numbered: Vec<_> = prices.iter().enumerate().collect();
        numbered.sort_by_key(|(_, price)| price.from);
        let mut list = Self::default();
        for (n, price) in numbered {
            if price.per_unit.amount < Decimal::ZERO {
                faults.add(format!("/{n}/per_unit"), "negative", "give a price of nothing or more");
            }
            if price.to.is_some_and(|to| to <= price.from) {
                faults.add(format!("/{n}/to"), "not_after_from", "give a day after the first, or leave it out");
            }
            let before = list.prices.entry((price.item_id, price.kind)).or_default();
            if before.last().is_some_and(|last| last.to.is_none_or(|to| to > price.from)) {
                let fix = "another price holds then: end that one on the day this one begins";
                faults.add(format!("/{n}/from"), "overlap", fix);
            }
            before.push(*price);
        }
        faults.or(list)
    }

    /// The price of one of the item's unit on a day.
    ///
    /// # Errors
    /// [`NoPrice`].
    pub fn on(&self, item_id: ItemId, kind: PriceKind, day: NaiveDate) -> Result<Money, NoPrice> {
        let prices = self.prices.get(&(item_id, kind)).map_or(&[][..], Vec::as_slice);
        let begun = prices.partition_point(|price| price.from <= day);
        let last = begun.checked_sub(1).and_then(|last| prices.get(last));
        let holding = last.filter(|price| price.to.is_none_or(|to| day < to));
        holding.map(|price| price.per_unit).ok_or(NoPrice { item_id, kind, day })
    }

    /// What goods that left the dealer's hands on the local day `day` cost and earned by the
    /// prices of that day. Nothing for other lines, and for goods the customer had bought
    /// elsewhere or paid before: they were booked then.
    ///
    /// # Errors
    /// [`NoPrice`] for a price that is needed.
    pub fn money(&self, movement: &Movement, day: NaiveDate) -> Result<LineMoney, NoPrice> {
        let (payer, back) = match movement.event {
            Event::Issued { payer, .. } | Event::Moved { payer: Some(payer), .. } => (payer, false),
            Event::Returned { payer, .. } => (payer, true),
            _ => (Payer::AlreadyPaid, false),
        };
        let amount = |kind| {
            let money = self.on(movement.item_id, kind, day)?;
            let line = total(money, movement.quantity);
            Ok(if back { Money { amount: -line.amount, ..line } } else { line })
        };
        let cost = (payer != Payer::AlreadyPaid).then(|| amount(PriceKind::Purchase)).transpose()?;
        let charge = (payer == Payer::Billed).then(|| amount(PriceKind::Selling)).transpose()?;
        Ok(LineMoney { cost, charge })
    }
}

fn total(per_unit: Money, quantity: Quantity) -> Money {
    Money { amount: per_unit.amount * quantity.get(), ..per_unit }.rounded()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::money::Currency;
    use crate::stock::movement::tests::{ACID, SITE, UNIT, VAN, counted, line, moved};
    use proptest::prelude::*;
    use serde_json::json;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn price(kind: PriceKind, from: &str, to: Option<&str>, amount: &str) -> Price {
        let per_unit = Money { amount: amount.parse().unwrap(), currency: Currency::parse("USD").unwrap() };
        Price { item_id: ACID, kind, from: day(from), to: to.map(day), per_unit }
    }

    fn list() -> PriceList {
        PriceList::parse(&[
            price(PriceKind::Purchase, "2026-03-05", None, "2.005"),
            price(PriceKind::Purchase, "2026-01-01", Some("2026-03-05"), "1.50"),
            price(PriceKind::Selling, "2026-01-01", None, "3.10"),
        ])
        .unwrap()
    }

    #[test]
    fn a_price_holds_from_its_first_day_until_the_next() {
        let on = |text: &str| list().on(ACID, PriceKind::Purchase, day(text)).map(|money| money.amount.to_string());
        assert_eq!(on("2026-03-04"), Ok("1.50".to_owned()));
        assert_eq!(on("2026-03-05"), Ok("2.005".to_owned()));
        let missing = on("2025-12-31").unwrap_err();
        assert_eq!(missing, NoPrice { item_id: ACID, kind: PriceKind::Purchase, day: day("2025-12-31") });
        assert!(missing.to_string().starts_with("no purchase price of the item holds on 2025-12-31"));
    }

    #[test]
    fn prices_do_not_overlap() {
        let faults = PriceList::parse(&[
            price(PriceKind::Selling, "2026-03-01", None, "1"),
            price(PriceKind::Selling, "2026-01-01", Some("2026-03-02"), "1"),
            price(PriceKind::Purchase, "2026-01-01", Some("2026-01-01"), "-1"),
        ])
        .unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, ["/2/per_unit", "/2/to", "/0/from"]);
    }

    fn money(event: Event, on: &str) -> (Option<String>, Option<String>) {
        let money = list().money(&line(1, 3, "2.5", event), day(on)).unwrap();
        (money.cost.map(|cost| cost.to_string()), money.charge.map(|charge| charge.to_string()))
    }

    #[test]
    fn goods_cost_what_they_cost_when_they_were_used() {
        let issued = |payer| Event::Issued { from_place_id: VAN, unit_id: UNIT, payer };
        let usd = |amount: &str| Some(format!("{amount} USD"));
        assert_eq!(money(issued(Payer::Billed), "2026-03-04"), (usd("3.75"), usd("7.75")));
        // 2.5 x 2.005 = 5.0125.
        assert_eq!(money(issued(Payer::Billed), "2026-03-05"), (usd("5.01"), usd("7.75")));
        for payer in [Payer::Included, Payer::Warranty] {
            assert_eq!(money(issued(payer), "2026-03-04"), (usd("3.75"), None));
        }
        assert_eq!(money(issued(Payer::AlreadyPaid), "2026-03-04"), (None, None));
    }

    #[test]
    fn goods_given_back_are_credited_and_a_delivery_is_charged_once() {
        let returned = Event::Returned { unit_id: UNIT, to_place_id: VAN, payer: Payer::Billed };
        let usd = |amount: &str| Some(format!("{amount} USD"));
        assert_eq!(money(returned, "2026-03-04"), (usd("-3.75"), usd("-7.75")));
        let delivered = Event::Moved { from_place_id: VAN, to_place_id: SITE, payer: Some(Payer::Billed) };
        assert_eq!(money(delivered, "2026-03-04"), (usd("3.75"), usd("7.75")));
        for silent in [moved(VAN, SITE), counted(VAN)] {
            assert_eq!(money(silent, "2026-03-04"), (None, None));
        }
    }

    #[test]
    fn a_record_is_plain_json() {
        let price = price(PriceKind::Selling, "2026-01-01", None, "3.10");
        let json = json!({"item_id": ACID, "kind": "selling", "from": "2026-01-01", "to": null,
            "per_unit": {"amount": "3.10", "currency": "USD"}});
        assert_eq!(serde_json::to_value(price).unwrap(), json);
        assert_eq!(serde_json::from_value::<Price>(json).unwrap(), price);
    }

    proptest! {
        /// Whatever the days, a price is found by looking through all of them.
        #[test]
        fn the_price_of_a_day_is_the_one_that_holds(starts in prop::collection::btree_set(0..100_u64, 1..8), asked in 0..120_u64) {
            let at = |n: u64| day("2026-01-01") + chrono::Days::new(n);
            let starts: Vec<u64> = starts.into_iter().collect();
            let prices: Vec<_> = starts.iter().enumerate().map(|(n, start)| Price {
                from: at(*start),
                to: starts.get(n + 1).map(|next| at(*next)),
                ..price(PriceKind::Selling, "2026-01-01", None, &n.to_string())
            }).collect();
            let holds = prices.iter().find(|price| price.from <= at(asked) && price.to.is_none_or(|to| at(asked) < to));
            let found = PriceList::parse(&prices).unwrap().on(ACID, PriceKind::Selling, at(asked)).ok();
            prop_assert_eq!(found, holds.map(|price| price.per_unit));
        }
    }
}
