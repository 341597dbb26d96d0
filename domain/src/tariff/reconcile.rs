//! Why an actual bill fell by more or less than the saving. Prices rise, the rest of the
//! account uses more, vehicles are washed more often, and suppliers charge what their
//! tariff doesn't say: each of these is told apart from the saving.
//!
//! With B0 and B1 the bill by the prices of the cycle before and of this one, o other use
//! and w the unit's water (w0 before, b the baseline now, a actual now):
//!
//! ```text
//! B0(o0 + w0) - B1(o1 + a) = B0(o0 + w0) - B1(o0 + w0)     prices
//!                          + B1(o0 + w0) - B1(o1 + w0)     other use
//!                          + B1(o1 + w0) - B1(o1 + b)      water for washing
//!                          + B1(o1 + b)  - B1(o1 + a)      the saving
//! ```
//!
//! and the actual bills differ from the computed ones by what [`ActualBill::against`] finds.

use super::account::WaterUse;
use super::bill::{Bill, BillError, Line};
use super::check::{NUMBER_MAX, at_most};
use super::prices::CyclePrices;
use crate::fault::Faults;
use crate::money::Money;
use crate::units::Litres;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// A bill as it came from the supplier, typed in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ActualBill {
    /// Its lines; none when just the total was typed in.
    #[serde(default)]
    pub lines: Vec<ActualLine>,
    /// Its total.
    pub total: Money,
}

/// A line of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ActualLine {
    /// The code of the tariff's line; `None` for a charge that the tariff doesn't know.
    #[serde(default)]
    pub code: Option<String>,
    /// What the bill calls it, 1 to 120 characters.
    pub words: String,
    /// How much, in the unit of the tariff's line.
    #[serde(default)]
    pub quantity: Option<Decimal>,
    /// Price of one unit.
    #[serde(default)]
    pub price: Option<Decimal>,
    /// The amount; negative for a credit.
    pub amount: Decimal,
}

/// What an actual bill has more than the computed one, and why; the parts add up.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct BillDifference {
    /// By other prices than the tariff's.
    pub prices: Decimal,
    /// By other quantities than the computed ones.
    pub quantities: Decimal,
    /// By charges that the tariff doesn't know.
    pub unknown: Vec<ActualLine>,
    /// By rounding: up to a minor unit a line.
    pub rounding: Decimal,
    /// By what nothing here explains, such as a charge of the tariff that was not billed.
    pub unexplained: Decimal,
}

impl BillDifference {
    /// All of it.
    #[must_use]
    pub fn total(&self) -> Decimal {
        self.prices + self.quantities + self.unknown() + self.rounding + self.unexplained
    }

    /// The sum of the unknown charges.
    #[must_use]
    pub fn unknown(&self) -> Decimal {
        self.unknown.iter().map(|line| line.amount).sum()
    }

    fn add_rest(&mut self, rest: Decimal, tolerance: Decimal) {
        let into = if rest.abs() <= tolerance { &mut self.rounding } else { &mut self.unexplained };
        *into += rest;
    }
}

impl ActualBill {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        let sane = |faults: &mut Faults, pointer: String, number: Decimal| {
            if number.abs() > NUMBER_MAX {
                faults.add(pointer, "out_of_range", format!("give a number up to {NUMBER_MAX}"));
            }
        };
        at_most(&mut faults, "/lines", self.lines.len());
        sane(&mut faults, "/total/amount".to_owned(), self.total.amount);
        let mut codes = BTreeSet::new();
        for (n, line) in self.lines.iter_mut().enumerate() {
            line.words = faults.text(&format!("/lines/{n}/words"), &line.words, 120);
            sane(&mut faults, format!("/lines/{n}/amount"), line.amount);
            for (field, number) in [("quantity", line.quantity), ("price", line.price)] {
                sane(&mut faults, format!("/lines/{n}/{field}"), number.unwrap_or_default());
            }
            if line.code.as_ref().is_some_and(|code| !codes.insert(code.clone())) {
                faults.add(format!("/lines/{n}/code"), "repeated", "give each code once; add such lines up");
            }
        }
        faults.or(self)
    }

    /// What this bill has more than the computed one. Lines that the tariff has once for
    /// each version of a cycle are taken together.
    #[must_use]
    pub fn against(&self, computed: &Bill) -> BillDifference {
        let cent = Decimal::new(1, computed.total.currency.minor_digits());
        let mut found = BillDifference::default();
        if self.lines.is_empty() {
            found.add_rest(self.total.amount - computed.total.amount, cent * Decimal::from(computed.lines.len()));
            return found;
        }
        for line in &self.lines {
            let same: Vec<&Line> = computed.lines.iter().filter(|of| line.code.as_deref() == Some(&of.code)).collect();
            let billed: Decimal = same.iter().map(|line| line.amount).sum();
            match same.as_slice() {
                [] => found.unknown.push(line.clone()),
                [one] => line.against(one, &mut found, cent),
                several => found.add_rest(line.amount - billed, cent * Decimal::from(several.len())),
            }
        }
        let absent =
            computed.lines.iter().filter(|line| !self.lines.iter().any(|of| of.code.as_deref() == Some(&line.code)));
        found.unexplained -= absent.map(|line| line.amount).sum::<Decimal>();
        let added_up: Decimal = self.lines.iter().map(|line| line.amount).sum();
        found.add_rest(self.total.amount - added_up, cent * Decimal::from(self.lines.len()));
        found
    }
}

