//! A difference to an earlier month, carried in a later report under its own name.

use super::claims::{Claim, Claims, SiteClaim, SiteClaims};
use super::display;
use super::figure::{Figure, Name, Value};
use super::model::SavingsReport;
use crate::customer::UnitSystem;
use crate::named::named;
use crate::zone::Month;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

named! {
    /// Why a month comes to something else than was issued.
    Cause as "cause" {
        /// It was not printed for want of readings, and is caught up.
        CaughtUp = "caught_up",
        /// Readings came that cover more of it, or lie closer together.
        LateReading = "late_reading",
        /// A billing cycle that was taken on when it was issued is known further.
        CycleWentOn = "cycle_went_on",
        /// Readings or records were corrected.
        Corrected = "corrected",
        /// The month was revised after a later report had carried a difference to it.
        Revised = "revised",
    }
}

impl Cause {
    /// Why an issued report comes to something else now: readings cover more of the month or lie
    /// closer together, or its water is the same and a billing cycle was taken on, or else something
    /// was corrected.
    #[must_use]
    pub fn of(then: &SavingsReport, now: &SavingsReport) -> Self {
        let read = |of: &SavingsReport| {
            let fresh = of.figure(Name::FreshUsed).and_then(Figure::printed);
            fresh.map_or((0.0, -1.0), |fresh| (fresh.coverage, -fresh.estimated_share))
        };
        let (before, after) = (read(then), read(now));
        let water = |of: &SavingsReport| of.savings.iter().map(|site| site.avoided.clone()).collect::<Vec<_>>();
        let taken_on = then.savings.iter().filter_map(|site| site.saved.as_ref()).any(|saved| saved.estimated);
        if after.0 > before.0 || after.1 > before.1 {
            Self::LateReading
        } else if taken_on && water(then) == water(now) {
            Self::CycleWentOn
        } else {
            Self::Corrected
        }
    }

    fn words(self) -> &'static str {
        match self {
            Self::CaughtUp => "caught up, because its report was issued before it was read",
            Self::LateReading => "after a late reading",
            Self::CycleWentOn => "after more of its billing cycle was read",
            Self::Corrected => "after a correction",
            Self::Revised => "after its report was revised",
        }
    }
}

/// What a report carries for an earlier month.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Adjustment {
    /// The earlier month.
    pub month: Month,
    /// Which figure.
    pub name: Name,
    /// How much is added, in the unit of the figure; negative when too much was stated.
    #[serde(flatten)]
    pub value: Value,
    /// Why.
    pub cause: Cause,
    /// Of money saved, the parts of the sites; they add up to it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sites: Vec<SiteClaim>,
    /// The line in words.
    pub words: String,
}

impl Adjustment {
    /// The line of an amount that a month is owed.
    #[must_use]
    pub fn of(month: Month, claim: &Claim, cause: Cause, system: UnitSystem) -> Self {
        let (amount, label) = (claim.signed(system), claim.name.label().to_lowercase());
        let words = format!("{}: {amount} {label}, {}.", display::month(month), cause.words());
        Self { month, name: claim.name, value: claim.value(), cause, sites: Vec::new(), words }
    }

    /// The same with the parts of the sites, where they add up to it.
    #[must_use]
    pub(super) fn at_sites(mut self, sites: &SiteClaims) -> Self {
        if let (Name::MoneySaved, Value::Money(money)) = (self.name, self.value) {
            let own: Vec<SiteClaim> =
                sites.all().iter().filter(|one| one.money.currency == money.currency).copied().collect();
            if own.iter().map(|one| one.money.amount).sum::<Decimal>() == money.amount {
                self.sites = own;
            }
        }
        self
    }
}

impl SavingsReport {
    /// The months for which this report carries something, and how much.
    #[must_use]
    pub fn carried(&self) -> Vec<(Month, Claims, SiteClaims)> {
        let of_month = |lines: &[Adjustment]| {
            let month = lines.first()?.month;
            let claims = lines.iter().filter_map(|line| Claim::of(line.name, line.value)).collect();
            Some((month, claims, lines.iter().flat_map(|line| line.sites.iter().copied()).collect()))
        };
        self.adjustments.chunk_by(|a, b| a.month == b.month).filter_map(of_month).collect()
    }
}
