//! What washing cost, and for each wash: at the sites of which all that belongs to the cost is
//! known. Never for a guessed wash: where nobody counts them, for each cubic metre to the washers, or
//! for each hour of the guns.

use super::figure::{Printed, Reason, Value, Withheld, rounded};
use super::money::Found;
use super::reckon::{Case, Tally, covered_share, whole_share};
use crate::accounts::site_cost::{CostBasis, SiteCost};
use crate::cost::each::{Done, Each, NoneEach};
use crate::cost::ledger::{CustomersCost, Price};
use crate::cost::washes::{Washes, WashesBy};
use crate::ids::SiteId;
use crate::metering::stream::Stream;
use crate::money::Money;
use crate::uncertainty::quantity::Quantity;
use crate::units::Litres;
use crate::water::grade;
use rust_decimal::prelude::ToPrimitive;

/// Least share of whole days for a cost of all days to be divided by what was done in them: our own
/// choice.
const LEAST_COUNTED: f64 = 0.98;

/// Subjects with the sum of their sites' costs and its expanded uncertainty.
type Costed<'t, 'a> = (Vec<&'t Tally<'a>>, Money, f64);

impl<'a> Case<'a> {
    pub(crate) fn site_costs(&self) -> Vec<SiteCost> {
        self.found.iter().filter_map(|found| found.cost.clone()).collect()
    }

    /// The washes of each site, in the month and on its whole days.
    pub(crate) fn site_washes(&self) -> impl Iterator<Item = (SiteId, Washes, Washes)> {
        self.found.iter().map(|found| (found.site.site_id, found.site.washes.clone(), found.whole_washes.clone()))
    }

    pub(super) fn cost(&self) -> Result<Printed, Withheld> {
        let (members, total, expanded) = self.costed(|_| true)?;
        Ok(self.printed(Value::Money(total), Some(rounded(expanded, 4)), &members, covered_share(&members)))
    }

    /// The sites of which the whole cost is known and for which `counts` holds, with its sum and
    /// expanded uncertainty.
    pub(super) fn costed(&self, counts: impl Fn(&Tally<'a>) -> bool) -> Result<Costed<'_, 'a>, Withheld> {
        let none = self.found.iter().find_map(|found| whole_cost(found).err());
        let none = none.unwrap_or_else(|| no_cost("Nothing stood at the sites."));
        let mut members = self.sites(|found| whole_cost(found).is_ok(), &none)?;
        members.retain(|tally| counts(tally));
        let here = |found: &&Found| members.iter().any(|tally| tally.subject.site_id == found.site.site_id.0);
        let sum = self.found.iter().filter(here).filter_map(|found| whole_cost(found).ok()).map(Some);
        let sum = sum.reduce(|a, b| {
            let ((a, a_expanded), (b, b_expanded)) = (a?, b?);
            let same = a.currency == b.currency;
            same.then(|| (Money { amount: a.amount + b.amount, ..a }, a_expanded.hypot(b_expanded)))
        });
        match sum {
            None => Err(none),
            Some(None) => {
                let words = "The sites' costs are in different currencies, which are not added.";
                Err(Withheld::new(Reason::OtherCurrency, words))
            }
            Some(Some((total, expanded))) => Ok((members, total, expanded)),
        }
    }

    /// What the cost is divided by, and the same of the sites at which all of that is known: washes
    /// where some site counts them, else water, else hours of the guns.
    pub(super) fn costed_each(&self) -> Result<(Each, Costed<'_, 'a>), Withheld> {
        let known = |each: &&Each| self.tallies.iter().any(|tally| self.knows(**each, tally));
        match Each::ALL.iter().find(known) {
            Some(each) => Ok((*each, self.costed(|tally| self.knows(*each, tally))?)),
            None => Ok((Each::Wash, self.costed(|_| true)?)),
        }
    }

    /// Whether all that was done at a subject's site is known: a site's cost is not for the washes or
    /// the water of some of its units.
    fn knows(&self, each: Each, tally: &Tally<'a>) -> bool {
        match each {
            Each::Wash => self.found_at(tally).is_some_and(|found| found.site.washes.count().is_some()),
            Each::CubicMetre => self.at_whole_site(tally, |one| one.has(Stream::Wash) || one.derives_wash()),
            Each::GunHour => self.at_whole_site(tally, |one| one.subject.statement.gun_h.is_some()),
        }
    }

    /// Whether something holds for the site's own meters, or for all that measures at its units.
    pub(super) fn at_whole_site(&self, tally: &Tally<'a>, holds: impl Fn(&Tally<'a>) -> bool) -> bool {
        let here = || {
            let site = tally.subject.site_id;
            self.tallies.iter().filter(move |other| other.subject.site_id == site && other.subject.measures())
        };
        let of_site = here().any(|other| other.subject.unit.is_none() && holds(other));
        let mut units = here().filter(|other| other.subject.unit.is_some()).peekable();
        of_site || (units.peek().is_some() && units.all(holds))
    }

