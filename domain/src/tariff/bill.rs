//! A bill, line by line: each line's amount is its quantity times its price, rounded to the
//! minor unit; the total is the sum of the lines.

use super::account::{Cycle, WaterAccount, WaterUse};
use super::prices::{CyclePrices, Rule, Stream};
use super::record::Tariff;
use super::scaled::{DECIMALS, decimal, shortest};
use crate::fault::Faults;
use crate::money::Money;
use crate::zone::Month;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// What an account pays for one cycle.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Bill {
    /// For which days.
    pub cycle: Cycle,
    /// Its lines; where prices change within the cycle, those of each version.
    pub lines: Vec<Line>,
    /// Their sum.
    pub total: Money,
}

/// One line of a bill. Its texts are those of the prices, shared: copying them took longer than the arithmetic.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Which charge.
    pub code: Arc<str>,
    /// What it is called.
    pub words: Arc<str>,
    /// The first day it is for.
    pub from: NaiveDate,
    /// The day after the last.
    pub to: NaiveDate,
    /// How much.
    pub quantity: Decimal,
    /// Of what: `month` or `cycle`, a unit of volume or mass, `load`; the currency where a
    /// part of other lines is charged.
    pub unit: Arc<str>,
    /// Price of one unit.
    pub price: Decimal,
    /// Quantity times price, rounded.
    pub amount: Decimal,
}

/// Why there is no bill.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum BillError {
    /// The account or the tariff has faults, at `/account` and `/tariff`.
    #[error("the account or the tariff has faults; mend them first")]
    Faults(#[source] Faults),
    /// The cycle has no days.
    #[error("the cycle has no days; give an end after its beginning")]
    EmptyCycle,
    /// The cycle is longer than the account's.
    #[error("a cycle of {days} days is longer than the account's {months} month(s); give one bill at a time")]
    CycleTooLong {
        /// Days of the cycle.
        days: i64,
        /// Months of the account's cycles.
        months: u8,
    },
    /// No version of the tariff holds.
    #[error("the tariff has no prices from {from} until {to}; give a version that holds then")]
    NoPrices {
        /// The first day without prices.
        from: NaiveDate,
        /// The day after the last.
        to: NaiveDate,
    },
    /// A fixed charge by meter size lacks the account's size.
    #[error("charge {code} has no price for meter size {size:?}; give the account one of its sizes, or add it")]
    NoPriceForMeterSize {
        /// The charge.
        code: String,
        /// The account's meter size; empty when it has none.
        size: String,
    },
    /// A strength charge asks for a concentration that the account lacks.
    #[error("sewer is charged by {pollutant}; give its concentration in the account's strengths")]
    NoStrength {
        /// Of what.
        pollutant: String,
    },
    /// Sewer is billed by the average of winter, which is not given.
    #[error("sewer is billed by the average of winter; give the use of an average winter month")]
    NoWinterAverage,
    /// The use of a winter month is not given.
    #[error("the average of winter needs the use of {0}; give it")]
    NoWinterMonth(Month),
    /// Sewer is billed by a discharge meter, whose volume is not given.
    #[error("sewer is billed by the discharge meter; give the volume it counted")]
    NoDischarge,
    /// Bills in different currencies are compared.
    #[error("the bills are in different currencies; compare bills in the tariff's currency")]
    OtherCurrency,
    /// A volume is negative, no number or larger than a town's.
    #[error("a volume lies outside what can be billed; give litres from 0 to 1e12")]
    UseOutOfRange,
    /// A line comes to more than 10^20 minor units.
    #[error("a line of the bill is too large to be real; look for a slip in its price or percentage")]
    TooLarge,
}

/// The bill of one cycle. For many uses of the same cycle, make [`CyclePrices`] once.
///
/// # Errors
/// A [`BillError`].
pub fn bill(account: &WaterAccount, tariff: &Tariff, cycle: Cycle, used: &WaterUse) -> Result<Bill, BillError> {
    CyclePrices::new(account, tariff, cycle)?.bill(used)
}

