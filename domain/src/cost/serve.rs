//! What serving a unit cost the dealer: the lines of its service events, what it got from stock and
//! the loads taken away, at what they cost the dealer; and what suppliers credited. Never shown to
//! a customer.

use super::accrual::{Accrual, Accrues, Life};
use super::ledger::{CostToServe, Ledger, Line, MixedCurrencies, Price, ServeKind, Sums};
use super::purchase::{DatedPrice, Priced, purchase_price};
use crate::accounts::site_cost::CostBasis;
use crate::ids::ItemId;
use crate::money::Money;
use crate::service::cover::GivenBy;
use crate::service::event::LineKind;
use crate::stock::movement::Payer;
use crate::stock::price::{PriceKind, PriceList};
use chrono::NaiveDate;
use rust_decimal::Decimal;

/// A line of a service event, goods from stock, or a load.
#[derive(Debug, Clone, PartialEq)]
pub struct Work {
    /// The local day.
    pub day: NaiveDate,
    /// What it is; `None` for a load taken away.
    pub kind: Option<LineKind>,
    /// Which item and in what it is counted; of parts and consumables.
    pub item: Option<(ItemId, String)>,
    /// How much; negative for goods given back.
    pub quantity: Decimal,
    /// Of what: `h`, `km`, `load`, the item's unit.
    pub unit: String,
    /// Who pays, where somebody said so.
    pub payer: Option<Payer>,
    /// Under whose cover it is.
    pub cover: Option<GivenBy>,
    /// The life of the part that was fitted; `None` for what is used up at once.
    pub life: Option<Life>,
}

/// What a supplier credited on a claim.
#[derive(Debug, Clone, PartialEq)]
pub struct Credit {
    /// The day it came.
    pub day: NaiveDate,
    /// The part that had failed.
    pub part: String,
    /// How much.
    pub amount: Money,
}

/// What things cost the dealer.
#[derive(Debug, Clone, Copy)]
pub struct Prices<'a> {
    /// Rates of work.
    pub rates: &'a [DatedPrice],
    /// Prices of items.
    pub items: &'a PriceList,
}

/// A line of the cost to serve that has no price.
#[derive(Debug, Clone, PartialEq)]
pub struct NotPriced {
    /// When.
    pub day: NaiveDate,
    /// What for.
    pub kind: ServeKind,
    /// What to do.
    pub words: String,
    /// Over which time it would accrue.
    pub accrues: Accrues,
}

/// In which days costs are taken, and how.
#[derive(Debug, Clone, Copy)]
pub struct Taken {
    /// When they were paid, or as parts serve.
    pub basis: CostBasis,
    /// The first local day.
    pub first: NaiveDate,
    /// The last local day.
    pub last: NaiveDate,
    /// Until the end of which day lives of parts are known.
    pub as_of: NaiveDate,
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
    /// The lines of some work at the dealer's prices, and what was credited. Loads count where the
    /// dealer has a price for them: else the customer pays the hauler. Goods that the customer had
    /// paid for before cost the dealer nothing.
    #[must_use]
    pub fn of(work: &[Work], credits: &[Credit], prices: Prices<'_>) -> Self {
        let mut served = Self { lines: Vec::new(), not_priced: Vec::new() };
        for one in work.iter().filter(|one| !(one.is_goods() && one.payer == Some(Payer::AlreadyPaid))) {
            match one.price(prices) {
                Ok(price) => served.lines.push(one.line(price)),
                Err(_) if one.kind.is_none() => {}
                Err(words) => {
                    let (day, kind, accrues) = (one.day, one.ledger(), one.accrues());
                    served.not_priced.push(NotPriced { day, kind, words, accrues });
                }
            }
        }
        served.lines.extend(credits.iter().map(Credit::line));
        served.lines.sort_by_key(|line| line.paid_on);
        served
    }

    /// What was spent in some days, in the currency of the first line; `None` without any.
    ///
    /// # Errors
    /// The first line in another currency.
    pub fn sums(&self, taken: Taken) -> Result<Option<Sums<CostToServe>>, MixedCurrencies> {
        let lines: Vec<_> = self.lines.iter().filter(|line| taken.part_of(line).is_some()).cloned().collect();
        let Some(currency) = lines.first().map(|line| line.unit_price.money().currency) else { return Ok(None) };
        let ledger = Ledger::<CostToServe>::new(currency, lines)?;
        Ok(Some(match taken.basis {
            CostBasis::Paid => ledger.paid(taken.first, taken.last),
            CostBasis::Accrued => ledger.accrued(taken.first, taken.last, taken.as_of),
        }))
    }

