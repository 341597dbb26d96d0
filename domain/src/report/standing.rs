//! What becomes of an issued month: its report is frozen, and later data come to something else.
//!
//! ```text
//! owed = settled - claimed
//! ```
//!
//! `claimed` is what issued reports state of the month: its own, and what later ones carried for
//! it. `settled` is what it comes to by all that was decided. The next report carries what is
//! owed, and is then part of what is claimed: so each difference is carried once, and once every
//! proposal is decided the sum of issued figures and adjustments is the sum of the months as they
//! are computed now. A revision puts the month's own figures right, and what others carried for
//! it before is owed back.

use super::adjustment::{Adjustment, Cause};
use super::changes::changes;
use super::claims::{Claims, SiteClaims};
use super::figure::{Figure, Name, Reason};
use super::model::SavingsReport;
use super::rule::Tolerance;
use crate::customer::UnitSystem;
use crate::zone::Month;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Where an issued month stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Standing {
    /// What issued reports state of it.
    claimed: Claims,
    /// What it comes to by what was decided since.
    settled: Claims,
    /// What later figures are held against: as issued, or as a person declined to revise them.
    basis: Claims,
    /// Figures that were not printed for want of readings, and that no report has caught up.
    unread: Vec<Name>,
    /// Why figures were settled otherwise than they are claimed.
    causes: BTreeMap<Name, Cause>,
    /// The sites' parts of the money saved in `claimed` and in `settled`.
    #[serde(default)]
    claimed_at: SiteClaims,
    #[serde(default)]
    settled_at: SiteClaims,
}

/// What a recount came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Nothing waits for a person.
    Settled,
    /// A revision is proposed.
    Proposed,
}

impl Standing {
    /// That of a month on the day it is issued.
    #[must_use]
    pub fn issued(report: &SavingsReport) -> Self {
        let claims = Claims::of(report);
        Self {
            claimed: claims.clone(),
            settled: claims.clone(),
            basis: claims,
            unread: unread(report),
            causes: BTreeMap::new(),
            claimed_at: SiteClaims::of(report),
            settled_at: SiteClaims::of(report),
        }
    }

    /// Takes note of what the month comes to `now`, where `then` was issued. What was
    /// not printed for want of readings is caught up; other differences are settled while all of them are within the tolerance.
    /// A month that a person `disputed` waits for a person as long as it differs.
    pub fn recount(
        &mut self,
        then: &SavingsReport,
        now: &SavingsReport,
        tolerance: &Tolerance,
        disputed: bool,
    ) -> Verdict {
        if disputed && !changes(then, now).is_empty() {
            return Verdict::Proposed;
        }
        let comes_to = Claims::of(now);
        let (caught_up, others): (Vec<Name>, Vec<Name>) =
            Name::ALL.iter().copied().partition(|name| self.unread.contains(name));
        for name in caught_up {
            self.settle(name, (&comes_to, now), Cause::CaughtUp);
        }
        if !others.iter().all(|name| tolerance.allows(*name, &self.basis, &comes_to)) {
            return Verdict::Proposed;
        }
        for name in others {
            self.settle(name, (&comes_to, now), Cause::of(then, now));
        }
        Verdict::Settled
    }

    fn settle(&mut self, name: Name, (comes_to, now): (&Claims, &SavingsReport), cause: Cause) {
        if name == Name::MoneySaved {
            self.settled_at = SiteClaims::of(now);
        }
        if self.settled.only(name) != comes_to.only(name) {
            self.settled = self.settled.with(name, comes_to);
            self.causes.insert(name, cause);
        }
    }

    /// A person says that the difference is an error: nothing of it is carried until decided.
    pub fn dispute(&mut self) {
        self.settled = self.claimed.clone();
        self.settled_at = self.claimed_at.clone();
    }

    /// A person declines to revise `then`: what the month comes to `now` is carried.
    pub fn decline(&mut self, then: &SavingsReport, now: &SavingsReport) {
        let comes_to = Claims::of(now);
        for &name in Name::ALL {
            let cause = if self.unread.contains(&name) { Cause::CaughtUp } else { Cause::of(then, now) };
            self.settle(name, (&comes_to, now), cause);
        }
        self.basis = comes_to;
        self.unread.clear();
    }

    /// The month's own report states `now` in place of `then`.
    pub fn revise(&mut self, then: &SavingsReport, now: &SavingsReport) {
        let comes_to = Claims::of(now);
        self.claimed = self.claimed.less(&Claims::of(then)).plus(&comes_to);
        self.settled = comes_to.clone();
        self.claimed_at = self.claimed_at.less(&SiteClaims::of(then)).plus(&SiteClaims::of(now));
        self.settled_at = SiteClaims::of(now);
        self.basis = comes_to;
        self.unread = unread(now);
        self.causes = Name::ALL.iter().map(|name| (*name, Cause::Revised)).collect();
    }

    /// An issued report carries `amounts` for the month, money saved at these sites.
    pub fn carry(&mut self, amounts: &Claims, sites: &SiteClaims) {
        self.claimed = self.claimed.plus(amounts);
        self.claimed_at = self.claimed_at.plus(sites);
        for name in self.unread.clone() {
            if !amounts.only(name).is_empty() {
                self.unread.retain(|unread| *unread != name);
                self.basis = self.basis.with(name, &self.claimed);
            }
        }
    }

    /// What the next report has to carry.
    #[must_use]
    pub fn owed(&self) -> Claims {
        self.settled.less(&self.claimed)
    }

    /// The same as lines of that report.
    #[must_use]
    pub fn adjustments(&self, month: Month, system: UnitSystem) -> Vec<Adjustment> {
        let cause = |name: &Name| self.causes.get(name).copied().unwrap_or(Cause::Corrected);
        let owed = self.owed();
        let at = self.settled_at.less(&self.claimed_at);
        let lines = owed.all().iter().map(|claim| Adjustment::of(month, claim, cause(&claim.name), system));
        lines.map(|line| line.at_sites(&at)).collect()
    }
}

/// Figures that a report does not print for want of readings: it claims nothing that later ones
/// could differ from.
fn unread(report: &SavingsReport) -> Vec<Name> {
    let wants = |figure: &Figure| match figure {
        Figure::Withheld(withheld) => matches!(withheld.reason, Reason::NotRead | Reason::Gap),
        Figure::Printed(_) => false,
    };
    report.reckoning.iter().filter(|line| wants(&line.figure)).map(|line| line.name).collect()
}

#[cfg(test)]
mod tests;