/// How much of a line there is, in millionths or, of other lines, in minor units; and what
/// it comes to, in minor units.
#[derive(Debug, Clone, Copy)]
pub(super) struct Charged {
    quantity: u128,
    pub(super) amount: u128,
}

impl CyclePrices {
    /// The bill for `used`, all use of the account included.
    ///
    /// # Errors
    /// A [`BillError`] about the use.
    pub fn bill(&self, used: &WaterUse) -> Result<Bill, BillError> {
        let charged = self.charge(used)?;
        let lines = self.rows.iter().zip(&charged).map(|(row, charged)| Line {
            code: Arc::clone(&row.code),
            words: Arc::clone(&row.words),
            from: row.from,
            to: row.to,
            quantity: self.quantity(&row.rule, charged),
            unit: Arc::clone(&row.unit),
            price: row.price,
            amount: self.amount(charged.amount),
        });
        Ok(Bill { cycle: self.cycle, lines: lines.collect(), total: self.money(self.amount(sum(&charged))) })
    }

    /// The total of that bill, without its lines.
    ///
    /// # Errors
    /// A [`BillError`] about the use.
    pub fn total(&self, used: &WaterUse) -> Result<Money, BillError> {
        Ok(self.money(self.amount(sum(&self.charge(used)?))))
    }

    /// What each row comes to, in their order.
    pub(super) fn charge(&self, used: &WaterUse) -> Result<Vec<Charged>, BillError> {
        let mut charged: Vec<Charged> = Vec::with_capacity(self.rows.len());
        let mut rows = self.rows.as_slice();
        for (n, part) in self.parts.iter().enumerate() {
            let (water, sewage) = part.volumes(used, self.months, self.rounding)?;
            // The rows of a part stand together; the minimum, last of all, is no part's.
            let (of_part, others) = rows.split_at(rows.partition_point(|row| row.part == Some(n)));
            rows = others;
            for row in of_part {
                charged.push(self.charge_row(&row.rule, water, sewage, &charged)?);
            }
        }
        for row in rows {
            charged.push(self.charge_row(&row.rule, 0, 0, &charged)?);
        }
        Ok(charged)
    }

    fn charge_row(&self, rule: &Rule, water: u128, sewage: u128, above: &[Charged]) -> Result<Charged, BillError> {
        let (quantity, price) = match rule {
            Rule::Fixed { amount, .. } => return Ok(Charged { quantity: 0, amount: *amount }),
            Rule::Block { of, above, up_to, price } => {
                let volume = if *of == Stream::Water { water } else { sewage };
                // A block ends with its bound: just so much water pays nothing in the next.
                (volume.min(*up_to).saturating_sub(*above), price)
            }
            Rule::Strength { mass, price } => (mass.times(sewage, self.rounding)?, price),
            Rule::Percent { of, rate } => {
                (of.iter().filter_map(|row| above.get(*row)).map(|row| row.amount).sum(), rate)
            }
            Rule::Minimum { least } => {
                let missing = least.saturating_sub(sum(above));
                return Ok(Charged { quantity: missing, amount: missing });
            }
        };
        Ok(Charged { quantity, amount: price.times(quantity, self.rounding)? })
    }

    /// How much, without trailing zeros.
    fn quantity(&self, rule: &Rule, charged: &Charged) -> Decimal {
        match rule {
            Rule::Fixed { quantity, .. } => *quantity,
            Rule::Block { .. } | Rule::Strength { .. } => shortest(charged.quantity, DECIMALS),
            Rule::Percent { .. } | Rule::Minimum { .. } => shortest(charged.quantity, self.currency.minor_digits()),
        }
    }

    /// Whole minor units as an amount.
    pub(super) fn amount(&self, minor_units: u128) -> Decimal {
        decimal(minor_units, self.currency.minor_digits())
    }

    pub(super) fn money(&self, amount: Decimal) -> Money {
        Money { amount, currency: self.currency }
    }
}

fn sum(charged: &[Charged]) -> u128 {
    charged.iter().map(|charged| charged.amount).sum()
}
