//! A figure: printed with what stands behind it, or withheld with the reason.

use crate::cost::washes::WashesBy;
use crate::money::Money;
use crate::named::named;
use crate::water::grade::{self, Grade};
use serde::{Deserialize, Serialize};

named! {
    /// A line of the reckoning.
    Name as "figure" {
        /// Fresh water used: make-up with hand fills, rinse and bypass.
        FreshUsed = "fresh_used",
        /// Treated water to the washers.
        Washed = "washed",
        /// Treated water to the washers less fresh water into the loop.
        Recycled = "recycled",
        /// Recycled over all water to the washers.
        ReuseShare = "reuse_share",
        /// Water in less water known to have gone out.
        Residual = "residual",
        /// Washes counted.
        Washes = "washes",
        /// Fresh water used for each wash.
        FreshPerWash = "fresh_per_wash",
        /// Electrical energy used.
        Energy = "energy",
        /// Electrical energy for each cubic metre washed with.
        EnergyPerVolume = "energy_per_volume",
        /// Fresh water avoided against the agreed baseline.
        FreshAvoided = "fresh_avoided",
        /// Money saved.
        MoneySaved = "money_saved",
        /// What washing cost the customer.
        Cost = "cost",
        /// The same for each wash; where nobody counts washes, for each cubic metre to the washers, else
        /// for each hour of the guns.
        CostEach = "cost_each",
    }
}

impl Name {
    /// What the line is called.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::FreshUsed => "Fresh water used",
            Self::Washed => "Washed with treated water",
            Self::Recycled => "Of that, recycled",
            Self::ReuseShare => "Recycled share of all water to the washers",
            Self::Residual => "Not accounted for",
            Self::Washes => "Washes",
            Self::FreshPerWash => "Fresh water for each wash",
            Self::Energy => "Electricity used",
            Self::EnergyPerVolume => "Electricity for the water washed with",
            Self::FreshAvoided => "Fresh water avoided",
            Self::MoneySaved => "Money saved",
            Self::Cost => "Cost of washing",
            Self::CostEach => "Unit cost of washing",
        }
    }
}

/// A value, its unit in its name.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Value {
    /// Litres.
    #[serde(rename = "value_l")]
    Litres(f64),
    /// A share of one; may be negative, and is never clipped.
    #[serde(rename = "value_share")]
    Share(f64),
    /// Events.
    #[serde(rename = "value_count")]
    Count(f64),
    /// Litres for each wash.
    #[serde(rename = "value_l_per_wash")]
    LitresPerWash(f64),
    /// Kilowatt-hours.
    #[serde(rename = "value_kwh")]
    Kwh(f64),
    /// Kilowatt-hours for each cubic metre.
    #[serde(rename = "value_kwh_per_m3")]
    KwhPerM3(f64),
    /// Money.
    #[serde(rename = "value_money")]
    Money(Money),
    /// Money for each wash.
    #[serde(rename = "value_money_per_wash")]
    MoneyPerWash(Money),
    /// Money for each cubic metre to the washers.
    #[serde(rename = "value_money_per_m3")]
    MoneyPerM3(Money),
    /// Money for each hour with a trigger pulled.
    #[serde(rename = "value_money_per_gun_hour")]
    MoneyPerGunHour(Money),
}

/// A figure that is printed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Printed {
    /// The value.
    #[serde(flatten)]
    pub value: Value,
    /// The expanded uncertainty (k = 2), in the unit of the value; null where it is not computed. Of money saved
    /// half of the distance between its ends.
    pub expanded: Option<f64>,
    /// Share of the days reported, 0 to 1, that the figure stands on.
    pub coverage: f64,
    /// Share of the days reported, 0 to 1, spread evenly between readings more than a day apart.
    pub estimated_share: f64,
    /// What the meters behind it support; the least of them.
    pub grade: Grade,
    /// Units that the figure covers.
    pub units_covered: u32,
    /// Units that stood at the customer's sites in the month.
    pub units: u32,
    /// Steps between readings of the meters it stands on that wait for a decision and are in no figure.
    #[serde(default)]
    pub open_exceptions: u32,
    /// Of money saved, between which amounts it lies; null of all else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub between: Option<Ends>,
}

/// What money comes to where a volume is less, and where it is more, by its expanded uncertainty. A bill goes
/// by steps, so the two need not lie at the same distance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ends {
    /// The lower amount.
    pub low: Money,
    /// The higher amount.
    pub high: Money,
}

