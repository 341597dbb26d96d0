//! The two ledgers: sides, prices, lines, sums.
//!
//! ```compile_fail
//! use domain::cost::ledger::{CostToServe, CustomersCost, Line, Price};
//!
//! fn bill(mut line: Line<CustomersCost>, purchase: Price<CostToServe>) {
//!     line.unit_price = purchase; // another type: this does not compile
//! }
//! ```

use super::accrual::{Accrual, Accrues};
use crate::fault::Faults;
use crate::money::{Currency, Money};
use crate::named::named;
use crate::span;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;
use std::marker::PhantomData;

named! {
    /// What a customer pays for.
    CustomerKind as "kind" {
        /// The fee of the agreement.
        AgreementFee = "agreement_fee",
        /// The rent of the unit.
        Rent = "rent",
        /// A part, as billed.
        BilledPart = "billed_part",
        /// Something used up, at the customer's price.
        BilledConsumable = "billed_consumable",
        /// A call-out, as billed.
        BilledCallOut = "billed_call_out",
        /// Something else, as billed.
        BilledOther = "billed_other",
        /// Fresh water.
        Water = "water",
        /// Sewer.
        Sewer = "sewer",
        /// Electrical energy by a meter.
        EnergyMetered = "energy_metered",
        /// Electrical energy by nameplate and hours.
        EnergyByNameplate = "energy_by_nameplate",
        /// Electrical energy by measured current and hours.
        EnergyByCurrent = "energy_by_current",
        /// Sludge, oil and waste water taken away.
        Disposal = "disposal",
        /// The yearly part of what the unit cost, where the customer wants it counted.
        CapitalRecovery = "capital_recovery",
    }
}

named! {
    /// What serving a unit costs the dealer.
    ServeKind as "kind" {
        /// Hours of people.
        Labour = "labour",
        /// Ways, and time on them.
        Travel = "travel",
        /// A part at its purchase price.
        PartPurchase = "part_purchase",
        /// Something used up, at its purchase price.
        ConsumablePurchase = "consumable_purchase",
        /// Work under warranty that nobody pays.
        WarrantyWork = "warranty_work",
        /// Loads that the dealer has taken away.
        Disposal = "disposal_purchase",
    }
}

/// One of the two ledgers; there is no third.
pub trait Side: sealed::Sealed + Copy + fmt::Debug + PartialEq {
    /// What its lines are for.
    type Kind: Copy + fmt::Debug + Ord + Serialize + DeserializeOwned;
}

/// The customer's cost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CustomersCost;

/// The dealer's cost to serve: never shown to a customer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CostToServe;

impl Side for CustomersCost {
    type Kind = CustomerKind;
}

impl Side for CostToServe {
    type Kind = ServeKind;
}

mod sealed {
    pub trait Sealed {}
    impl Sealed for super::CustomersCost {}
    impl Sealed for super::CostToServe {}
}

/// Money of one of the two sides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent, bound = "")]
pub struct Price<S> {
    money: Money,
    #[serde(skip)]
    side: PhantomData<S>,
}

impl<S: Side> Price<S> {
    /// Money of this side.
    #[must_use]
    pub fn new(money: Money) -> Self {
        Self { money, side: PhantomData }
    }

    /// The money.
    #[must_use]
    pub fn money(self) -> Money {
        self.money
    }
}

/// A line of a ledger.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(bound = "")]
pub struct Line<S: Side> {
    /// What for.
    pub kind: S::Kind,
    /// In words, 1 to 200 characters.
    pub what: String,
    /// How many units, such as kWh, hours, pieces; negative for a credit.
    pub quantity: Decimal,
    /// The unit, 1 to 20 characters.
    pub unit: String,
    /// The price of one.
    pub unit_price: Price<S>,
    /// The day on which it was paid.
    pub paid_on: NaiveDate,
    /// Over which time it accrues.
    pub accrues: Accrues,
}

/// Largest quantity or price of a line.
const LINE_MAX: i64 = 1_000_000_000;

impl<S: Side> Line<S> {
    /// The line, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.what = faults.text("/what", &self.what, 200);
        self.unit = faults.text("/unit", &self.unit, 20);
        self.paid_on = span::date(&mut faults, "/paid_on", self.paid_on);
        let most = Decimal::from(LINE_MAX);
        if self.quantity.abs() > most {
            faults.add("/quantity", "out_of_range", format!("give a number from -{LINE_MAX} to {LINE_MAX}"));
        }
        let price = self.unit_price.money.amount;
        if price.is_sign_negative() && !price.is_zero() || price > most {
            faults.add("/unit_price/amount", "out_of_range", format!("give a price from 0 to {LINE_MAX}"));
        }
        let accrues = self.accrues.clone().checked();
        self.accrues = faults.take_or("/accrues", accrues, self.accrues.clone());
        faults.or(self)
    }

    /// Quantity times price, rounded as bills are: line by line.
    #[must_use]
    pub fn amount(&self) -> Price<S> {
        let price = self.unit_price.money;
        Price::new(Money { amount: self.quantity.saturating_mul(price.amount), ..price }.rounded())
    }
}