    /// What is known of the site of a subject.
    pub(super) fn found_at(&self, tally: &Tally<'a>) -> Option<&Found> {
        self.found.iter().find(|found| found.site.site_id.0 == tally.subject.site_id)
    }

    /// The washes at the sites of these subjects, each site once.
    pub(super) fn washes_at(&self, members: &[&Tally<'a>], of: impl Fn(&Found) -> &Washes) -> Quantity {
        let here = |found: &&Found| members.iter().any(|tally| tally.subject.site_id == found.site.site_id.0);
        self.found.iter().filter(here).filter_map(|found| of(found).quantity()).sum()
    }

    /// The cost of a wash with the errors of their count, in major units; `None` where it is for
    /// something else.
    pub(super) fn cost_per_wash(&self) -> Option<Quantity> {
        let (each, (members, total, _)) = self.costed_each().ok()?;
        let washes = (each == Each::Wash).then(|| self.washes_at(&members, |found| &found.site.washes))?;
        Quantity::exact(total.amount.to_f64()?).over(washes)
    }

    pub(super) fn cost_each(&self) -> Result<Printed, Withheld> {
        let (each, (members, total, expanded)) = self.costed_each()?;
        // Tallies and sessions are known of every day.
        let of_all = |tally: &&Tally<'a>| {
            let by = self.found_at(tally).and_then(|found| found.site.washes.by());
            each == Each::Wash && by.is_some_and(|by| by != WashesBy::Counter)
        };
        let known = if members.iter().all(of_all) { 1.0 } else { whole_share(&members) };
        if known < LEAST_COUNTED {
            let words = format!(
                "What was washed is known for {:.0} % of the days, and the cost is of all; it takes {:.0} %.",
                (known * 100.0).floor(),
                LEAST_COUNTED * 100.0
            );
            return Err(Withheld::new(Reason::Gap, words));
        }
        let knows = |of: Each| members.iter().any(|tally| self.knows(of, tally));
        let to_washers: Quantity = members.iter().map(|tally| tally.own.whole.to_washers()).sum();
        let gun_h: Quantity = members.iter().filter_map(|tally| tally.subject.statement.gun_h.clone()).sum();
        let washes = self.washes_at(&members, |found| &found.site.washes);
        let done = Done {
            washes: knows(Each::Wash).then_some(washes.value),
            to_washers: knows(Each::CubicMetre).then_some(Litres(to_washers.value)),
            gun_hours: knows(Each::GunHour).then_some(gun_h.value),
        };
        let each = done.cost_each(Price::<CustomersCost>::new(total)).map_err(none_each)?;
        let u_share = match each.each {
            Each::Wash => washes.relative_u().unwrap_or(0.0),
            Each::CubicMetre => to_washers.relative_u().unwrap_or(0.0),
            Each::GunHour => gun_h.relative_u().unwrap_or(0.0),
        };
        let cost = each.cost.money();
        let number = |money: Money| money.amount.to_f64().unwrap_or(0.0);
        let of_total = expanded / number(total).abs().max(f64::MIN_POSITIVE);
        let expanded = number(cost).abs() * of_total.hypot(2.0 * u_share);
        let value = match each.each {
            Each::Wash => Value::MoneyPerWash(cost),
            Each::CubicMetre => Value::MoneyPerM3(cost),
            Each::GunHour => Value::MoneyPerGunHour(cost),
        };
        Ok(self.printed(value, Some(rounded(expanded, 6)), &members, known))
    }