impl ActualLine {
    /// Splits the difference to the computed line; the change of price is valued at the
    /// actual quantity, the change of quantity at the computed price.
    fn against(&self, computed: &Line, found: &mut BillDifference, cent: Decimal) {
        let quantity = self.quantity.unwrap_or(computed.quantity);
        let price = self.price.unwrap_or(computed.price);
        let prices = (price - computed.price) * quantity;
        let quantities = (quantity - computed.quantity) * computed.price;
        found.prices += prices;
        found.quantities += quantities;
        found.add_rest(self.amount - computed.amount - prices - quantities, cent);
    }
}

/// One of the two cycles that are compared.
#[derive(Debug, Clone, Copy)]
pub struct Billed<'a> {
    /// Its prices.
    pub prices: &'a CyclePrices,
    /// Its bill.
    pub actual: &'a ActualBill,
    /// Other use in it.
    pub other: Litres,
    /// The unit's use in it; before there was a unit, that of washing without it.
    pub unit: WaterUse,
}

/// Why the bill fell by what it fell; the parts add up to `fell_by`. What raises the bill
/// is negative here.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reconciliation {
    /// The actual bill before less the actual bill now.
    pub fell_by: Money,
    /// What the unit saved.
    pub saving: Decimal,
    /// By other prices.
    pub prices: Decimal,
    /// By other use, and by quantities on the bills that the unit's meters don't explain.
    pub other_use: Decimal,
    /// By more or less washing: the use before against the baseline now.
    pub water: Decimal,
    /// By charges that the tariff doesn't know.
    pub unknown_charges: Decimal,
    /// By rounding.
    pub rounding: Decimal,
    /// By what nothing here explains.
    pub unexplained: Decimal,
    /// The bill before against the computed one.
    pub before: BillDifference,
    /// The bill now against the computed one.
    pub now: BillDifference,
}

/// Explains how the bill fell between two cycles of one account, `baseline` being what
/// washing would have used now without the unit.
///
/// # Errors
/// A [`BillError`] about one of the uses, or about bills in different currencies.
pub fn reconcile(before: &Billed<'_>, now: &Billed<'_>, baseline: &WaterUse) -> Result<Reconciliation, BillError> {
    let currency = now.prices.currency;
    let all = [before.prices.currency, before.actual.total.currency, now.actual.total.currency];
    if all.iter().any(|other| *other != currency) {
        return Err(BillError::OtherCurrency);
    }
    let cost = |prices: &CyclePrices, other: Litres, unit: &WaterUse| {
        Ok::<_, BillError>(prices.total(&unit.with_other(other, prices.months))?.amount)
    };
    let computed_before = before.prices.bill(&before.unit.with_other(before.other, before.prices.months))?;
    let computed_now = now.prices.bill(&now.unit.with_other(now.other, now.prices.months))?;
    let repriced = cost(now.prices, before.other, &before.unit)?;
    let with_other = cost(now.prices, now.other, &before.unit)?;
    let with_baseline = cost(now.prices, now.other, baseline)?;
    let (was, is) = (before.actual.against(&computed_before), now.actual.against(&computed_now));
    let fell_by = before.actual.total.amount - now.actual.total.amount;
    Ok(Reconciliation {
        fell_by: Money { amount: fell_by, currency },
        saving: with_baseline - computed_now.total.amount,
        prices: computed_before.total.amount - repriced + was.prices - is.prices,
        other_use: repriced - with_other + was.quantities - is.quantities,
        water: with_other - with_baseline,
        unknown_charges: was.unknown() - is.unknown(),
        rounding: was.rounding - is.rounding,
        unexplained: was.unexplained - is.unexplained,
        before: was,
        now: is,
    })
}
