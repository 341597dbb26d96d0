//! A tariff made ready for one cycle of one account: which lines its bills have, and the
//! rule for each. Made once, then cheap for any number of uses.
//!
//! Where prices change within the cycle, each version bills its part of the days: fixed
//! charges, block bounds, allowances and caps by days, and the use by its daily average.

use super::account::{Cycle, LITRES_MAX, WaterAccount, WaterUse};
use super::bill::BillError;
use super::record::{
    Block, FixedCharge, FixedPrice, MINIMUM_BILL, MassUnit, Per, PercentCharge, Rounding, SEWER_USE, SewerVolume,
    Surcharge, Tariff, TariffVersion, WATER_USE,
};
use super::scaled::{DECIMALS, Factor, whole};
use crate::fault::Faults;
use crate::money::Currency;
use crate::units::{Litres, RegisterUnit};
use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;
use std::sync::Arc;

/// The prices of one cycle of one account.
#[derive(Debug, Clone)]
pub struct CyclePrices {
    pub(super) currency: Currency,
    pub(super) rounding: Rounding,
    pub(super) cycle: Cycle,
    pub(super) months: u8,
    pub(super) parts: Vec<Part>,
    pub(super) rows: Vec<Row>,
}

/// The days of a cycle on which one version holds.
#[derive(Debug, Clone)]
pub(super) struct Part {
    /// Millionths of the version's unit that a litre of the cycle's use is on these days.
    pub(super) per_litre: f64,
    pub(super) sewer: Option<SewerVolume>,
    pub(super) returns: Factor,
    /// The most sewage of these days, in millionths of the unit.
    pub(super) cap: u128,
    /// Uses of the whole cycle at which a block, an allowance or the cap of it ends.
    pub(super) corners: Vec<Litres>,
}

/// One line of every bill.
#[derive(Debug, Clone)]
pub(super) struct Row {
    pub(super) code: Arc<str>,
    pub(super) words: Arc<str>,
    pub(super) from: NaiveDate,
    pub(super) to: NaiveDate,
    pub(super) unit: Arc<str>,
    pub(super) price: Decimal,
    /// Which part it is of; `None` for the whole bill.
    pub(super) part: Option<usize>,
    pub(super) rule: Rule,
}

/// What a line comes to. Volumes and masses are whole millionths, amounts whole minor units.
#[derive(Debug, Clone)]
pub(super) enum Rule {
    /// A part or a multiple of what the price is for, without trailing zeros.
    Fixed { quantity: Decimal, amount: u128 },
    /// The volume between two bounds.
    Block { of: Stream, above: u128, up_to: u128, price: Factor },
    /// The mass above the threshold in the sewage.
    Strength { mass: Factor, price: Factor },
    /// The sum of rows further up.
    Percent { of: Vec<usize>, rate: Factor },
    /// What is missing to so much.
    Minimum { least: u128 },
}

/// Which volume a block divides.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stream {
    Water,
    Sewer,
}

/// Decimals of a day share: with them a fixed charge of a million is right to the cent.
const SHARE_DECIMALS: u32 = 10;

impl CyclePrices {
    /// The prices of `tariff` for `account` in `cycle`.
    ///
    /// # Errors
    /// A [`BillError`]: faults of the records, a cycle too long or without prices on a day,
    /// a meter size or strength that the tariff asks for and the account lacks.
    pub fn new(account: &WaterAccount, tariff: &Tariff, cycle: Cycle) -> Result<Self, BillError> {
        let mut faults = Faults::default();
        let account = faults.take("/account", account.clone().checked());
        let tariff = faults.take("/tariff", tariff.clone().checked());
        let (Some(account), Some(tariff)) = (account, tariff) else { return Err(BillError::Faults(faults)) };
        let cycle = cycle.of_months(account.cycle_months)?;
        let mut prices = Self {
            currency: tariff.currency,
            rounding: tariff.rounding,
            cycle,
            months: account.cycle_months,
            parts: Vec::new(),
            rows: Vec::new(),
        };
        let mut least = None;
        for (version, from, to) in in_force(&tariff, cycle)? {
            let days = Decimal::from((to - from).num_days());
            let share = (days / Decimal::from(cycle.days())).round_dp(SHARE_DECIMALS);
            let scale = match version.per {
                Per::Month => share * Decimal::from(account.cycle_months),
                Per::Cycle => share,
            };
            let minimum = version.minimum_bill.map(|minimum| minimum * scale);
            least = least.map_or(minimum, |sum: Decimal| Some(sum + minimum.unwrap_or_default()));
            Writer { prices: &mut prices, account: &account, version, from, to, scale }.version(share)?;
        }
        if let Some(least) = least {
            let least = prices.minor_units(least);
            prices.rows.push(Row {
                code: MINIMUM_BILL.into(),
                words: "Up to the minimum bill".into(),
                from: cycle.from,
                to: cycle.to,
                unit: tariff.currency.code().into(),
                price: Decimal::ONE,
                part: None,
                rule: Rule::Minimum { least },
            });
        }
        Ok(prices)
    }

