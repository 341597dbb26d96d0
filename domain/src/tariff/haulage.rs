//! Having water hauled away: a haulier's price, beside the bill of the account.

use super::bill::{BillError, Line};
use super::prices::{millionths, millionths_per_litre};
use super::record::{HAULAGE, HaulagePer, Tariff};
use super::scaled::{DECIMALS, decimal};
use crate::units::Litres;
use crate::zone::next_day;
use chrono::NaiveDate;
use rust_decimal::Decimal;

/// What hauling so many loads, together of so much volume, costs on a day. Loads that are
/// avoided save this only against loads declared before the unit.
///
/// # Errors
/// [`BillError::NoPrices`] when no haulage price holds on that day; faults of the tariff.
pub fn haulage(tariff: &Tariff, on: NaiveDate, loads: u32, volume: Litres) -> Result<Line, BillError> {
    let tariff = tariff.clone().checked().map_err(BillError::Faults)?;
    let none = BillError::NoPrices { from: on, to: next_day(on) };
    let in_force = tariff.versions.iter().find(|version| version.from <= on && version.to.is_none_or(|to| on < to));
    let Some((version, price)) = in_force.and_then(|version| Some((version, version.haulage.as_ref()?))) else {
        return Err(none);
    };
    let (quantity, unit) = match price.per {
        HaulagePer::Load => (Decimal::from(loads), price.per.as_str()),
        HaulagePer::Volume => {
            let volume = millionths(volume, millionths_per_litre(version.unit))?;
            (decimal(volume, DECIMALS), version.unit.as_str())
        }
    };
    Ok(Line {
        code: HAULAGE.into(),
        words: "Haulage".into(),
        from: on,
        to: next_day(on),
        quantity: quantity.normalize(),
        unit: unit.into(),
        price: price.price,
        amount: tariff.rounding.round(quantity * price.price, tariff.currency.minor_digits()),
    })
}
