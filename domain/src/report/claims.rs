//! What a report states that can be added over months: volumes, counts, energy, money. Ratios can
//! not, and the residual is a check of the meters and no claim.
//!
//! Amounts are decimals to three places, as figures are stored, so that sums and differences of
//! them are exact.

use super::display::{self, Format};
use super::figure::{Name, Value};
use super::model::SavingsReport;
use crate::ids::SiteId;
use crate::money::{Currency, Money};
use rust_decimal::Decimal;
use rust_decimal::prelude::{FromPrimitive, ToPrimitive};
use serde::{Deserialize, Serialize};

/// Places to which volumes, counts and energy are stored.
const PLACES: u32 = 3;

/// An amount of one figure: litres, washes, kilowatt-hours, or money in a currency.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Claim {
    /// Which figure.
    pub name: Name,
    /// Of money, the currency.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub currency: Option<Currency>,
    /// How much.
    pub amount: Decimal,
}

impl Claim {
    /// The amount behind a value; none for what can't be added.
    #[must_use]
    pub fn of(name: Name, value: Value) -> Option<Self> {
        let counted = |number| Decimal::from_f64(number).unwrap_or_default().round_dp(PLACES);
        match (name, value) {
            (Name::Residual, _) => None,
            (_, Value::Litres(number) | Value::Count(number) | Value::Kwh(number)) => {
                Some(Self { name, currency: None, amount: counted(number) })
            }
            (_, Value::Money(money)) => Some(Self { name, currency: Some(money.currency), amount: money.amount }),
            (
                _,
                Value::Share(_)
                | Value::LitresPerWash(_)
                | Value::KwhPerM3(_)
                | Value::MoneyPerWash(_)
                | Value::MoneyPerM3(_)
                | Value::MoneyPerGunHour(_),
            ) => None,
        }
    }

    /// The same as a figure's value.
    #[must_use]
    pub fn value(&self) -> Value {
        let number = self.amount.to_f64().unwrap_or_default();
        match (self.name, self.currency) {
            (_, Some(currency)) => Value::Money(Money { amount: self.amount, currency }),
            (Name::Washes, None) => Value::Count(number),
            (Name::Energy, None) => Value::Kwh(number),
            (_, None) => Value::Litres(number),
        }
    }

    /// The amount as a difference, with its sign and unit: volumes to the litre or gallon, money to
    /// its minor unit.
    #[must_use]
    pub fn signed(&self, format: impl Into<Format>) -> String {
        /// More digits than any amount has: the places alone limit what is shown.
        const ALL: i32 = 15;
        let format = format.into();
        let text = match self.value() {
            Value::Money(money) => display::money(money, format),
            Value::Count(count) => display::number(count, ALL, 0, format),
            Value::Kwh(kwh) => format!("{}\u{a0}kWh", display::number(kwh, ALL, 1, format)),
            _ => display::volume(self.amount.to_f64().unwrap_or_default(), format, ALL),
        };
        if self.amount.is_sign_negative() { text } else { format!("+{text}") }
    }

    fn same(&self, other: &Self) -> bool {
        self.name == other.name && self.currency == other.currency
    }
}

/// Money saved at one site in a month.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SiteClaim {
    /// The site.
    pub site_id: SiteId,
    /// How much; of a difference, how much more.
    pub money: Money,
    /// Expanded uncertainty of what the month comes to with it.
    pub expanded: f64,
}

/// Money saved in a month site by site: the parts of its claim, each site once, none of them zero.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SiteClaims(Vec<SiteClaim>);

impl SiteClaims {
    /// What a report states of its own month.
    #[must_use]
    pub fn of(report: &SavingsReport) -> Self {
        let saved = report.savings.iter().filter_map(|site| Some((site.site_id, site.saved.as_ref()?.saved)));
        Self::joined(saved.map(|(site_id, saved)| SiteClaim {
            site_id,
            money: saved.least,
            expanded: super::money::half_between(saved.low, saved.high),
        }))
    }

    /// The parts, in the order in which the report has them.
    #[must_use]
    pub fn all(&self) -> &[SiteClaim] {
        &self.0
    }

    /// Both together, as unsure as the second.
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        Self::joined(self.0.iter().chain(&other.0).copied())
    }

    /// The first less the second, as unsure as the first.
    #[must_use]
    pub fn less(&self, other: &Self) -> Self {
        let negative =
            other.0.iter().map(|one| SiteClaim { money: Money { amount: -one.money.amount, ..one.money }, ..*one });
        Self::joined(negative.chain(self.0.iter().copied()))
    }

    fn joined(claims: impl Iterator<Item = SiteClaim>) -> Self {
        let mut sums: Vec<SiteClaim> = Vec::new();
        for new in claims {
            let same = |sum: &&mut SiteClaim| sum.site_id == new.site_id && sum.money.currency == new.money.currency;
            match sums.iter_mut().find(same) {
                Some(sum) => (sum.money.amount, sum.expanded) = (sum.money.amount + new.money.amount, new.expanded),
                None => sums.push(new),
            }
        }
        sums.retain(|sum| !sum.money.amount.is_zero());
        Self(sums)
    }
}

impl FromIterator<SiteClaim> for SiteClaims {
    fn from_iter<I: IntoIterator<Item = SiteClaim>>(claims: I) -> Self {
        Self::joined(claims.into_iter())
    }
}

/// Amounts of figures, each once, none of them zero.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Claims(Vec<Claim>);

impl Claims {
    /// What a report states of its own month. A figure that is not printed claims nothing.
    #[must_use]
    pub fn of(report: &SavingsReport) -> Self {
        let printed = report.reckoning.iter().filter_map(|line| Claim::of(line.name, line.figure.printed()?.value));
        printed.collect()
    }

    /// The amounts, in the order of the reckoning.
    #[must_use]
    pub fn all(&self) -> &[Claim] {
        &self.0
    }

    /// Whether nothing is claimed.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The amounts of one figure.
    #[must_use]
    pub fn only(&self, name: Name) -> Self {
        self.0.iter().copied().filter(|claim| claim.name == name).collect()
    }

    /// Both together.
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        self.0.iter().chain(&other.0).copied().collect()
    }

    /// The first less the second.
    #[must_use]
    pub fn less(&self, other: &Self) -> Self {
        let negative = other.0.iter().map(|claim| Claim { amount: -claim.amount, ..*claim });
        self.0.iter().copied().chain(negative).collect()
    }

    /// These, with the amounts of one figure as `other` has them.
    #[must_use]
    pub fn with(&self, name: Name, other: &Self) -> Self {
        let rest = self.0.iter().copied().filter(|claim| claim.name != name);
        rest.chain(other.only(name).0).collect()
    }
}

impl FromIterator<Claim> for Claims {
    fn from_iter<I: IntoIterator<Item = Claim>>(claims: I) -> Self {
        let mut sums: Vec<Claim> = Vec::new();
        for claim in claims {
            match sums.iter_mut().find(|sum| sum.same(&claim)) {
                Some(sum) => sum.amount += claim.amount,
                None => sums.push(claim),
            }
        }
        sums.retain(|sum| !sum.amount.is_zero());
        sums.iter_mut().for_each(|sum| sum.amount = sum.amount.normalize());
        sums.sort_by(|a, b| (a.name, a.currency.map(String::from)).cmp(&(b.name, b.currency.map(String::from))));
        Self(sums)
    }
}