    /// An amount of zero or more in whole minor units, rounded.
    fn minor_units(&self, amount: Decimal) -> u128 {
        let digits = self.currency.minor_digits();
        whole(self.rounding.round(amount, digits), digits)
    }
}

/// The versions that hold in a cycle, each with its first day in it and the day after its last.
fn in_force(tariff: &Tariff, cycle: Cycle) -> Result<Vec<(&TariffVersion, NaiveDate, NaiveDate)>, BillError> {
    let mut found = Vec::new();
    let mut next = cycle.from;
    for version in &tariff.versions {
        let from = version.from.max(cycle.from);
        let to = version.to.unwrap_or(cycle.to).min(cycle.to);
        if from < to {
            if next < from {
                return Err(BillError::NoPrices { from: next, to: from });
            }
            found.push((version, from, to));
            next = to;
        }
    }
    if next < cycle.to { Err(BillError::NoPrices { from: next, to: cycle.to }) } else { Ok(found) }
}

/// Writes the rows of one version.
struct Writer<'a> {
    prices: &'a mut CyclePrices,
    account: &'a WaterAccount,
    version: &'a TariffVersion,
    from: NaiveDate,
    to: NaiveDate,
    /// How many times a charge or a bound counts: by days, and by months if it is for one.
    scale: Decimal,
}

impl Writer<'_> {
    fn version(mut self, share: Decimal) -> Result<(), BillError> {
        let version = self.version;
        let first_row = self.prices.rows.len();
        let sewer = version.sewer.as_ref();
        let returns = match sewer.map(|sewer| &sewer.volume) {
            Some(SewerVolume::ReturnFactor(factor)) => *factor,
            _ => Decimal::ONE,
        };
        let days = (self.to - self.from).num_days() as f64 / self.prices.cycle.days() as f64;
        self.prices.parts.push(Part {
            per_litre: millionths_per_litre(version.unit) * days,
            sewer: sewer.map(|sewer| sewer.volume.clone()),
            returns: Factor::new(returns, DECIMALS, DECIMALS),
            cap: sewer.and_then(|sewer| sewer.cap).map_or(u128::MAX, |cap| self.volume(cap)),
            corners: Vec::new(),
        });
        if let Some(water) = &version.water {
            self.fixed(&water.fixed)?;
            self.blocks(Stream::Water, &water.blocks, water.allowance, Decimal::ONE);
        }
        if let Some(sewer) = sewer {
            self.fixed(&sewer.fixed)?;
            self.blocks(Stream::Sewer, &sewer.blocks, sewer.allowance, returns);
            self.corners(sewer.cap.as_slice(), returns);
            self.strength()?;
        }
        for surcharge in &version.surcharges {
            match surcharge {
                Surcharge::Fixed(charge) => self.fixed(std::slice::from_ref(charge))?,
                Surcharge::Percent(charge) => self.percent(charge, first_row),
            }
        }
        for tax in &version.taxes {
            self.percent(tax, first_row);
        }
        // Bounds were collected for the part's days; a corner is a use of the whole cycle.
        if let Some(part) = self.prices.parts.last_mut() {
            let share = f64::try_from(share).unwrap_or(1.0);
            part.corners.iter_mut().for_each(|corner| corner.0 /= share);
        }
        Ok(())
    }

    fn row(&mut self, code: &str, words: &str, unit: &str, price: Decimal, rule: Rule) {
        let (code, words, unit) = (code.into(), words.into(), unit.into());
        let part = self.prices.parts.len().checked_sub(1);
        self.prices.rows.push(Row { code, words, from: self.from, to: self.to, unit, price, part, rule });
    }

    fn fixed(&mut self, charges: &[FixedCharge]) -> Result<(), BillError> {
        for charge in charges {
            let price = match &charge.price {
                FixedPrice::Flat(price) => *price,
                FixedPrice::ByMeterSize(sizes) => {
                    let size = self.account.meter_size.clone().unwrap_or_default();
                    *sizes.get(&size).ok_or(BillError::NoPriceForMeterSize { code: charge.code.clone(), size })?
                }
            };
            let amount = self.prices.minor_units(self.scale * price);
            let rule = Rule::Fixed { quantity: self.scale.normalize(), amount };
            self.row(&charge.code, &charge.words, self.version.per.as_str(), price, rule);
        }
        Ok(())
    }

    fn blocks(&mut self, of: Stream, blocks: &[Block], allowance: Decimal, returns: Decimal) {
        let (code, name) = match of {
            Stream::Water => (WATER_USE, "Water"),
            Stream::Sewer => (SEWER_USE, "Sewer"),
        };
        let unit = self.version.unit.as_str();
        let mut bound = Decimal::ZERO;
        for (n, block) in blocks.iter().enumerate() {
            let above = bound.max(allowance);
            bound = block.up_to.unwrap_or(Decimal::MAX);
            if bound <= above {
                continue; // All of it is within the allowance.
            }
            let words = match block.up_to {
                Some(up_to) => format!("{name} above {} up to {} {unit}", above.normalize(), up_to.normalize()),
                None if above.is_zero() => format!("{name} used"),
                None => format!("{name} above {} {unit}", above.normalize()),
            };
            self.corners(&[above], returns);
            let up_to = block.up_to.map_or(u128::MAX, |up_to| self.volume(up_to));
            let rule = Rule::Block { of, above: self.volume(above), up_to, price: self.price(block.price) };
            self.row(&format!("{code}_{}", n + 1), &words, unit, block.price, rule);
        }
    }

    /// A stated volume, for the days of the part, in millionths.
    fn volume(&self, stated: Decimal) -> u128 {
        whole(stated * self.scale, DECIMALS)
    }

    /// What makes minor units of millionths.
    fn price(&self, price: Decimal) -> Factor {
        Factor::new(price, DECIMALS, self.prices.currency.minor_digits())
    }

    fn corners(&mut self, bounds: &[Decimal], returns: Decimal) {
        let factor = self.version.unit.factor();
        let scaled = bounds.iter().filter_map(|bound| f64::try_from(bound * self.scale / returns).ok());
        if let Some(part) = self.prices.parts.last_mut() {
            part.corners.extend(scaled.map(|bound| Litres(bound * factor)));
        }
    }

    fn strength(&mut self) -> Result<(), BillError> {
        for charge in self.version.sewer.iter().flat_map(|sewer| &sewer.strength) {
            let strength = self.account.strengths_mg_per_l.get(&charge.pollutant);
            let strength = *strength.ok_or_else(|| BillError::NoStrength { pollutant: charge.pollutant.clone() })?;
            let above = (strength - charge.threshold_mg_per_l).max(Decimal::ZERO);
            let litres = Decimal::from_f64(self.version.unit.factor()).unwrap_or_default();
            // Milligrams to kilograms.
            let kg = above * litres * Decimal::new(1, 6);
            let mass_per_unit = match charge.per {
                MassUnit::Kg => kg,
                MassUnit::Lb => kg / Decimal::new(45_359_237, 8),
            };
            let mass = Factor::new(mass_per_unit.round_dp(12), DECIMALS, DECIMALS);
            let rule = Rule::Strength { mass, price: self.price(charge.price) };
            self.row(&charge.code, &charge.words, charge.per.as_str(), charge.price, rule);
        }
        Ok(())
    }

    fn percent(&mut self, charge: &PercentCharge, first_row: usize) {
        let named = |row: &Row| {
            charge.of.iter().any(|code| match &row.rule {
                Rule::Block { of: Stream::Water, .. } => code == WATER_USE,
                Rule::Block { of: Stream::Sewer, .. } => code == SEWER_USE,
                _ => **code == *row.code,
            })
        };
        let rows = self.prices.rows.iter().enumerate().skip(first_row);
        let of = rows.filter(|(_, row)| named(row)).map(|(n, _)| n).collect();
        let rate = charge.percent / Decimal::ONE_HUNDRED;
        let currency = self.prices.currency;
        let rule = Rule::Percent { of, rate: Factor::new(rate, 0, 0) };
        self.row(&charge.code, &charge.words, currency.code(), rate, rule);
    }
}