    /// The lines of which something falls into these days, each with how much.
    #[must_use]
    pub fn within(&self, taken: Taken) -> Vec<(&Line<CostToServe>, Money)> {
        let of = |line: &Line<CostToServe>| match taken.part_of(line)? {
            Accrual::Known(amount) | Accrual::Estimated(amount) => Some(Money { amount, ..line.unit_price.money() }),
            Accrual::NotKnown => None,
        };
        self.lines.iter().filter_map(|line| Some((line, of(line)?))).collect()
    }

    /// What has no price and would be in these days.
    pub fn not_priced_within(&self, taken: Taken) -> impl Iterator<Item = &NotPriced> {
        self.not_priced.iter().filter(move |one| {
            let ends = match (taken.basis, &one.accrues) {
                (CostBasis::Accrued, Accrues::Life(life)) => life.out_on,
                _ => Some(one.day),
            };
            one.day <= taken.last && ends.is_none_or(|ends| ends >= taken.first)
        })
    }
}

impl Taken {
    /// What of a line falls into the days; `None` where nothing does.
    fn part_of(self, line: &Line<CostToServe>) -> Option<Accrual> {
        let amount = line.amount().money();
        let days = (self.first, self.last);
        match self.basis {
            CostBasis::Paid => {
                (self.first..=self.last).contains(&line.paid_on).then_some(Accrual::Known(amount.amount))
            }
            CostBasis::Accrued => {
                let part = line.accrues.between(amount, line.paid_on, days, self.as_of);
                Some(part).filter(|part| *part != Accrual::Known(Decimal::ZERO))
            }
        }
    }
}

impl Credit {
    fn line(&self) -> Line<CostToServe> {
        Line {
            kind: ServeKind::WarrantyWork,
            what: format!("Credited by the supplier: {}", self.part),
            quantity: Decimal::NEGATIVE_ONE,
            unit: "credit".to_owned(),
            unit_price: Price::new(self.amount),
            paid_on: self.day,
            accrues: Accrues::AtOnce,
        }
    }
}

impl Work {
    fn ledger(&self) -> ServeKind {
        let warranty = self.payer.map_or(self.cover.is_some(), |payer| payer == Payer::Warranty);
        match self.kind {
            None => ServeKind::Disposal,
            Some(_) if warranty => ServeKind::WarrantyWork,
            Some(LineKind::Labour) => ServeKind::Labour,
            Some(LineKind::Travel) => ServeKind::Travel,
            Some(LineKind::Part) => ServeKind::PartPurchase,
            Some(LineKind::Consumable) => ServeKind::ConsumablePurchase,
        }
    }

    fn is_goods(&self) -> bool {
        matches!(self.kind, Some(LineKind::Part | LineKind::Consumable))
    }

    fn line(&self, price: Money) -> Line<CostToServe> {
        Line {
            kind: self.ledger(),
            what: self.words().to_owned(),
            quantity: self.quantity,
            unit: self.unit.clone(),
            unit_price: Price::new(price),
            paid_on: self.day,
            accrues: self.accrues(),
        }
    }

    /// A part that was fitted serves for its life; all else is used up on its day.
    fn accrues(&self) -> Accrues {
        let part = self.life.clone().filter(|_| self.kind == Some(LineKind::Part));
        part.map_or(Accrues::AtOnce, Accrues::Life)
    }

    /// What one of it cost, or what to do where that is not known.
    fn price(&self, prices: Prices<'_>) -> Result<Money, String> {
        let what = match self.kind {
            None => Priced::Disposal,
            Some(LineKind::Labour) => Priced::Labour,
            Some(LineKind::Travel) => Priced::Travel,
            Some(LineKind::Part | LineKind::Consumable) => return self.item_price(prices.items),
        };
        purchase_price(prices.rates, what, &self.unit, self.day)
            .ok_or_else(|| format!("No price of {} for one {} holds then: add it.", what.as_str(), self.unit))
    }

    fn item_price(&self, prices: &PriceList) -> Result<Money, String> {
        let Some((item, unit)) = &self.item else {
            return Err("It names no item of the stock: correct the event, and name one with a price.".to_owned());
        };
        if *unit != self.unit {
            return Err(format!("The item is counted in {unit}: correct the event, and give it in that."));
        }
        prices.on(*item, PriceKind::Purchase, self.day).map_err(|missing| missing.to_string())
    }

