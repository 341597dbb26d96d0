//! A site's account with its supplier of water and sewer, and the water used in a cycle.

use super::bill::BillError;
use super::check::{at_most, number};
use crate::fault::Faults;
use crate::units::Litres;
use crate::zone::Month;
use chrono::{Datelike, Days, Months, NaiveDate};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// An account's record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WaterAccount {
    /// What the supplier or the dealer's people call it, 1 to 120 characters.
    pub name: String,
    /// The size of its meter, by the name that the tariff has for it.
    #[serde(default)]
    pub meter_size: Option<String>,
    /// Months of a billing cycle, 1 to 3.
    pub cycle_months: u8,
    /// Water used on it besides the unit's; `None` when nothing is known about that.
    #[serde(default)]
    pub other_use: Option<OtherUse>,
    /// What its sewage carries, in milligrams a litre by pollutant, as its supplier rates it.
    #[serde(default)]
    pub strengths_mg_per_l: BTreeMap<String, Decimal>,
}

/// Between which bounds other use lies; the same ones when it is known.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OtherUse {
    /// At least so much, in litres a month.
    pub least_l_per_month: Litres,
    /// At most so much, in litres a month; `None` for no bound.
    #[serde(default)]
    pub most_l_per_month: Option<Litres>,
}

impl OtherUse {
    /// Use that is known.
    #[must_use]
    pub fn known(l_per_month: Litres) -> Self {
        Self { least_l_per_month: l_per_month, most_l_per_month: Some(l_per_month) }
    }

    fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/least_l_per_month", self.least_l_per_month.0, 0.0, LITRES_MAX);
        if let Some(most) = self.most_l_per_month {
            faults.range("/most_l_per_month", most.0, 0.0, LITRES_MAX);
            if most < self.least_l_per_month {
                faults.add("/most_l_per_month", "below_least", "give a bound of least_l_per_month or more");
            }
        }
        faults.or(self)
    }
}

/// Most use of one cycle that is taken, in litres: a town's.
pub const LITRES_MAX: f64 = 1e12;

impl WaterAccount {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.name = faults.text("/name", &self.name, 120);
        self.meter_size = faults.optional_text("/meter_size", self.meter_size.as_deref(), 60);
        if !(1..=3).contains(&self.cycle_months) {
            faults.add("/cycle_months", "out_of_range", "give 1, 2 or 3 months");
        }
        if let Some(other) = self.other_use {
            faults.take("/other_use", other.checked());
        }
        at_most(&mut faults, "/strengths_mg_per_l", self.strengths_mg_per_l.len());
        for (pollutant, strength) in &self.strengths_mg_per_l {
            let key = pollutant.replace('~', "~0").replace('/', "~1");
            number(&mut faults, &format!("/strengths_mg_per_l/{key}"), *strength);
        }
        faults.or(self)
    }
}

/// A billing cycle: the local days from one reading of the supplier's meter to the next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cycle {
    /// Its first day.
    pub from: NaiveDate,
    /// The day after its last.
    pub to: NaiveDate,
}

/// Days by which a cycle may outlast its months: meter readers are late now and then
/// (common practice, no source).
const LATE_DAYS_MAX: u64 = 10;

impl Cycle {
    /// The days of it.
    #[must_use]
    pub fn days(self) -> i64 {
        (self.to - self.from).num_days()
    }

    /// The cycle, when it is one of `months` months.
    pub(super) fn of_months(self, months: u8) -> Result<Self, BillError> {
        if self.to <= self.from {
            return Err(BillError::EmptyCycle);
        }
        let due = self.from.checked_add_months(Months::new(u32::from(months)));
        let latest = due.and_then(|due| due.checked_add_days(Days::new(LATE_DAYS_MAX)));
        if latest.is_none_or(|latest| self.to > latest) {
            return Err(BillError::CycleTooLong { days: self.days(), months });
        }
        Ok(self)
    }
}

/// Water used in one cycle, by an account or a part of it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WaterUse {
    /// From the supplier.
    pub water_l: Litres,
    /// In an average month of the winter before, where sewer is billed by that.
    #[serde(default)]
    pub winter_l_per_month: Option<Litres>,
    /// Through the discharge meter of the account, where sewer is billed by that.
    #[serde(default)]
    pub discharge_l: Option<Litres>,
}

impl WaterUse {
    /// Water alone.
    #[must_use]
    pub fn of(water_l: Litres) -> Self {
        Self { water_l, ..Self::default() }
    }

    /// With `other` litres a cycle of `months` months more, used alike in all months. What
    /// a discharge meter counts stays: it counts other use too.
    #[must_use]
    pub(crate) fn with_other(self, other: Litres, months: u8) -> Self {
        let in_winter = Litres(other.0 / f64::from(months));
        Self {
            water_l: self.water_l + other,
            winter_l_per_month: self.winter_l_per_month.map(|winter| winter + in_winter),
            ..self
        }
    }
}

/// Average of the months that a sewer bill goes by, of the last winter that was over
/// `before` a day. `months` as in the tariff, `used` in any order.
///
/// # Errors
/// [`BillError::NoWinterMonth`] for a month whose use is not given.
pub fn winter_average(months: &[u8], used: &[(Month, Litres)], before: NaiveDate) -> Result<Litres, BillError> {
    let mut month = Month::of(before);
    let mut sum = Litres::ZERO;
    for name in months.iter().rev() {
        // Each lies within the twelve months before the one that follows it.
        month = std::iter::successors(Some(month.previous()), |month| Some(month.previous()))
            .take(12)
            .find(|month| month.first_day().month() == u32::from(*name))
            .ok_or(BillError::NoWinterAverage)?;
        sum += used.iter().find(|(of, _)| *of == month).ok_or(BillError::NoWinterMonth(month))?.1;
    }
    if months.is_empty() { Err(BillError::NoWinterAverage) } else { Ok(Litres(sum.0 / months.len() as f64)) }
}
