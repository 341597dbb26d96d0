//! Whether recycling at a site pays, from the savings and costs that its reports say: what was
//! issued counts as it was issued.

use super::adjustment::Adjustment;
use super::claims::{SiteClaim, SiteClaims};
use super::figure::{Reason, Withheld, sentence};
use super::model::SavingsReport;
use super::money::SiteSaving;
use crate::accounts::investment::{Appraisal, Investment, NetSaved, appraisal};
use crate::accounts::site_cost::{NotKnown, SiteCost};
use crate::cost::ledger::CustomerKind;
use crate::ids::SiteId;
use crate::money::Money;
use crate::savings::Bounds;
use crate::zone::Month;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// How an investment at a site stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SitePayback {
    /// Payback, present value and what was promised, in the investment's currency; null when it is
    /// withheld.
    pub appraisal: Option<Appraisal>,
    /// Why it is withheld.
    pub withheld: Option<Withheld>,
    /// The months that it stands on.
    pub months: Vec<MonthNet>,
    /// Months since the investment that are not known: they count as if nothing had been saved.
    pub missing: Vec<MonthMissing>,
}

/// Net saving of a month.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MonthNet {
    /// The month.
    pub month: Month,
    /// Whether its report is issued; else it is live.
    pub issued: bool,
    /// What of the saving later issued reports carry for the month; null where they carry nothing.
    pub carried: Option<Money>,
    /// Water and sewer saved, the least of it where other use is not known.
    pub saved: Money,
    /// What the unit cost to run.
    pub running: Money,
    /// The first less the second.
    pub net: Money,
}

/// A month that is not known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MonthMissing {
    /// The month.
    pub month: Month,
    /// Why.
    #[serde(flatten)]
    pub why: Withheld,
}

/// What a month's report says that payback stands on, and whether it is issued.
pub type MonthSaid<'a> = (Month, bool, &'a Said);

/// What a report says that payback stands on.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Said {
    /// Money saved at each site.
    pub savings: Vec<SavingSaid>,
    /// What the units at each site cost to run.
    pub costs: Vec<CostSaid>,
    /// What it carries for earlier months.
    pub adjustments: Vec<Adjustment>,
}

/// Money saved at a site.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct SavingSaid {
    /// The site.
    pub site_id: SiteId,
    /// How much; null where it is not printed.
    pub saved: Option<Bounds>,
    /// Why a figure is not printed, a sentence each.
    pub withheld: Vec<String>,
}

/// What the units at a site cost to run.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct CostSaid {
    /// The site.
    pub site_id: SiteId,
    /// How much; null without any, or in different currencies.
    pub running: Option<Money>,
    /// What belongs to it and is not known.
    pub not_known: Vec<NotKnown>,
}

impl From<&SavingsReport> for Said {
    fn from(report: &SavingsReport) -> Self {
        let saving = |one: &SiteSaving| SavingSaid {
            site_id: one.site_id,
            saved: one.saved.as_ref().map(|saved| saved.saved),
            withheld: one.withheld.clone(),
        };
        let cost =
            |one: &SiteCost| CostSaid { site_id: one.site_id, running: one.running, not_known: one.not_known.clone() };
        Self {
            savings: report.savings.iter().map(saving).collect(),
            costs: report.costs.iter().map(cost).collect(),
            adjustments: report.adjustments.clone(),
        }
    }
}

impl SitePayback {
    /// How `investment` at `site` stands at the end of `last`, the last month that is over.
    #[must_use]
    pub fn of(investment: &Investment, site: SiteId, reports: &[MonthSaid<'_>], last: Month) -> Self {
        let mut found = Self { appraisal: None, withheld: None, months: Vec::new(), missing: Vec::new() };
        let mut saved = Vec::new();
        let first = Month::of(investment.day);
        for month in std::iter::successors(Some(first), |month| Some(month.next())).take_while(|month| *month <= last) {
            match net(investment, site, reports, month) {
                Ok((net, months)) => {
                    found.months.push(net);
                    saved.push(months);
                }
                Err(why) => found.missing.push(MonthMissing { month, why }),
            }
        }
        match appraisal(investment, &saved) {
            Ok(appraisal) => found.appraisal = Some(appraisal),
            Err(why) => {
                let none = || Withheld::new(Reason::NotRead, sentence(&why.to_string()));
                found.withheld = Some(found.missing.first().map_or_else(none, |missing| missing.why.clone()));
            }
        }
        found
    }
}

fn net(
    investment: &Investment,
    site: SiteId,
    reports: &[MonthSaid<'_>],
    month: Month,
) -> Result<(MonthNet, NetSaved), Withheld> {
    let not_made = || Withheld::new(Reason::NotRead, "No report was made of the month.");
    let (_, issued, report) = reports.iter().find(|(of, ..)| *of == month).ok_or_else(not_made)?;
    let saving = report.savings.iter().find(|saving| saving.site_id == site).ok_or_else(not_made)?;
    let (stated, carried) = (saving.saved, carried(reports, site, month));
    let Some((saved, expanded)) = with_carried(stated, carried) else {
        let words = saving.withheld.last().cloned().unwrap_or_default();
        return Err(Withheld::new(Reason::NoSaving, words));
    };
    let no_cost = || Withheld::new(Reason::NoCost, "What the unit cost to run is not known.");
    let cost = report.costs.iter().find(|cost| cost.site_id == site).ok_or_else(no_cost)?;
    let runs = |kind| !matches!(kind, CustomerKind::Water | CustomerKind::Sewer);
    if let Some(missing) = cost.not_known.iter().find(|missing| runs(missing.kind)) {
        return Err(Withheld::new(Reason::PartNotMeasured, missing.words.clone()));
    }
    let currency = investment.amount.currency;
    let running = cost.running.unwrap_or(Money { amount: Decimal::ZERO, currency });
    if saved.currency != currency || running.currency != currency {
        let words = "Saving or cost is in another currency than the investment, and currencies are not added.";
        return Err(Withheld::new(Reason::OtherCurrency, words));
    }
    let net = Money { amount: saved.amount - running.amount, currency }.in_minor_units();
    let of_month = MonthNet { month, issued: *issued, carried: carried.map(|one| one.money), saved, running, net };
    let from = month.first_day().max(investment.day);
    Ok((of_month, NetSaved { from, to: month.next().first_day(), saved, expanded, running }))
}

/// What issued reports of later months carry for the site's month, as unsure as the last of them says.
fn carried(reports: &[MonthSaid<'_>], site: SiteId, month: Month) -> Option<SiteClaim> {
    let issued = reports.iter().filter(|(of, issued, _)| *issued && *of > month);
    let lines = issued.flat_map(|(.., report)| &report.adjustments);
    let own = lines.filter(|line| line.month == month).flat_map(|line| &line.sites).filter(|one| one.site_id == site);
    let sum: SiteClaims = own.copied().collect();
    sum.all().first().copied()
}

/// The saving that reports state of a month with its expanded uncertainty: its own report's, the least
/// of it where other use is not known, and what later ones carry. `None` where neither says anything,
/// or in different currencies.
fn with_carried(stated: Option<Bounds>, carried: Option<SiteClaim>) -> Option<(Money, f64)> {
    match (stated, carried) {
        (None, None) => None,
        (Some(own), None) => Some((own.least, super::money::half_between(own.low, own.high))),
        (None, Some(later)) => Some((later.money, later.expanded)),
        (Some(own), Some(later)) => {
            let amount = own.least.amount + later.money.amount;
            let same = own.least.currency == later.money.currency;
            same.then_some((Money { amount, ..own.least }, later.expanded))
        }
    }
}