    fn words(&self) -> &'static str {
        match self.kind {
            None => "Load taken away",
            Some(LineKind::Labour) => "Labour",
            Some(LineKind::Travel) => "Travel",
            Some(LineKind::Part) => "Part",
            Some(LineKind::Consumable) => "Consumable",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::ledger::tests::{date, money};
    use super::super::purchase::tests::price;
    use super::*;
    use crate::stock::price::Price as ItemPrice;
    use proptest::prelude::*;
    use uuid::Uuid;

    const FLOAT: ItemId = ItemId(Uuid::from_u128(3));
    const SALT: ItemId = ItemId(Uuid::from_u128(4));

    fn work(kind: Option<LineKind>, quantity: &str, unit: &str) -> Work {
        let item = match kind {
            Some(LineKind::Part) => Some((FLOAT, "piece".to_owned())),
            Some(LineKind::Consumable) => Some((SALT, "kg".to_owned())),
            _ => None,
        };
        let (day, quantity) = (date("2026-03-10"), quantity.parse().unwrap());
        Work { day, kind, item, quantity, unit: unit.to_owned(), payer: None, cover: None, life: None }
    }

    fn march(basis: CostBasis) -> Taken {
        Taken { basis, first: date("2026-03-01"), last: date("2026-03-31"), as_of: date("2026-12-31") }
    }

    /// A float at 140.55 until 10 March and at 150 from then on, and what it sells at.
    fn floats() -> PriceList {
        let price = |kind, from: &str, to: Option<&str>, amount: &str| ItemPrice {
            item_id: FLOAT,
            kind,
            from: date(from),
            to: to.map(date),
            per_unit: money(amount),
        };
        let prices = [
            price(PriceKind::Purchase, "2026-01-01", Some("2026-03-11"), "140.55"),
            price(PriceKind::Purchase, "2026-03-11", None, "150"),
            price(PriceKind::Selling, "2026-01-01", None, "999"),
        ];
        PriceList::parse(&prices).unwrap()
    }

    /// 2.5 h at 52.40 are 131.00, 64 km at 0.55 are 35.20, a part 140.55, a load 90, an hour under
    /// the dealer's cover 52.40 and one under warranty, as somebody says, 52.40, an hour that is
    /// billed though it is covered 52.40, less 20 credited: 533.95.
    #[test]
    fn work_is_priced_as_it_costs_the_dealer() {
        let rates = [
            price(Priced::Labour, "h", "52.40"),
            price(Priced::Travel, "km", "0.55"),
            price(Priced::Disposal, "load", "90"),
        ];
        let hour = || work(Some(LineKind::Labour), "1", "h");
        let all = [
            work(Some(LineKind::Labour), "2.5", "h"),
            work(Some(LineKind::Travel), "64", "km"),
            work(Some(LineKind::Part), "1", "piece"),
            work(None, "1", "load"),
            Work { cover: Some(GivenBy::Dealer), ..hour() },
            Work { payer: Some(Payer::Warranty), ..hour() },
            Work { payer: Some(Payer::Billed), cover: Some(GivenBy::Dealer), ..hour() },
            Work { payer: Some(Payer::AlreadyPaid), ..work(Some(LineKind::Part), "5", "piece") },
            work(Some(LineKind::Consumable), "3", "kg"),
            Work { item: None, ..work(Some(LineKind::Part), "1", "piece") },
            work(Some(LineKind::Part), "1", "m"),
        ];
        let items = floats();
        let prices = Prices { rates: &rates, items: &items };
        let credit = Credit { day: date("2026-03-20"), part: "Float".to_owned(), amount: money("20") };
        let served = Served::of(&all, &[credit], prices);
        let sums = served.sums(march(CostBasis::Paid)).unwrap().unwrap();
        let of = |kind| sums.by_kind[&kind].money().to_string();
        assert_eq!(of(ServeKind::Labour), "183.40 EUR");
        assert_eq!(of(ServeKind::Travel), "35.20 EUR");
        assert_eq!(of(ServeKind::PartPurchase), "140.55 EUR");
        assert_eq!(of(ServeKind::Disposal), "90.00 EUR");
        assert_eq!(of(ServeKind::WarrantyWork), "84.80 EUR");
        assert_eq!(sums.total.money().to_string(), "533.95 EUR");
        assert_eq!(served.not_priced.len(), 3, "no price of a kilogram, no item, another unit");
        let none = Served::of(&[work(None, "1", "load")], &[], Prices { rates: &[], items: &items });
        assert_eq!((none.lines.len(), none.not_priced.len()), (0, 0), "the customer pays the hauler");
    }

    /// Of two floats at 150 one came back.
    #[test]
    fn goods_cost_what_they_did_when_they_were_used() {
        let items = floats();
        let of = |quantity: &str| Work { day: date("2026-03-11"), ..work(Some(LineKind::Part), quantity, "piece") };
        let served = Served::of(&[of("2"), of("-1")], &[], Prices { rates: &[], items: &items });
        let sums = served.sums(march(CostBasis::Paid)).unwrap().unwrap();
        assert_eq!(sums.total.money().to_string(), "150.00 EUR");
    }

    /// By hand: a float of 140.55 fitted on 10 March serves until 8 May, 60 days: the 22 of March are
    /// 51.535, the 30 of April 70.275, the 8 of May 18.74, together 140.55. The hour of 52.40 beside it is
    /// March's. While the float runs, and is expected to reach 100 days, March has 30.921 of it.
    #[test]
    fn a_part_accrues_over_the_life_that_it_reaches() {
        let rates = [price(Priced::Labour, "h", "52.40")];
        let items = floats();
        let life = |out: Option<&str>, expected| Life {
            fitted_on: date("2026-03-10"),
            out_on: out.map(date),
            expected,
            ages: Vec::new(),
        };
        let of = |life: Life| {
            let part = Work { life: Some(life.clone()), ..work(Some(LineKind::Part), "1", "piece") };
            let hour = Work { life: Some(life), ..work(Some(LineKind::Labour), "1", "h") };
            Served::of(&[part, hour], &[], Prices { rates: &rates, items: &items })
        };
        let month =
            |first: &str, last: &str| Taken { first: date(first), last: date(last), ..march(CostBasis::Accrued) };
        let total = |served: &Served, taken| served.sums(taken).unwrap().unwrap().total.money().amount;
        let amount = |text: &str| text.parse::<Decimal>().unwrap();
        let out = of(life(Some("2026-05-08"), None));
        assert_eq!(total(&out, march(CostBasis::Paid)), amount("192.95"));
        assert_eq!(total(&out, march(CostBasis::Accrued)), amount("103.935"));
        let (april, may) = (month("2026-04-01", "2026-04-30"), month("2026-05-01", "2026-05-31"));
        assert_eq!((total(&out, april), total(&out, may)), (amount("70.275"), amount("18.74")));
        let lines: Vec<_> = out.within(april).into_iter().map(|(line, of)| (line.what.as_str(), of.amount)).collect();
        assert_eq!(lines, [("Part", amount("70.275"))]);
        let running = Taken { as_of: date("2026-04-01"), ..march(CostBasis::Accrued) };
        let expected = of(life(None, Some(100.0))).sums(running).unwrap().unwrap();
        assert_eq!((expected.total.money().amount, expected.estimated), (amount("83.321"), true));
        let unknown = of(life(None, None)).sums(running).unwrap().unwrap();
        assert_eq!((unknown.total.money().amount, unknown.left_out.len()), (amount("52.40"), 1));
        let unpriced =
            Work { item: None, life: Some(life(Some("2026-05-08"), None)), ..work(Some(LineKind::Part), "1", "piece") };
        let unpriced = Served::of(&[unpriced], &[], Prices { rates: &[], items: &items });
        let in_may = |basis| unpriced.not_priced_within(Taken { basis, ..may }).count();
        assert_eq!((in_may(CostBasis::Accrued), in_may(CostBasis::Paid)), (1, 0));
    }

    proptest! {
        /// Every line of work is either priced or named.
        #[test]
        fn nothing_is_left_out(units in prop::collection::vec(prop::sample::select(vec!["h", "km", "kg"]), 0..20)) {
            let all: Vec<Work> = units.iter().map(|unit| work(Some(LineKind::Labour), "1", unit)).collect();
            let rates = [price(Priced::Labour, "h", "50")];
            let served = Served::of(&all, &[], Prices { rates: &rates, items: &PriceList::default() });
            prop_assert_eq!(served.lines.len() + served.not_priced.len(), all.len());
            prop_assert_eq!(served.lines.len(), units.iter().filter(|unit| **unit == "h").count());
        }
    }
}