/// A line in another currency than its ledger.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("line {line} is in {other}, and the ledger in {ledger}: keep a ledger for each currency")]
pub struct MixedCurrencies {
    /// The ledger's currency.
    pub ledger: Currency,
    /// The line's.
    pub other: Currency,
    /// The place of the line, from 0.
    pub line: usize,
}

/// The lines of one side in one currency.
#[derive(Debug, Clone, PartialEq)]
pub struct Ledger<S: Side> {
    currency: Currency,
    lines: Vec<Line<S>>,
}

/// What the lines of a ledger come to in some days.
#[derive(Debug, Clone, PartialEq)]
pub struct Sums<S: Side> {
    /// By what they are for.
    pub by_kind: BTreeMap<S::Kind, Price<S>>,
    /// All together.
    pub total: Price<S>,
    /// Whether an expected life stands in for one that is not yet reached.
    pub estimated: bool,
    /// Lines that can't be accrued: parts that run, of no expected life.
    pub left_out: Vec<String>,
}

impl<S: Side> Ledger<S> {
    /// A ledger of lines in one currency.
    ///
    /// # Errors
    /// The first line in another one.
    pub fn new(currency: Currency, lines: Vec<Line<S>>) -> Result<Self, MixedCurrencies> {
        let of = |line: &Line<S>| line.unit_price.money.currency;
        match lines.iter().map(of).enumerate().find(|(_, other)| *other != currency) {
            Some((line, other)) => Err(MixedCurrencies { ledger: currency, other, line }),
            None => Ok(Self { currency, lines }),
        }
    }

    /// Its lines.
    #[must_use]
    pub fn lines(&self) -> &[Line<S>] {
        &self.lines
    }

    /// What was paid from `first` to `last`, both included.
    #[must_use]
    pub fn paid(&self, first: NaiveDate, last: NaiveDate) -> Sums<S> {
        let paid = self.lines.iter().filter(|line| (first..=last).contains(&line.paid_on));
        self.sums(paid.map(|line| (line, Accrual::Known(line.amount().money.amount))))
    }

    /// What accrued from `first` to `last`, both included, as known at the end of `as_of`: until
    /// a part is taken out its expected life stands in for the one that it will reach. Neighbouring
    /// periods add up exactly when they are taken as of the same day.
    #[must_use]
    pub fn accrued(&self, first: NaiveDate, last: NaiveDate, as_of: NaiveDate) -> Sums<S> {
        self.sums(self.lines.iter().map(|line| {
            let amount = line.amount().money;
            (line, line.accrues.between(amount, line.paid_on, (first, last), as_of))
        }))
    }

    fn sums<'a>(&self, parts: impl Iterator<Item = (&'a Line<S>, Accrual)>) -> Sums<S>
    where
        S: 'a,
    {
        let none = Money { amount: Decimal::ZERO, currency: self.currency };
        let none = Price::new(none);
        let mut sums = Sums { by_kind: BTreeMap::new(), total: none, estimated: false, left_out: Vec::new() };
        for (line, part) in parts {
            let amount = match part {
                Accrual::Known(amount) => amount,
                Accrual::Estimated(amount) => {
                    sums.estimated = true;
                    amount
                }
                Accrual::NotKnown => {
                    sums.left_out.push(line.what.clone());
                    continue;
                }
            };
            if !amount.is_zero() {
                sums.by_kind.entry(line.kind).or_insert(none).add(amount);
                sums.total.add(amount);
            }
        }
        sums
    }
}

