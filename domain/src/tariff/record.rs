//! A tariff as its supplier prints it. Every volume in a version is in the version's unit.

use crate::money::Currency;
use crate::named::named;
use crate::units::RegisterUnit;
use chrono::NaiveDate;
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

named! {
    /// How a line is rounded to the minor unit of its currency.
    Rounding as "rounding" {
        /// Halves away from zero.
        HalfUp = "half_up",
        /// Halves to the even neighbour.
        HalfEven = "half_even",
    }
}

impl Rounding {
    /// The amount rounded to so many decimals.
    #[must_use]
    pub fn round(self, amount: Decimal, digits: u32) -> Decimal {
        let strategy = match self {
            Self::HalfUp => RoundingStrategy::MidpointAwayFromZero,
            Self::HalfEven => RoundingStrategy::MidpointNearestEven,
        };
        amount.round_dp_with_strategy(digits, strategy)
    }
}

named! {
    /// What the fixed charges, block bounds, allowances, caps and minimum of a version are for.
    Per as "per" {
        /// A month: a cycle of three months has three of each.
        Month = "month",
        /// A billing cycle, whatever its length.
        Cycle = "cycle",
    }
}

named! {
    /// What the price of a strength charge is for.
    MassUnit as "mass_unit" {
        /// A kilogram.
        Kg = "kg",
        /// A pound, 0.453 592 37 kg.
        Lb = "lb",
    }
}

named! {
    /// What a haulage price is for.
    HaulagePer as "haulage_per" {
        /// A load, however full.
        Load = "load",
        /// A unit of the volume hauled.
        Volume = "volume",
    }
}

/// A supplier's tariff.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tariff {
    /// What the dealer's people call it, 1 to 120 characters.
    pub name: String,
    /// The currency of every amount in it.
    pub currency: Currency,
    /// How its lines are rounded.
    pub rounding: Rounding,
    /// Its versions, the oldest first; no two hold on one day.
    pub versions: Vec<TariffVersion>,
}

impl Tariff {
    /// Whether a line of its bills is for sewer, by the line's code.
    #[must_use]
    pub fn is_sewer(&self, code: &str) -> bool {
        code.starts_with(SEWER_USE)
            || self.versions.iter().filter_map(|version| version.sewer.as_ref()).any(|sewer| {
                sewer.fixed.iter().any(|charge| charge.code == code)
                    || sewer.strength.iter().any(|charge| charge.code == code)
            })
    }
}

/// The prices of a tariff from one local date to another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TariffVersion {
    /// The first day on which it holds.
    pub from: NaiveDate,
    /// The first day on which it no longer holds; `None` while that is not known.
    #[serde(default)]
    pub to: Option<NaiveDate>,
    /// The unit of every volume in it, and what a price by volume is for.
    pub unit: RegisterUnit,
    /// What its fixed charges, bounds, allowances, cap and minimum are for.
    pub per: Per,
    /// Charges for water.
    #[serde(default)]
    pub water: Option<Water>,
    /// Charges for sewer.
    #[serde(default)]
    pub sewer: Option<Sewer>,
    /// What comes on top, in the order of the bill.
    #[serde(default)]
    pub surcharges: Vec<Surcharge>,
    /// Taxes, in the order of the bill.
    #[serde(default)]
    pub taxes: Vec<PercentCharge>,
    /// The least a whole bill comes to, taxes included.
    #[serde(default)]
    pub minimum_bill: Option<Decimal>,
    /// Price of having water hauled away; never part of a bill.
    #[serde(default)]
    pub haulage: Option<Haulage>,
}

/// Charges for water.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Water {
    /// What is charged whatever the use.
    #[serde(default)]
    pub fixed: Vec<FixedCharge>,
    /// Volume that the fixed charges include.
    #[serde(default)]
    pub allowance: Decimal,
    /// Prices by volume; line code [`WATER_USE`].
    #[serde(default)]
    pub blocks: Vec<Block>,
}

/// Charges for sewer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sewer {
    /// What is charged whatever the use.
    #[serde(default)]
    pub fixed: Vec<FixedCharge>,
    /// Volume that the fixed charges include.
    #[serde(default)]
    pub allowance: Decimal,
    /// Prices by volume; line code [`SEWER_USE`].
    #[serde(default)]
    pub blocks: Vec<Block>,
    /// Which volume counts as sewage.
    pub volume: SewerVolume,
    /// The most volume that is charged.
    #[serde(default)]
    pub cap: Option<Decimal>,
    /// Charges by what the sewage carries.
    #[serde(default)]
    pub strength: Vec<StrengthCharge>,
}

/// Which volume counts as sewage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum SewerVolume {
    /// The share of the water used that returns, above 0 and up to 1.
    ReturnFactor(Decimal),
    /// The average use of the months of last winter.
    WinterAverage {
        /// The months, 1 to 12, in the order of one winter, such as 12, 1, 2.
        months: Vec<u8>,
        /// Whether the water used counts where that is less.
        lower_of_actual: bool,
    },
    /// What a meter in the discharge counts.
    Metered,
}

/// What is charged whatever the use.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FixedCharge {
    /// The line's code, one word in snake_case.
    pub code: String,
    /// What the bill calls it, 1 to 120 characters.
    pub words: String,
    /// The price.
    pub price: FixedPrice,
}

/// A price that may depend on the size of the account's meter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged, expecting = "expected a price such as \"41.16\", or prices by meter size")]
pub enum FixedPrice {
    /// The same for every meter.
    Flat(Decimal),
    /// By the name of a meter size.
    ByMeterSize(BTreeMap<String, Decimal>),
}

/// A price by volume between the bound of the block before and this one's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Block {
    /// The last volume that still belongs to it, counted from no use at all, so an
    /// allowance lies within the first blocks; `None` for the last block alone.
    #[serde(default)]
    pub up_to: Option<Decimal>,
    /// Price of one unit.
    pub price: Decimal,
}

/// A price for what the sewage carries above a threshold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StrengthCharge {
    /// The line's code, one word in snake_case.
    pub code: String,
    /// What the bill calls it, 1 to 120 characters.
    pub words: String,
    /// Of what the account's strengths must name the concentration, such as `tss`.
    pub pollutant: String,
    /// What is free, in milligrams a litre.
    pub threshold_mg_per_l: Decimal,
    /// Price of one unit of mass above it.
    pub price: Decimal,
    /// The unit of mass.
    pub per: MassUnit,
}

/// What comes on top: an amount, or a part of other lines.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged, expecting = "expected code and words with either price, or percent and of")]
pub enum Surcharge {
    /// An amount.
    Fixed(FixedCharge),
    /// A part of other lines.
    Percent(PercentCharge),
}

/// A percentage of other lines.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PercentCharge {
    /// The line's code, one word in snake_case.
    pub code: String,
    /// What the bill calls it, 1 to 120 characters.
    pub words: String,
    /// How many hundredths.
    pub percent: Decimal,
    /// Codes of lines further up; [`WATER_USE`] and [`SEWER_USE`] are all blocks together.
    pub of: Vec<String>,
}

/// The price of having water hauled away.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Haulage {
    /// Price of one load, or of one unit of volume.
    pub price: Decimal,
    /// Which.
    pub per: HaulagePer,
}

/// Code of the water blocks; their lines have the block's number behind it.
pub const WATER_USE: &str = "water_use";
/// Code of the sewer blocks; their lines have the block's number behind it.
pub const SEWER_USE: &str = "sewer_use";
/// Code of what brings a bill up to its minimum.
pub const MINIMUM_BILL: &str = "minimum_bill";
/// Code of a haulage line.
pub const HAULAGE: &str = "haulage";