    /// The subjects of the sites where washes are counted.
    pub(super) fn counted(&self) -> Result<Vec<&Tally<'a>>, Withheld> {
        let mut counters = self.tallies.iter().filter(|tally| tally.has(Stream::WashCount)).peekable();
        let none = if counters.peek().is_none() {
            Withheld::new(Reason::MetersDoNotSupport, "Nobody counts the washes: count or type them in.")
        } else if counters.all(|tally| tally.all.get(Stream::WashCount).is_none()) {
            grade::Withheld::NotRead.into()
        } else {
            let words = "Washes are counted at some units of a site alone: count them at each, or type in the site's.";
            Withheld::new(Reason::MetersDoNotSupport, words)
        };
        self.sites(|found| found.site.washes.count().is_some(), &none)
    }

    pub(super) fn washes(&self) -> Result<Printed, Withheld> {
        let members = self.counted()?;
        let count = self.washes_at(&members, |found| &found.site.washes);
        let by = |tally: &Tally<'a>| self.found_at(tally).and_then(|found| found.site.washes.by());
        let counters: Vec<&Tally<'a>> =
            members.iter().copied().filter(|tally| by(tally) == Some(WashesBy::Counter)).collect();
        // Tallies and sessions are known of every day.
        let coverage = if counters.is_empty() { 1.0 } else { covered_share(&counters) };
        let (value, expanded) = (Value::Count(rounded(count.value, 3)), rounded(count.expanded().expanded, 3));
        Ok(self.printed(value, Some(expanded), &members, coverage))
    }

    pub(super) fn cost_note(&self) -> String {
        let lines = || self.found.iter().filter_map(|found| found.cost.as_ref()).flat_map(|cost| &cost.lines);
        let paid = self.found.iter().filter_map(|found| found.cost.as_ref()).any(|cost| cost.basis == CostBasis::Paid);
        let read = if paid { "paid" } else { "accrued" };
        let mut words = vec![format!("As {read}; water and sewer as the last that the account buys.")];
        if lines().any(|line| line.estimated) {
            let estimates = "Estimates stand in it: energy that was not metered, lives not yet reached, or bounds of other \
                             use.";
            words.push(estimates.to_owned());
        }
        words.join(" ")
    }

    pub(super) fn cost_each_note(&self) -> Option<String> {
        let each = match self.cost_each().ok()?.value {
            Value::MoneyPerM3(_) => "cubic metre to the washers",
            Value::MoneyPerGunHour(_) => "hour with a trigger pulled",
            _ => return None,
        };
        Some(format!("Nobody counts the washes, so it is for each {each}."))
    }
}

/// The cost of a site, when all that belongs to it is known.
fn whole_cost(found: &Found) -> Result<(Money, f64), Withheld> {
    let cost = found.cost.as_ref().ok_or_else(|| no_cost("Nothing stood at the site."))?;
    if let Some(missing) = cost.not_known.first() {
        let reason = Reason::from_name(&missing.reason).unwrap_or(Reason::PartNotMeasured);
        return Err(Withheld::new(reason, missing.words.clone()));
    }
    let total = cost.total.ok_or_else(|| no_cost("Nothing is written down of what washing costs: add cost terms."))?;
    Ok((total, cost.expanded))
}

fn no_cost(words: &str) -> Withheld {
    Withheld::new(Reason::NoCost, words)
}

fn none_each(why: NoneEach) -> Withheld {
    let reason = match why {
        NoneEach::NoWashes | NoneEach::NoWater => Reason::NothingWashed,
        NoneEach::NothingKnown | NoneEach::NotCounted => Reason::WashesNotCounted,
    };
    Withheld::new(reason, super::figure::sentence(&why.to_string()))
}
