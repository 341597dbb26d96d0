//! What washing cost, and for each wash: at the sites of which all that belongs to the cost is
//! known. Never for a guessed wash: where nobody counts them, for each cubic metre to the washers.

use super::figure::{Printed, Reason, Value, Withheld, rounded};
use super::money::Found;
use super::reckon::{Case, Tally, covered_share, whole_share};
use crate::accounts::site_cost::{CostBasis, SiteCost};
use crate::cost::each::{Done, Each, NoneEach};
use crate::cost::ledger::{CustomersCost, Price};
use crate::cost::washes::Washes;
use crate::metering::stream::Stream;
use crate::money::Money;
use crate::uncertainty::quantity::Quantity;
use crate::units::Litres;
use crate::water::statement::COUNTED;
use rust_decimal::prelude::ToPrimitive;
use std::collections::{BTreeMap, BTreeSet};

/// Least share of whole days for a cost of all days to be divided by what was done in them: our own
/// choice.
const LEAST_COUNTED: f64 = 0.98;

impl<'a> Case<'a> {
    pub(crate) fn site_costs(&self) -> Vec<SiteCost> {
        self.found.iter().filter_map(|found| found.cost.clone()).collect()
    }

    pub(super) fn cost(&self) -> Result<Printed, Withheld> {
        let (members, total, expanded) = self.costed(|_| true)?;
        Ok(self.printed(Value::Money(total), Some(rounded(expanded, 4)), &members, covered_share(&members)))
    }

    /// The sites of which the whole cost is known and for which `counts` holds, with its sum and
    /// expanded uncertainty.
    pub(super) fn costed(
        &self,
        counts: impl Fn(&Tally<'a>) -> bool,
    ) -> Result<(Vec<&Tally<'a>>, Money, f64), Withheld> {
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

    /// The same of those where all washes are counted, if there are such.
    pub(super) fn costed_each(&self) -> Result<(Vec<&Tally<'a>>, Money, f64), Withheld> {
        let counted = |tally: &Tally<'a>| self.counts(tally);
        if self.tallies.iter().any(counted) { self.costed(counted) } else { self.costed(|_| true) }
    }

    /// Whether a subject's washes are counted, and those of all of its site: a site's cost is not for
    /// the washes of some of its units.
    fn counts(&self, tally: &Tally<'a>) -> bool {
        let known = |other: &Tally<'a>| other.subject.statement.washes.is_some();
        let site = tally.subject.site_id;
        let here = || self.tallies.iter().filter(move |other| other.subject.site_id == site);
        let of_site = here().any(|other| other.subject.unit.is_none() && known(other));
        known(tally) && (of_site || here().all(|other| other.subject.unit.is_none() || known(other)))
    }

    pub(super) fn cost_each(&self) -> Result<Printed, Withheld> {
        let watered = |tally: &Tally<'a>| tally.has(Stream::Wash) || tally.derives_wash();
        let (members, total, expanded) = self.costed_each()?;
        let share = whole_share(&members);
        if share < LEAST_COUNTED {
            let words = format!(
                "What was washed is known for {:.0} % of the days, and the cost is of all; it takes {:.0} %.",
                (share * 100.0).floor(),
                LEAST_COUNTED * 100.0
            );
            return Err(Withheld::new(Reason::Gap, words));
        }
        let to_washers: Quantity = members.iter().map(|tally| tally.subject.statement.whole.to_washers()).sum();
        let known = members.iter().any(|tally| watered(tally));
        let counted = members.iter().all(|tally| self.counts(tally));
        let washes = if counted { washes(&members) } else { Washes::NotCounted };
        let done = Done { washes, to_washers: known.then_some(Litres(to_washers.value)), gun_hours: None };
        let each = done.cost_each(Price::<CustomersCost>::new(total)).map_err(none_each)?;
        let u_share = if each.each == Each::CubicMetre { to_washers.relative_u().unwrap_or(0.0) } else { 0.0 };
        let cost = each.cost.money();
        let number = |money: Money| money.amount.to_f64().unwrap_or(0.0);
        let of_total = expanded / number(total).abs().max(f64::MIN_POSITIVE);
        let expanded = number(cost).abs() * of_total.hypot(2.0 * u_share);
        let value = if each.each == Each::Wash { Value::MoneyPerWash(cost) } else { Value::MoneyPerM3(cost) };
        Ok(self.printed(value, Some(rounded(expanded, 6)), &members, share))
    }

    /// By counters; where there are none by the tallies of whole days.
    pub(super) fn washes(&self) -> Result<Printed, Withheld> {
        let counted = self.total(Stream::WashCount, Value::Count, "Nobody counts the washes: count or type them in.");
        let members: Vec<&Tally<'a>> =
            self.tallies.iter().filter(|tally| tally.subject.statement.washes.is_some()).collect();
        if counted.is_ok() || members.is_empty() {
            return counted.map(|printed| Printed { expanded: Some(0.0), ..printed });
        }
        let count = washes(&members).count().unwrap_or(0.0);
        Ok(self.printed(Value::Count(rounded(count, 3)), Some(0.0), &members, whole_share(&members)))
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
        let each = self.cost_each().ok()?;
        let by_water = matches!(each.value, Value::MoneyPerM3(_));
        by_water.then(|| "Nobody counts the washes, so it is for each cubic metre to the washers.".to_owned())
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

/// The washes of whole days: a counter's, or tallies by class. A tally is of a whole site: of the
/// subjects there that stand beside it the first counts.
pub(super) fn washes(members: &[&Tally<'_>]) -> Washes {
    let mut tallied = BTreeSet::new();
    let known =
        members.iter().filter_map(|tally| Some((tally.subject.site_id, tally.subject.statement.washes.as_ref()?)));
    let known: Vec<_> = known
        .filter(|(site, washes)| washes.contains_key(COUNTED) || tallied.insert(*site))
        .map(|(_, of)| of)
        .collect();
    if known.is_empty() {
        return Washes::NotCounted;
    }
    let classes: Vec<(&String, &f64)> = known.into_iter().flatten().collect();
    if classes.iter().any(|(class, _)| class.as_str() == COUNTED) {
        return Washes::Counter { washes: classes.iter().map(|(_, count)| **count).sum() };
    }
    let mut by_class: BTreeMap<String, u32> = BTreeMap::new();
    for (class, count) in classes {
        *by_class.entry(class.clone()).or_default() += count.to_u32().unwrap_or(u32::MAX);
    }
    Washes::Tally { by_class }
}
