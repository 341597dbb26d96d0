//! What serving a unit cost the dealer: the lines of its service events and the loads taken away,
//! at what they cost the dealer. Never shown to a customer.

use super::accrual::Accrues;
use super::ledger::{CostToServe, Ledger, Line, MixedCurrencies, Price, ServeKind, Sums};
use super::purchase::{DatedPrice, Priced, purchase_price};
use crate::ids::ItemId;
use crate::money::Currency;
use crate::named::named;
use crate::stock::movement::Payer;
use chrono::NaiveDate;
use rust_decimal::Decimal;

named! {
    /// What a line of a service event is.
    WorkKind as "kind" {
        /// Hours of people.
        Labour = "labour",
        /// Ways.
        Travel = "travel",
        /// A part.
        Part = "part",
        /// Something used up.
        Consumable = "consumable",
    }
}

/// A line of a service event, or a load.
#[derive(Debug, Clone, PartialEq)]
pub struct Work {
    /// The local day.
    pub day: NaiveDate,
    /// What it is; `None` for a load taken away.
    pub kind: Option<WorkKind>,
    /// Which item; of parts and consumables.
    pub item_id: Option<ItemId>,
    /// How much.
    pub quantity: Decimal,
    /// Of what: `h`, `km`, `load`, the item's unit.
    pub unit: String,
    /// Who pays for the event, where that is written down.
    pub payer: Option<Payer>,
}

/// A line of the cost to serve that has no price.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotPriced {
    /// When.
    pub day: NaiveDate,
    /// What for.
    pub kind: ServeKind,
    /// What to do.
    pub words: String,
}

/// What serving came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Served {
    /// The lines.
    pub lines: Vec<Line<CostToServe>>,
    /// What has no price, so that it is in no line.
    pub not_priced: Vec<NotPriced>,
}

impl Served {
    /// The lines of some work at the dealer's prices. Loads count where the dealer has a price for
    /// them: else the customer pays the hauler.
    #[must_use]
    pub fn of(work: &[Work], prices: &[DatedPrice]) -> Self {
        let mut served = Self { lines: Vec::new(), not_priced: Vec::new() };
        for one in work {
            let kind = one.ledger();
            match purchase_price(prices, (one.priced(), one.item_id), &one.unit, one.day) {
                Some(price) => served.lines.push(Line {
                    kind,
                    what: one.words().to_owned(),
                    quantity: one.quantity,
                    unit: one.unit.clone(),
                    unit_price: Price::new(price),
                    paid_on: one.day,
                    accrues: Accrues::AtOnce,
                }),
                None if one.kind.is_none() => {}
                None => {
                    let what = one.priced().as_str();
                    let words = format!("No purchase price of {what} for one {} holds then: add it.", one.unit);
                    served.not_priced.push(NotPriced { day: one.day, kind, words });
                }
            }
        }
        served
    }

    /// What was spent from `first` to `last`, both included, in the currency of the first line;
    /// `None` without any.
    ///
    /// # Errors
    /// The first line in another currency.
    pub fn sums(&self, first: NaiveDate, last: NaiveDate) -> Result<Option<Sums<CostToServe>>, MixedCurrencies> {
        let Some(currency) = self.lines.first().map(|line| line.unit_price.money().currency) else { return Ok(None) };
        Ok(Some(Ledger::<CostToServe>::new(currency, self.lines.clone())?.paid(first, last)))
    }

    /// The currency of its lines, where it has any.
    #[must_use]
    pub fn currency(&self) -> Option<Currency> {
        self.lines.first().map(|line| line.unit_price.money().currency)
    }
}

impl Work {
    fn ledger(&self) -> ServeKind {
        match (self.kind, self.payer) {
            (None, _) => ServeKind::Disposal,
            (Some(_), Some(Payer::Warranty)) => ServeKind::WarrantyWork,
            (Some(WorkKind::Labour), _) => ServeKind::Labour,
            (Some(WorkKind::Travel), _) => ServeKind::Travel,
            (Some(WorkKind::Part), _) => ServeKind::PartPurchase,
            (Some(WorkKind::Consumable), _) => ServeKind::ConsumablePurchase,
        }
    }

