//! Dated rates of work: what an hour, a way, a load taken away cost the dealer. Items of stock have
//! their prices in [`crate::stock::price`].

use crate::fault::Faults;
use crate::measures::days::Days;
use crate::money::Money;
use crate::named::named;
use chrono::NaiveDate;
use rust_decimal::Decimal;

named! {
    /// What has a rate.
    Priced as "priced" {
        /// An hour of people.
        Labour = "labour",
        /// A way, or time on it.
        Travel = "travel",
        /// A load of sludge, oil or waste water taken away at the dealer's expense.
        Disposal = "disposal",
    }
}

/// A rate's record.
#[derive(Debug, Clone, PartialEq)]
pub struct DatedPrice {
    /// Of what.
    pub what: Priced,
    /// On which local days it holds.
    pub days: Days,
    /// For one of what: `h`, `km`, `load`; 1 to 20 characters.
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
        let price = self.per_unit.amount;
        if price < Decimal::ZERO || price > Decimal::from(PRICE_MAX) {
            faults.add("/amount", "out_of_range", format!("give a price from 0 to {PRICE_MAX}"));
        }
        faults.or(self)
    }
}

/// What one of something cost the dealer on a day; `None` where no price in that unit held.
#[must_use]
pub fn purchase_price(prices: &[DatedPrice], what: Priced, unit: &str, day: NaiveDate) -> Option<Money> {
    let mut fits = prices.iter().filter(|price| price.what == what && price.unit == unit);
    fits.find(|price| price.days.contains(day)).map(|price| price.per_unit)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::cost::ledger::tests::{date, money};

    pub(in crate::cost) fn price(what: Priced, unit: &str, amount: &str) -> DatedPrice {
        DatedPrice { what, days: Days::since(date("2026-01-01")), unit: unit.to_owned(), per_unit: money(amount) }
    }

    #[test]
    fn the_price_of_the_day_counts() {
        let until = Days::parse(date("2026-01-01"), Some(date("2026-03-01"))).unwrap();
        let prices = [
            DatedPrice { days: until, ..price(Priced::Labour, "h", "50") },
            DatedPrice { days: Days::since(date("2026-03-01")), ..price(Priced::Labour, "h", "55") },
        ];
        let labour = |day: &str| purchase_price(&prices, Priced::Labour, "h", date(day));
        assert_eq!(labour("2026-02-28"), Some(money("50")));
        assert_eq!(labour("2026-03-01"), Some(money("55")));
        assert_eq!(labour("2025-12-31"), None);
        assert_eq!(purchase_price(&prices, Priced::Labour, "min", date("2026-03-01")), None);
        assert_eq!(purchase_price(&prices, Priced::Travel, "h", date("2026-03-01")), None);
    }

    #[test]
    fn every_fault_is_named() {
        let faults = price(Priced::Travel, " ", "-1").checked().unwrap_err();
        assert_eq!(faults.0.into_iter().map(|fault| fault.pointer).collect::<Vec<_>>(), ["/unit", "/amount"]);
    }
}