named! {
    /// Why a figure is not printed.
    Reason as "reason" {
        /// No reading covers any of the days.
        NotRead = "not_read",
        /// Nothing measures what it stands on.
        MetersDoNotSupport = "meters_do_not_support",
        /// A part that belongs to it exists and is not known.
        PartNotMeasured = "part_not_measured",
        /// Too many days are incomplete.
        Gap = "gap",
        /// Less make-up than one fill between the floats.
        NoFillCycle = "no_fill_cycle",
        /// No water went to the washers.
        NothingWashed = "nothing_washed",
        /// No baseline was agreed.
        NoBaseline = "no_baseline",
        /// The baseline begins, ends or changes in the month.
        BaselineChanges = "baseline_changes",
        /// The baseline is for each wash, and nobody counted.
        WashesNotCounted = "washes_not_counted",
        /// Washes of a class that the baseline does not know.
        ClassNotInBaseline = "class_not_in_baseline",
        /// The baseline is for each working day, and those are not known.
        WorkingDaysNotKnown = "working_days_not_known",
        /// The baseline is all water to the washers, and that is not known.
        WaterToWashersNotKnown = "water_to_washers_not_known",
        /// No water account is charged.
        NoAccount = "no_account",
        /// The account has no tariff.
        NoTariff = "no_tariff",
        /// There is no bill for these uses.
        NoBill = "no_bill",
        /// Accounts in different currencies.
        OtherCurrency = "other_currency",
        /// No saving is printed of a month.
        NoSaving = "no_saving",
        /// Nothing is written down of what washing costs.
        NoCost = "no_cost",
        /// A part that runs has no known life.
        LifeNotKnown = "life_not_known",
    }
}

/// A figure that is not printed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Withheld {
    /// Why, as a stable code.
    pub reason: Reason,
    /// Why, and what would change that.
    pub words: String,
}

impl From<grade::Withheld> for Withheld {
    fn from(withheld: grade::Withheld) -> Self {
        let reason = Reason::from_name(withheld.code()).unwrap_or(Reason::MetersDoNotSupport);
        Self { reason, words: sentence(&withheld.to_string()) }
    }
}

/// Words as a sentence.
pub(super) fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or(String::new(), |first| format!("{}{}.", first.to_uppercase(), letters.as_str()))
}

impl Withheld {
    pub(super) fn new(reason: Reason, words: impl Into<String>) -> Self {
        Self { reason, words: words.into() }
    }
}

/// A figure, or why there is none.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "state", rename_all = "snake_case")]
pub enum Figure {
    /// It is printed.
    Printed(Printed),
    /// It is not.
    Withheld(Withheld),
}

impl Figure {
    /// The printed figure.
    #[must_use]
    pub fn printed(&self) -> Option<&Printed> {
        match self {
            Self::Printed(printed) => Some(printed),
            Self::Withheld(_) => None,
        }
    }

    /// Whether it comes to what was said `then`; between which amounts money lies, and how many steps wait, was
    /// not always kept.
    #[must_use]
    pub fn comes_to(&self, then: &Self) -> bool {
        match (self, then) {
            (Self::Printed(now), Self::Printed(then)) => {
                let between = now.between.filter(|_| then.between.is_some());
                Printed { between, open_exceptions: then.open_exceptions, ..*now } == *then
            }
            _ => self == then,
        }
    }
}

impl From<Result<Printed, Withheld>> for Figure {
    fn from(found: Result<Printed, Withheld>) -> Self {
        match found {
            Ok(printed) => Self::Printed(printed),
            Err(withheld) => Self::Withheld(withheld),
        }
    }
}

/// A line of the reckoning.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Which figure.
    pub name: Name,
    /// What it is called.
    pub label: String,
    /// The figure.
    #[serde(flatten)]
    pub figure: Figure,
    /// What a reader has to know beside it; empty when nothing.
    pub note: String,
    /// How the washes in it are known, of each site that is in it; empty where none are in it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub washes_by: Vec<WashesBy>,
}

impl Line {
    /// Whether it comes to what was said `then`, whatever is said beside the two.
    #[must_use]
    pub fn comes_to(&self, then: &Self) -> bool {
        self.name == then.name && self.figure.comes_to(&then.figure)
    }
}

/// Rounds to `places` decimals: what is stored does not change with the order of a sum.
#[must_use]
pub fn rounded(value: f64, places: i32) -> f64 {
    let scale = 10_f64.powi(places);
    // Adding zero turns a negative zero into zero.
    (value * scale).round() / scale + 0.0
}
