//! Money saved at a site in a month: on each billing cycle that touches the month
//!
//! ```text
//! saved = bill(other use + baseline) - bill(other use + fresh water used)
//! ```
//!
//! of the whole cycle, line by line, and of that the month's part: by the water avoided in it, or by
//! days where the water avoided has both signs within the cycle. The running sum over the months is
//! rounded, so that their parts come to what the cycle saves. Days on which nothing stood at the
//! site, and those before its first readings, have neither baseline nor use. A cycle that is not
//! known to its end is taken on as it was so far, and is counted again when more is known; so is
//! what its issued months state. Where other use is unknown the figure is a range. The uncertainty of the water avoided is carried through the bill: the saving is
//! computed again at the water avoided less and plus its expanded uncertainty, because blocks,
//! caps and minimum bills make it no straight line.

use crate::baseline::avoided::Missing;
use crate::money::{Currency, Money};
use crate::named::named;
use crate::tariff::saving::{SavedLine, SavingAt, SavingRange};
use crate::tariff::{BillError, Cycle, CyclePrices, OtherUse, Tariff, WaterAccount, WaterUse};
use crate::uncertainty::expanded::Expanded;
use crate::uncertainty::quantity::{Quantity, in_short};
use crate::units::Litres;
use crate::zone::Month;
use chrono::NaiveDate;
use rust_decimal::prelude::FromPrimitive;
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};

/// What a site would have used and did use in some days, in litres.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Uses {
    /// By the agreed baseline.
    pub baseline_l: Quantity,
    /// Fresh water used.
    pub fresh_used_l: Quantity,
    /// What passed the meter to the sewer; `None` where none measures it.
    pub discharge: Option<Discharge>,
}

/// Water through the meter to the sewer, in litres, where sewer is billed by that.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Discharge {
    /// With the use of the baseline: what was avoided would have passed the meter too, because as much
    /// would have evaporated and been carried off, and never less than nothing.
    pub with_baseline_l: f64,
    /// As it was counted.
    pub counted_l: f64,
}

impl Discharge {
    /// What was counted, beside uses that differ by so much.
    #[must_use]
    pub fn of(counted_l: f64, avoided_l: f64) -> Self {
        Self { with_baseline_l: (counted_l + avoided_l).max(0.0), counted_l }
    }

    fn plus(self, other: Self) -> Self {
        Self {
            with_baseline_l: self.with_baseline_l + other.with_baseline_l,
            counted_l: self.counted_l + other.counted_l,
        }
    }

    fn scaled(self, factor: f64) -> Self {
        Self { with_baseline_l: self.with_baseline_l * factor, counted_l: self.counted_l * factor }
    }
}

/// Some days of a cycle that lie in one month, with what was used in them.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// The days.
    pub days: Cycle,
    /// What was used, or what of it is not known.
    pub uses: Result<Uses, Missing>,
}

/// A billing cycle that touches the month, whole. Days that neither `parts` nor `open` name are
/// days on which nothing was there to save with.
#[derive(Debug, Clone, PartialEq)]
pub struct BilledCycle<'a> {
    /// The account.
    pub account: &'a WaterAccount,
    /// Its tariff, all versions.
    pub tariff: &'a Tariff,
    /// The cycle.
    pub cycle: Cycle,
    /// The days at its end that are not known yet: it is taken on over them.
    pub open: Option<Cycle>,
    /// What the site used in an average month of the winter before, where sewer is billed by that.
    /// It has been, so it is the same in both bills.
    pub winter_l_per_month: Option<Litres>,
    /// Its days with their water, in order, cut at the ends of months.
    pub parts: Vec<Part>,
}

