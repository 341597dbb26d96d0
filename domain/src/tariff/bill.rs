//! A bill, line by line: each line's amount is its quantity times its price, rounded to the
//! minor unit; the total is the sum of the lines.

use super::account::{Cycle, WaterAccount, WaterUse};
use super::prices::{CyclePrices, Rule, Stream};
use super::record::Tariff;
use crate::fault::Faults;
use crate::money::Money;
use crate::zone::Month;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

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

/// One line of a bill.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Which charge.
    pub code: String,
    /// What it is called.
    pub words: String,
    /// The first day it is for.
    pub from: NaiveDate,
    /// The day after the last.
    pub to: NaiveDate,
    /// How much.
    pub quantity: Decimal,
    /// Of what: `month` or `cycle`, a unit of volume or mass, `load`; the currency where a
    /// part of other lines is charged.
    pub unit: String,
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
    /// A line comes to more than 10^20.
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

/// Largest amount of a line: sums of them stay within a decimal.
const AMOUNT_MAX: Decimal = Decimal::from_parts(1_661_992_960, 1_808_227_885, 5, false, 0);

/// How much of a line there is, and what it comes to.
#[derive(Debug, Clone, Copy)]
pub(super) struct Charged {
    pub(super) quantity: Decimal,
    pub(super) amount: Decimal,
}

impl CyclePrices {
    /// The bill for `used`, all use of the account included.
    ///
    /// # Errors
    /// A [`BillError`] about the use.
    pub fn bill(&self, used: &WaterUse) -> Result<Bill, BillError> {
        let charged = self.charge(used)?;
        let lines = self.rows.iter().zip(&charged).map(|(row, charged)| Line {
            code: row.code.clone(),
            words: row.words.clone(),
            from: row.from,
            to: row.to,
            quantity: charged.quantity.normalize(),
            unit: row.unit.clone(),
            price: row.price,
            amount: charged.amount,
        });
        Ok(Bill { cycle: self.cycle, lines: lines.collect(), total: self.money(sum(&charged)) })
    }

    /// The total of that bill, without its lines.
    ///
    /// # Errors
    /// A [`BillError`] about the use.
    pub fn total(&self, used: &WaterUse) -> Result<Money, BillError> {
        Ok(self.money(sum(&self.charge(used)?)))
    }

    /// What each row comes to, in their order.
    pub(super) fn charge(&self, used: &WaterUse) -> Result<Vec<Charged>, BillError> {
        let mut charged: Vec<Charged> = Vec::with_capacity(self.rows.len());
        let mut volumes = Vec::with_capacity(self.parts.len());
        for part in &self.parts {
            volumes.push(part.volumes(used, self.months)?);
        }
        let of_part = |part: usize| volumes.get(part).copied().unwrap_or_default();
        for row in &self.rows {
            let quantity = match &row.rule {
                Rule::Fixed { quantity, amount } => {
                    charged.push(Charged { quantity: *quantity, amount: *amount });
                    continue;
                }
                Rule::Block { part, of, above, up_to } => {
                    let (water, sewage) = of_part(*part);
                    let volume = if *of == Stream::Water { water } else { sewage };
                    // A block ends with its bound: just so much water pays nothing in the next.
                    if volume <= *above { Decimal::ZERO } else { volume.min(*up_to) - above }
                }
                Rule::Strength { part, mass_per_unit } => {
                    of_part(*part).1.checked_mul(*mass_per_unit).ok_or(BillError::TooLarge)?
                }
                Rule::Percent { of } => of.iter().filter_map(|row| charged.get(*row)).map(|named| named.amount).sum(),
                Rule::Minimum { least } => (least - sum(&charged)).max(Decimal::ZERO),
            };
            let amount = quantity.checked_mul(row.price).filter(|amount| *amount <= AMOUNT_MAX);
            charged.push(Charged { quantity, amount: self.round(amount.ok_or(BillError::TooLarge)?) });
        }
        Ok(charged)
    }

    pub(super) fn round(&self, amount: Decimal) -> Decimal {
        self.rounding.round(amount, self.currency.minor_digits())
    }

    pub(super) fn money(&self, amount: Decimal) -> Money {
        Money { amount, currency: self.currency }
    }
}

fn sum(charged: &[Charged]) -> Decimal {
    charged.iter().map(|charged| charged.amount).sum()
}