impl<S> Price<S> {
    fn add(&mut self, amount: Decimal) {
        self.money.amount = self.money.amount.saturating_add(amount);
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use proptest::prelude::*;

    pub(in crate::cost) fn money(amount: &str) -> Money {
        Money { amount: amount.parse().unwrap(), currency: Currency::parse("EUR").unwrap() }
    }

    pub(in crate::cost) fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn line<S: Side>(kind: S::Kind, quantity: &str, price: &str, on: &str) -> Line<S> {
        Line {
            kind,
            what: "a line".into(),
            quantity: quantity.parse().unwrap(),
            unit: "piece".into(),
            unit_price: Price::new(money(price)),
            paid_on: date(on),
            accrues: Accrues::AtOnce,
        }
    }

    fn ledger<S: Side>(lines: Vec<Line<S>>) -> Ledger<S> {
        Ledger::new(Currency::parse("EUR").unwrap(), lines).unwrap()
    }

    #[test]
    fn lines_are_rounded_and_summed_by_kind() {
        let lines = vec![
            line::<CustomersCost>(CustomerKind::EnergyMetered, "123.4", "0.2815", "2026-03-31"),
            line(CustomerKind::Water, "10", "2.005", "2026-03-10"),
            line(CustomerKind::Water, "1", "5.00", "2026-03-11"),
            line(CustomerKind::Water, "1", "7.00", "2026-04-01"),
        ];
        let sums = ledger(lines).paid(date("2026-03-01"), date("2026-03-31"));
        let of = |kind| sums.by_kind[&kind].money().to_string();
        assert_eq!(of(CustomerKind::EnergyMetered), "34.74 EUR", "34.7371");
        assert_eq!(of(CustomerKind::Water), "25.05 EUR");
        assert_eq!(sums.total.money(), money("59.79"));
        assert_eq!((sums.estimated, sums.left_out.len()), (false, 0));
    }

    #[test]
    fn currencies_do_not_mix() {
        let dollars = Money { currency: Currency::parse("USD").unwrap(), ..money("1") };
        let other = Line { unit_price: Price::new(dollars), ..line(ServeKind::Labour, "1", "1", "2026-03-01") };
        let lines = vec![line::<CostToServe>(ServeKind::Labour, "1", "1", "2026-03-01"), other];
        let error = Ledger::new(Currency::parse("EUR").unwrap(), lines).unwrap_err();
        assert_eq!(error.to_string(), "line 1 is in USD, and the ledger in EUR: keep a ledger for each currency");
    }

    /// What is stored for the dealer alone can't be read back as a customer's line either.
    #[test]
    fn goes_through_json_to_its_own_side_alone() {
        let purchase = line::<CostToServe>(ServeKind::PartPurchase, "2", "140.50", "2026-03-01");
        let json = serde_json::to_value(&purchase).unwrap();
        assert_eq!((json["kind"].clone(), json["quantity"].clone()), ("part_purchase".into(), "2".into()));
        assert_eq!(json["unit_price"]["amount"], "140.50");
        assert_eq!(json["accrues"]["over"], "at_once");
        assert_eq!(serde_json::from_value::<Line<CostToServe>>(json.clone()).unwrap(), purchase);
        assert!(serde_json::from_value::<Line<CustomersCost>>(json).is_err());
        for kind in CustomerKind::ALL {
            assert!(ServeKind::from_name(kind.as_str()).is_none(), "{kind:?} is of one side only");
        }
    }

    #[test]
    fn every_fault_is_named() {
        let wrong = Line::<CustomersCost> {
            what: " ".into(),
            unit: "x".repeat(21),
            paid_on: date("1900-01-01"),
            accrues: Accrues::Days { first_day: date("2026-03-02"), last_day: date("2026-03-01") },
            ..line(CustomerKind::Rent, "2000000000", "-1", "2026-03-01")
        };
        let faults = wrong.checked().unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, ["/what", "/unit", "/paid_on", "/quantity", "/unit_price/amount", "/accrues/last_day"]);
        assert!(line::<CustomersCost>(CustomerKind::Rent, "-1", "0", "2026-03-01").checked().is_ok(), "a credit");
    }

    fn any_line() -> impl Strategy<Value = Line<CustomersCost>> {
        let accrues = prop_oneof![
            Just(Accrues::AtOnce),
            (0_u64..300, 0_u64..400)
                .prop_map(|(first, days)| Accrues::Days { first_day: day(first), last_day: day(first + days) }),
            (0_u64..300, 0_u64..400)
                .prop_map(|(fitted, days)| crate::cost::accrual::tests::served(day(fitted), Some(day(fitted + days)))),
        ];
        (0..CustomerKind::ALL.len(), -9999_i64..9_999_999, 0_u64..700, accrues).prop_map(
            |(kind, cents, on, accrues)| Line {
                quantity: Decimal::new(cents, 2),
                paid_on: day(on),
                accrues,
                ..line(CustomerKind::ALL[kind], "0", "1.37", "2026-01-01")
            },
        )
    }

    fn day(n: u64) -> NaiveDate {
        date("2026-01-01") + chrono::Days::new(n)
    }

    proptest! {
        /// Over a whole life what is paid and what accrues are the same, to the last cent, however
        /// the life is cut into periods; and the kinds add up to the total.
        #[test]
        fn paid_and_accrued_come_to_the_same(
            lines in prop::collection::vec(any_line(), 0..8), mut cuts in prop::collection::vec(1_u64..699, 0..6),
        ) {
            let ledger = ledger(lines);
            let paid = ledger.paid(day(0), day(700)).total;
            cuts.extend([0, 701]);
            cuts.sort_unstable();
            cuts.dedup();
            let mut accrued = Decimal::ZERO;
            for pair in cuts.windows(2) {
                let sums = ledger.accrued(day(pair[0]), day(pair[1] - 1), day(700));
                let by_kind: Decimal = sums.by_kind.values().map(|price| price.money().amount).sum();
                prop_assert_eq!(by_kind, sums.total.money().amount);
                prop_assert!(!sums.estimated);
                accrued += by_kind;
            }
            prop_assert_eq!(accrued, paid.money().amount);
        }
    }
}