impl Part {
    /// Water and sewage of these days, in millionths of the version's unit.
    pub(super) fn volumes(&self, used: &WaterUse, months: u8, rounding: Rounding) -> Result<(u128, u128), BillError> {
        let water = millionths(used.water_l, self.per_litre)?;
        let Some(sewer) = &self.sewer else { return Ok((water, 0)) };
        let sewage = match sewer {
            SewerVolume::ReturnFactor(_) => self.returns.times(water, rounding)?,
            SewerVolume::WinterAverage { lower_of_actual, .. } => {
                let average = used.winter_l_per_month.ok_or(BillError::NoWinterAverage)?;
                let winter = millionths(Litres(average.0 * f64::from(months)), self.per_litre)?;
                if *lower_of_actual { winter.min(water) } else { winter }
            }
            SewerVolume::Metered => millionths(used.discharge_l.ok_or(BillError::NoDischarge)?, self.per_litre)?,
        };
        Ok((water, sewage.min(self.cap)))
    }
}

/// Millionths of a unit in a litre.
pub(super) fn millionths_per_litre(unit: RegisterUnit) -> f64 {
    1e6 / unit.factor()
}

/// Litres in whole millionths of a unit.
pub(super) fn millionths(litres: Litres, per_litre: f64) -> Result<u128, BillError> {
    if !(0.0..=LITRES_MAX).contains(&litres.0) {
        return Err(BillError::UseOutOfRange);
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to 1e18")]
    let whole = (litres.0 * per_litre).round() as u64;
    Ok(u128::from(whole))
}