    fn priced(&self) -> Priced {
        match self.kind {
            None => Priced::Disposal,
            Some(WorkKind::Labour) => Priced::Labour,
            Some(WorkKind::Travel) => Priced::Travel,
            Some(WorkKind::Part | WorkKind::Consumable) => Priced::Item,
        }
    }

    fn words(&self) -> &'static str {
        match self.kind {
            None => "Load taken away",
            Some(WorkKind::Labour) => "Labour",
            Some(WorkKind::Travel) => "Travel",
            Some(WorkKind::Part) => "Part",
            Some(WorkKind::Consumable) => "Consumable",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::ledger::tests::date;
    use super::super::purchase::tests::price;
    use super::*;
    use proptest::prelude::*;
    use uuid::Uuid;

    fn work(kind: Option<WorkKind>, quantity: &str, unit: &str) -> Work {
        let item = matches!(kind, Some(WorkKind::Part | WorkKind::Consumable));
        Work {
            day: date("2026-03-10"),
            kind,
            item_id: item.then(|| ItemId(Uuid::from_u128(3))),
            quantity: quantity.parse().unwrap(),
            unit: unit.to_owned(),
            payer: None,
        }
    }

    /// 2.5 h at 52.40 are 131.00, 64 km at 0.55 are 35.20, a part 140.55, a load 90.
    #[test]
    fn work_is_priced_as_it_costs_the_dealer() {
        let prices = [
            price(Priced::Labour, "h", "52.40"),
            price(Priced::Travel, "km", "0.55"),
            price(Priced::Item, "piece", "140.55"),
            price(Priced::Disposal, "load", "90"),
        ];
        let all = [
            work(Some(WorkKind::Labour), "2.5", "h"),
            work(Some(WorkKind::Travel), "64", "km"),
            work(Some(WorkKind::Part), "1", "piece"),
            work(None, "1", "load"),
            Work { payer: Some(Payer::Warranty), ..work(Some(WorkKind::Labour), "1", "h") },
            work(Some(WorkKind::Consumable), "3", "kg"),
        ];
        let served = Served::of(&all, &prices);
        let sums = served.sums(date("2026-03-01"), date("2026-03-31")).unwrap().unwrap();
        let of = |kind| sums.by_kind[&kind].money().to_string();
        assert_eq!(of(ServeKind::Labour), "131.00 EUR");
        assert_eq!(of(ServeKind::Travel), "35.20 EUR");
        assert_eq!(of(ServeKind::PartPurchase), "140.55 EUR");
        assert_eq!(of(ServeKind::Disposal), "90.00 EUR");
        assert_eq!(of(ServeKind::WarrantyWork), "52.40 EUR");
        assert_eq!(sums.total.money().to_string(), "449.15 EUR");
        assert_eq!(served.not_priced.len(), 1, "nobody gave the price of a kilogram");
        let none = Served::of(&[work(None, "1", "load")], &[]);
        assert_eq!((none.lines.len(), none.not_priced.len()), (0, 0), "the customer pays the hauler");
    }

    proptest! {
        /// Every line of work is either priced or named.
        #[test]
        fn nothing_is_left_out(units in prop::collection::vec(prop::sample::select(vec!["h", "km", "kg"]), 0..20)) {
            let all: Vec<Work> = units.iter().map(|unit| work(Some(WorkKind::Labour), "1", unit)).collect();
            let served = Served::of(&all, &[price(Priced::Labour, "h", "50")]);
            prop_assert_eq!(served.lines.len() + served.not_priced.len(), all.len());
            prop_assert_eq!(served.lines.len(), units.iter().filter(|unit| **unit == "h").count());
        }
    }
}