/// Why no money saved is printed, and what would change that.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, thiserror::Error)]
#[serde(tag = "reason", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Withheld {
    /// No account is charged for the site's water on some days.
    #[error("no water account is charged for the site's water from {from} until {to}: add it, with charged_from")]
    NoAccount {
        /// The first such day.
        from: NaiveDate,
        /// The day after the last.
        to: NaiveDate,
    },
    /// The tariff does not hold for the whole cycle.
    #[error("the water account has no tariff from {from} until {to}: add a version that holds then")]
    NoTariff {
        /// The first day without prices.
        from: NaiveDate,
        /// The day after the last.
        to: NaiveDate,
    },
    /// The baseline says nothing about a part of the cycle.
    #[error("{words}")]
    Baseline {
        /// Which gap, as a stable code.
        code: String,
        /// The gap, and what would close it.
        words: String,
    },
    /// Fresh water used is not known in a part of the cycle.
    #[error("{words}")]
    FreshUsed {
        /// Why, as a stable code.
        code: String,
        /// Why, and what would change that.
        words: String,
    },
    /// There is no bill for these uses.
    #[error("the bill can't be computed: {words}")]
    Bill {
        /// Why, and the fix.
        words: String,
    },
    /// The accounts of the month are billed in different currencies.
    #[error("the accounts of the month are billed in different currencies, which are not added")]
    OtherCurrency,
}

impl Withheld {
    /// A stable code for answers.
    #[must_use]
    pub fn code(&self) -> &str {
        match self {
            Self::NoAccount { .. } => "no_account",
            Self::NoTariff { .. } => "no_tariff",
            Self::Baseline { code, .. } | Self::FreshUsed { code, .. } => code,
            Self::Bill { .. } => "no_bill",
            Self::OtherCurrency => "other_currency",
        }
    }
}

impl Withheld {
    /// The same of days of the billing cycle that lie in another month.
    fn in_another_month(self, Cycle { from, to }: Cycle) -> Self {
        let of = |words: String| format!("{words} (from {from} until {to}, days of the same billing cycle)");
        match self {
            Self::Baseline { code, words } => Self::Baseline { code, words: of(words) },
            Self::FreshUsed { code, words } => Self::FreshUsed { code, words: of(words) },
            other => other,
        }
    }
}

impl From<Missing> for Withheld {
    fn from(missing: Missing) -> Self {
        let (code, words) = (missing.code().to_owned(), missing.to_string());
        match missing {
            Missing::FreshUsed(_) => Self::FreshUsed { code, words },
            _ => Self::Baseline { code, words },
        }
    }
}

impl From<BillError> for Withheld {
    fn from(error: BillError) -> Self {
        match error {
            BillError::NoPrices { from, to } => Self::NoTariff { from, to },
            other => Self::Bill { words: other.to_string() },
        }
    }
}

named! {
    /// What is known of the other use of an account.
    OtherKnown as "other_use" {
        /// How much it is.
        Known = "known",
        /// Between which bounds it lies.
        Bounded = "bounded",
        /// Nothing.
        Unknown = "unknown",
    }
}

impl OtherKnown {
    fn of(other: Option<OtherUse>) -> Self {
        match other {
            None => Self::Unknown,
            Some(OtherUse { least_l_per_month, most_l_per_month }) if most_l_per_month == Some(least_l_per_month) => {
                Self::Known
            }
            Some(_) => Self::Bounded,
        }
    }
}

named! {
    /// How a month's part of a cycle is found.
    SharedBy as "shared_by" {
        /// By the water avoided.
        Volume = "volume",
        /// By days.
        Days = "days",
    }
}

/// Money saved, with its bounds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Bounds {
    /// At least so much, whatever the other use; the same as `most` where that is known.
    pub least: Money,
    /// At most so much.
    pub most: Money,
    /// The least, at the water avoided less its expanded uncertainty.
    pub low: Money,
    /// The most, at the water avoided plus its expanded uncertainty.
    pub high: Money,
}

