//! What less water saves: the difference of two bills of one account,
//!
//! ```text
//! saving = bill(other use + baseline) - bill(other use + actual)
//! ```
//!
//! line by line. A unit's water is the last that the account buys, so it is priced by the
//! blocks in which the account ends, never by an average price.

use super::account::{LITRES_MAX, OtherUse, WaterUse};
use super::bill::BillError;
use super::prices::{CyclePrices, Part, Rule};
use super::record::SewerVolume;
use crate::money::Money;
use crate::units::Litres;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// The difference of two bills.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Saving {
    /// Line by line, in the order of the bills.
    pub lines: Vec<SavedLine>,
    /// The sum of what the lines save; negative when the bill is the higher for it.
    pub total: Money,
}

/// One line of both bills.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SavedLine {
    /// Which charge.
    pub code: String,
    /// What it is called.
    pub words: String,
    /// The first day it is for.
    pub from: NaiveDate,
    /// Amount on the bill with the baseline.
    pub with_baseline: Decimal,
    /// Amount on the bill with the actual use.
    pub with_actual: Decimal,
    /// The first less the second.
    pub saved: Decimal,
}

/// The least and the most that is saved while other use is known by its bounds alone.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SavingRange {
    /// The least.
    pub least: SavingAt,
    /// The most.
    pub most: SavingAt,
}

/// What is saved with so much other use.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SavingAt {
    /// Other use of the cycle.
    pub other_l: Litres,
    /// The saving.
    pub saving: Money,
}

impl CyclePrices {
    /// What `actual` saves against `baseline`, both of the unit alone, on an account with
    /// `other` litres of other use in the cycle. Other use counts as alike in all months;
    /// the discharge of both uses is the whole account's.
    ///
    /// # Errors
    /// A [`BillError`] about one of the uses.
    pub fn saving(&self, other: Litres, baseline: &WaterUse, actual: &WaterUse) -> Result<Saving, BillError> {
        let before = self.charge(&baseline.with_other(other, self.months))?;
        let after = self.charge(&actual.with_other(other, self.months))?;
        let lines = self.rows.iter().zip(before.iter().zip(&after)).map(|(row, (before, after))| SavedLine {
            code: row.code.to_string(),
            words: row.words.to_string(),
            from: row.from,
            with_baseline: self.amount(before.amount),
            with_actual: self.amount(after.amount),
            saved: self.amount(before.amount) - self.amount(after.amount),
        });
        let lines: Vec<SavedLine> = lines.collect();
        let total = self.money(lines.iter().map(|line| line.saved).sum());
        Ok(Saving { lines, total })
    }

    /// The range of the saving over the bounds of other use; with `None`, over any other
    /// use at all.
    ///
    /// Before rounding, a bill is piecewise linear in other use, and so is the difference of
    /// two: its extremes lie at the bounds and at the corners, where one of the two bills
    /// enters another block, reaches its cap or leaves its minimum. Beyond the last corner
    /// it stays what it is there. Between corners the lines' rounding may add its cents.
    ///
    /// # Errors
    /// A [`BillError`] about one of the uses.
    pub fn saving_range(
        &self,
        other: Option<OtherUse>,
        baseline: &WaterUse,
        actual: &WaterUse,
    ) -> Result<SavingRange, BillError> {
        let months = f64::from(self.months);
        let other = other.unwrap_or_default();
        let least = other.least_l_per_month.0 * months;
        let sides = [baseline, actual];
        let mut places: Vec<f64> = sides.iter().flat_map(|side| self.corners(side)).collect();
        let beyond = places.iter().copied().fold(least, f64::max);
        let last = other.most_l_per_month.map_or(beyond, |most| most.0 * months);
        places.retain(|place| (least..=last).contains(place));
        places.extend([least, last]);
        places.sort_by(f64::total_cmp);
        if let Some(minimum) = self.minimum() {
            let open = other.most_l_per_month.is_none();
            let [first, second] = sides.map(|side| self.leaves_minimum(minimum, side, &places, open));
            places.extend(first?.into_iter().chain(second?));
        }
        let mut range: Option<SavingRange> = None;
        for place in places {
            let other_l = Litres(place);
            let cost = |side: &WaterUse| self.total(&side.with_other(other_l, self.months));
            let saving = self.money(cost(baseline)?.amount - cost(actual)?.amount);
            let here = SavingAt { other_l, saving };
            let range = range.get_or_insert(SavingRange { least: here, most: here });
            if saving.amount < range.least.saving.amount {
                range.least = here;
            }
            if saving.amount > range.most.saving.amount {
                range.most = here;
            }
        }
        // There are always the two bounds.
        range.ok_or(BillError::UseOutOfRange)
    }

    /// Other uses at which the bill of a side may turn, the minimum apart.
    fn corners(&self, side: &WaterUse) -> Vec<f64> {
        let months = f64::from(self.months);
        let winter = side.winter_l_per_month.map(|winter| winter.0 * months);
        let of_part = |part: &Part| {
            let by_winter = winter.filter(|_| matches!(part.sewer, Some(SewerVolume::WinterAverage { .. })));
            let uses = [Some(side.water_l.0), by_winter].into_iter().flatten();
            uses.flat_map(|used| part.corners.iter().map(move |corner| corner.0 - used)).collect::<Vec<_>>()
        };
        self.parts.iter().flat_map(of_part).collect()
    }

    fn minimum(&self) -> Option<u128> {
        self.rows.iter().find_map(|row| match row.rule {
            Rule::Minimum { least } => Some(least),
            _ => None,
        })
    }

    /// Other uses at which the bill of a side grows past the minimum, between two
    /// neighbouring places or, when `on`, after the last.
    fn leaves_minimum(&self, minimum: u128, side: &WaterUse, places: &[f64], on: bool) -> Result<Vec<f64>, BillError> {
        // A step beyond the last place shows the slope from there on.
        let step = Litres(1e6);
        let after = places.last().filter(|_| on).map(|last| last + step.0);
        let mut shortfalls = Vec::with_capacity(places.len() + 1);
        for place in places.iter().copied().chain(after) {
            let charged = self.charge(&side.with_other(Litres(place), self.months))?;
            // The minimum is the last row.
            let without: u128 = charged.iter().rev().skip(1).map(|charged| charged.amount).sum();
            shortfalls.push((place, minimum as f64 - without as f64));
        }
        let crossings = shortfalls.windows(2).enumerate().filter_map(|(n, pair)| {
            let [(from, short), (to, still)] = pair else { return None };
            let at = from + (to - from) * short / (short - still);
            let open = on && n + 1 == places.len();
            (*short > 0.0 && (*still < 0.0 || open) && (*from..LITRES_MAX / 2.0).contains(&at)).then_some(at)
        });
        Ok(crossings.collect())
    }
}