/// Money saved at a site in a month.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MoneySaved {
    /// The month.
    pub month: Month,
    /// How much; negative when more was paid than without the unit.
    pub saved: Bounds,
    /// Whether a cycle goes on, and its use is taken on as it was so far.
    pub estimated: bool,
    /// The cycles that touch the month.
    pub cycles: Vec<CycleSaving>,
}

/// What a site saved in one cycle, and the month's part of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CycleSaving {
    /// The account's name.
    pub account: String,
    /// The cycle.
    pub cycle: Cycle,
    /// Whether its use is taken on to its end as it was so far.
    pub estimated: bool,
    /// What is known of other use.
    pub other_use: OtherKnown,
    /// What would have been used in the cycle, in litres.
    pub baseline_l: Expanded,
    /// What was used, in litres.
    pub fresh_used_l: Expanded,
    /// Water avoided, in litres.
    pub avoided_l: Expanded,
    /// Water through the meter to the sewer; null where none measures it.
    #[serde(default)]
    pub discharge: Option<Discharge>,
    /// Saved in the whole cycle.
    pub whole: Bounds,
    /// Saved in the month.
    pub in_month: Bounds,
    /// How the month's part was found.
    pub shared_by: SharedBy,
    /// The month's part of the cycle, 0 to 1.
    pub share: f64,
    /// Line by line, where the least is saved.
    pub least: Case,
    /// Line by line, where the most is saved; the same where other use is known.
    pub most: Case,
    /// Behind `low` and `high` of `whole`; null where they were not kept.
    #[serde(default)]
    pub ends: Option<[End; 2]>,
    /// What is known to be off in one direction in the water avoided, and so in the money, in short.
    #[serde(default)]
    pub one_sided: Vec<String>,
}

/// What a cycle saves at an end of the interval of the water avoided: other use and the baseline that the bills
/// there are of.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct End {
    /// By how much the baseline is moved, in litres.
    pub moved_l: f64,
    /// Other use in the cycle.
    pub other_l: Litres,
}

/// The two bills of a cycle with so much other use.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Case {
    /// Other use in the cycle.
    pub other_l: Litres,
    /// The lines of both bills, in their order.
    pub lines: Vec<CaseLine>,
}

impl Case {
    /// The bill of the baseline and the actual one.
    #[must_use]
    pub fn sums(&self) -> [Decimal; 2] {
        let sum = |of: fn(&CaseLine) -> Decimal| self.lines.iter().map(of).sum();
        [sum(|line| line.line.with_baseline), sum(|line| line.line.with_actual)]
    }
}

/// A line of both bills, with the month's part of what it saves.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CaseLine {
    /// The line in the whole cycle.
    #[serde(flatten)]
    pub line: SavedLine,
    /// Of `saved`, what falls in the month.
    pub in_month: Decimal,
}

/// Money saved in `month` by the cycles that touch it. Over the months that a cycle touches, its
/// parts add up to what it saves.
///
/// # Errors
/// Why there is no figure.
pub fn money_saved(month: Month, cycles: &[BilledCycle<'_>]) -> Result<MoneySaved, Withheld> {
    let found: Vec<CycleSaving> = cycles.iter().map(|cycle| cycle.saving(month)).collect::<Result<_, _>>()?;
    let none = Withheld::NoAccount { from: month.first_day(), to: month.next().first_day() };
    let saved = found.iter().map(|cycle| Ok(cycle.in_month)).reduce(|sum, next| sum?.plus(next?)).ok_or(none)??;
    Ok(MoneySaved { month, saved, estimated: found.iter().any(|cycle| cycle.estimated), cycles: found })
}

impl Bounds {
    fn each(self, other: Self, join: impl Fn(Money, Money) -> Money) -> Self {
        Self {
            least: join(self.least, other.least),
            most: join(self.most, other.most),
            low: join(self.low, other.low),
            high: join(self.high, other.high),
        }
    }

    /// The sum of two cycles.
    ///
    /// # Errors
    /// [`Withheld::OtherCurrency`].
    pub fn plus(self, other: Self) -> Result<Self, Withheld> {
        if self.least.currency != other.least.currency {
            return Err(Withheld::OtherCurrency);
        }
        Ok(self.each(other, |a, b| Money { amount: a.amount + b.amount, ..a }))
    }
}

impl Uses {
    fn avoided(&self) -> Quantity {
        self.baseline_l.clone() - self.fresh_used_l.clone()
    }

    fn add(&mut self, other: &Self) {
        self.baseline_l = std::mem::take(&mut self.baseline_l) + other.baseline_l.clone();
        self.fresh_used_l = std::mem::take(&mut self.fresh_used_l) + other.fresh_used_l.clone();
        self.discharge = self.discharge.zip(other.discharge).map(|(sum, next)| sum.plus(next));
    }

    fn scaled(self, factor: f64) -> Self {
        Self {
            baseline_l: self.baseline_l.scaled(factor),
            fresh_used_l: self.fresh_used_l.scaled(factor),
            discharge: self.discharge.map(|discharge| discharge.scaled(factor)),
        }
    }
}

/// The place of a month in a cycle: what of it has passed before the month and at its end.
#[derive(Debug, Clone, Copy)]
struct Share {
    by: SharedBy,
    before: f64,
    by_end: f64,
}

impl Share {
    /// The month's part of an amount. The running sum is rounded, so that months add up.
    fn of(self, amount: Decimal, currency: Currency) -> Decimal {
        let cut = |share: f64| {
            let part = amount * Decimal::from_f64(share).unwrap_or_default();
            part.round_dp_with_strategy(currency.minor_digits(), RoundingStrategy::MidpointAwayFromZero)
        };
        cut(self.by_end) - cut(self.before)
    }

    fn money(self, amount: Money) -> Money {
        Money { amount: self.of(amount.amount, amount.currency), ..amount }
    }
}

impl BilledCycle<'_> {
    fn saving(&self, month: Month) -> Result<CycleSaving, Withheld> {
        let prices = CyclePrices::new(self.account, self.tariff, self.cycle)?;
        let whole_uses = self.uses(month)?;
        let share = self.share(month);
        let avoided = whole_uses.avoided();
        let (avoided_l, one_sided) = (avoided.expanded(), in_short(&avoided.one_sided));
        let used = whole_uses.fresh_used_l.value;
        let discharge = whole_uses.discharge;
        let uses = |shift: f64| {
            let through = |discharge: Discharge| Litres((discharge.with_baseline_l + shift).max(0.0));
            let counted = |discharge: Discharge| Litres(discharge.counted_l);
            let baseline = self.use_of(whole_uses.baseline_l.value + shift, discharge.map(through));
            [baseline, self.use_of(used, discharge.map(counted))]
        };
        let range = |shift: f64| {
            let [baseline, actual] = uses(shift);
            prices.saving_range(self.account.other_use, &baseline, &actual)
        };
        // A baseline has no negative use, however unsure it is.
        let down = avoided_l.expanded.min(whole_uses.baseline_l.value);
        let SavingRange { least, most } = range(0.0)?;
        let (lowest, highest) = (range(-down)?.least, range(avoided_l.expanded)?.most);
        let (low, high) = (lowest.saving, highest.saving);
        let whole = Bounds { least: least.saving, most: most.saving, low, high };
        let end = |moved_l: f64, at: SavingAt| End { moved_l, other_l: at.other_l };
        let ends = Some([end(-down, lowest), end(avoided_l.expanded, highest)]);
        let case = |at: SavingAt| {
            let [baseline, actual] = uses(0.0);
            let saving = prices.saving(at.other_l, &baseline, &actual)?;
            let currency = saving.total.currency;
            let lines = saving.lines.into_iter();
            let lines = lines.map(|line| CaseLine { in_month: share.of(line.saved, currency), line });
            Ok::<_, BillError>(Case { other_l: at.other_l, lines: lines.collect() })
        };
        let (least, most) = (case(least)?, case(most)?);
        let of_lines = |case: &Case| case.lines.iter().map(|line| line.in_month).sum();
        let in_month = Bounds {
            least: Money { amount: of_lines(&least), ..whole.least },
            most: Money { amount: of_lines(&most), ..whole.most },
            low: share.money(low),
            high: share.money(high),
        };
        Ok(CycleSaving {
            account: self.account.name.clone(),
            cycle: self.cycle,
            estimated: self.goes_on().is_some(),
            other_use: OtherKnown::of(self.account.other_use),
            baseline_l: whole_uses.baseline_l.expanded(),
            fresh_used_l: whole_uses.fresh_used_l.expanded(),
            avoided_l,
            discharge,
            whole,
            in_month,
            shared_by: share.by,
            share: share.by_end - share.before,
            least,
            most,
            ends,
            one_sided,
        })
    }

    /// The use of the cycle as its bill takes it, other use left out.
    pub(crate) fn use_of(&self, litres: f64, discharge_l: Option<Litres>) -> WaterUse {
        WaterUse { water_l: Litres(litres), winter_l_per_month: self.winter_l_per_month, discharge_l }
    }

    /// By how much what is known so far is taken on over the days that are not known yet.
    pub(crate) fn goes_on(&self) -> Option<f64> {
        let known = self.parts.iter().map(|part| part.days.days()).sum::<i64>() as f64;
        let open = self.open?.days() as f64;
        (known > 0.0).then(|| (known + open) / known)
    }

    /// The parts of the cycle, 0 to 1, that have passed before a month and at its end.
    pub(crate) fn passed(&self, month: Month) -> (f64, f64) {
        let Share { before, by_end, .. } = self.share(month);
        (before, by_end)
    }

    fn uses(&self, month: Month) -> Result<Uses, Withheld> {
        let mut whole = Uses { discharge: Some(Discharge::default()), ..Uses::default() };
        for Part { days, uses } in &self.parts {
            let why = |missing: &Missing| {
                let why = Withheld::from(missing.clone());
                if Month::of(days.from) == month { why } else { why.in_another_month(*days) }
            };
            whole.add(uses.as_ref().map_err(why)?);
        }
        Ok(whole.scaled(self.goes_on().unwrap_or(1.0)))
    }

    fn share(&self, month: Month) -> Share {
        let of_part = |part: &Part| Some((part.days, part.uses.as_ref().ok()?.avoided().value));
        let avoided: Vec<(Cycle, f64)> = self.parts.iter().filter_map(of_part).collect();
        let by_sign = |sign: f64| avoided.iter().all(|(_, litres)| *litres * sign >= 0.0);
        let by_volume = self.passed_of(&avoided, month).filter(|_| by_sign(1.0) || by_sign(-1.0));
        if let Some((before, by_end)) = by_volume {
            return Share { by: SharedBy::Volume, before, by_end };
        }
        let days: Vec<(Cycle, f64)> = self.parts.iter().map(|part| (part.days, part.days.days() as f64)).collect();
        let (before, by_end) = self.passed_of(&days, month).unwrap_or_default();
        Share { by: SharedBy::Days, before, by_end }
    }

    /// Of what the parts come to, taken on, the parts before a month and by its end; `None` of nothing.
    fn passed_of(&self, parts: &[(Cycle, f64)], month: Month) -> Option<(f64, f64)> {
        let sum = |until: NaiveDate| parts.iter().filter(|(days, _)| days.to <= until).map(|(_, of)| of).sum::<f64>();
        let whole = sum(self.cycle.to) * self.goes_on().unwrap_or(1.0);
        (whole != 0.0).then(|| (sum(month.first_day()) / whole, sum(month.next().first_day()) / whole))
    }
}

#[cfg(test)]
mod tests;
