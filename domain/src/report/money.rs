//! Fresh water avoided and money saved, site by site: each site has its own baseline, account and
//! tariff, and what one site lacks withholds nothing from another.

use super::figure::{Reason, Withheld, sentence};
use super::inputs::{Inputs, Subject};
use super::levels::OwnParts;
use super::stood;
use crate::accounts::day_uses::{self, Worked, activity, of_fresh_water};
use crate::accounts::site_cost::{CostBasis, CostDays, SiteCost};
use crate::accounts::site_money::{SiteMoney, Stood};
use crate::accounts::stays::NotCredited;
use crate::baseline::avoided::{Avoided, Bound, Missing, avoided};
use crate::cost::washes::{Washes, counters_count_all};
use crate::facts::DayFact;
use crate::ids::SiteId;
use crate::money::Money;
use crate::savings::{self, BilledCycle, Discharge, MoneySaved, Uses, money_saved};
use crate::tariff::Cycle;
use crate::uncertainty::quantity::{Cause, Key, Quantity};
use crate::units::Litres;
use crate::water::grade;
use crate::water::term::Part;
use crate::zone::{Month, local_date, next_day};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// What a site avoided and saved in the month.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SiteSaving {
    /// The site.
    pub site_id: SiteId,
    /// Its name.
    pub site: String,
    /// Fresh water avoided against the agreed baseline; null when it is not printed.
    pub avoided: Option<Avoided>,
    /// Money saved, by billing cycle and line; null when it is not printed.
    pub saved: Option<MoneySaved>,
    /// Its washes in the month.
    #[serde(default)]
    pub washes: Washes,
    /// Why a figure is not printed, a sentence each.
    pub withheld: Vec<String>,
}

/// The savings of a site with why there are none.
pub(super) struct Found {
    pub(super) site: SiteSaving,
    pub(super) avoided: Result<Avoided, Withheld>,
    pub(super) saved: Result<MoneySaved, Withheld>,
    pub(super) cost: Option<SiteCost>,
    /// Its washes on the days that readings of every meter there cover.
    pub(super) whole_washes: Washes,
}

/// Every site at which something stood in the month.
pub(super) fn of_sites(inputs: &Inputs, present: &[&Subject], basis: CostBasis) -> Vec<Found> {
    let mut sites: Vec<&Subject> = present.to_vec();
    sites.sort_by_key(|subject| subject.site_id);
    sites.chunk_by(|a, b| a.site_id == b.site_id).filter_map(|subjects| of_site(inputs, subjects, basis)).collect()
}

fn of_site(inputs: &Inputs, subjects: &[&Subject], basis: CostBasis) -> Option<Found> {
    let first = *subjects.first()?;
    let site_id = SiteId(first.site_id);
    let case = Case::of(inputs, subjects)?;
    let (avoided, saved) = (case.avoided(), case.saved());
    let mut withheld: Vec<String> = Vec::new();
    for why in [avoided.as_ref().err(), saved.as_ref().err()].into_iter().flatten() {
        if !withheld.contains(&why.words) {
            withheld.push(why.words.clone());
        }
    }
    let site = SiteSaving {
        site_id,
        site: first.site.clone(),
        avoided: avoided.clone().ok(),
        saved: saved.clone().ok(),
        washes: case.washes(),
        withheld,
    };
    Some(Found { site, avoided, saved, cost: case.cost(basis), whole_washes: case.whole_washes() })
}

/// A site with what its savings are computed from.
pub(crate) struct Case<'c> {
    inputs: &'c Inputs,
    subjects: &'c [&'c Subject],
    first: &'c Subject,
    money: Option<&'c SiteMoney>,
    /// The site's days, their coverage as a part of its units' stays.
    days: Vec<DayFact>,
    /// Those that say what fresh water was used.
    fresh_days: Vec<DayFact>,
    /// What each of the subjects has to say of the month's balance.
    own_parts: Vec<OwnParts>,
}

impl<'c> Case<'c> {
    /// The case of a site, by the subjects at it.
    pub(crate) fn of(inputs: &'c Inputs, subjects: &'c [&'c Subject]) -> Option<Self> {
        let first = *subjects.first()?;
        let money = inputs.money.iter().find(|money| money.site_id.0 == first.site_id);
        let spans = inputs.stays.get(&first.site_id).map_or(&[][..], Vec::as_slice);
        let known = inputs.site_days.get(&first.site_id).map_or(&[][..], Vec::as_slice);
        let unread = day_uses::unread(first.zone, spans, known);
        let days = |facts: &[DayFact]| stood::of_stays((first.zone, spans, &unread), facts);
        let all: Vec<DayFact> = known.iter().map(|day| day.fact.clone()).collect();
        let (days, fresh_days) = (days(&all), days(&of_fresh_water(known)));
        let own_parts = subjects.iter().map(|subject| OwnParts::of(inputs, subjects, subject)).collect();
        Some(Self { inputs, subjects, first, money, days, fresh_days, own_parts })
    }

    /// The site's first subject.
    pub(crate) fn first(&self) -> &'c Subject {
        self.first
    }

    /// The site's accounts and baselines.
    pub(crate) fn money(&self) -> Option<&'c SiteMoney> {
        self.money
    }

    /// The days of the month that are over and on which something stood at the site.
    pub(crate) fn served(&self) -> Option<Cycle> {
        let days: Vec<NaiveDate> = self.inputs.days_over(self.first.zone).collect();
        let there = |date: &&NaiveDate| self.subjects.iter().any(|subject| subject.part_of_day(**date) > 0.0);
        let from = *days.iter().find(there)?;
        let to = *days.iter().rev().find(there)?;
        Some(Cycle { from, to: next_day(to) })
    }

    /// Its days in some time.
    pub(crate) fn site_days(&self, period: Cycle) -> Vec<DayFact> {
        within(&self.days, period)
    }

    /// When the site works, and what says how much was washed there.
    pub(crate) fn worked(&self, money: &'c SiteMoney) -> Worked<'c> {
        money.worked(self.counters())
    }

    fn counters(&self) -> bool {
        let measuring = self.subjects.iter().filter(|subject| subject.measures());
        counters_count_all(measuring.map(|subject| (subject.unit.is_none(), subject.counts_washes())))
    }

    /// The site's washes in the month.
    fn washes(&self) -> Washes {
        self.washes_on(|date| self.served().is_some_and(|served| served.from <= date && date < served.to))
    }

    /// Those of the days that readings of every meter there cover. On a day of some of them alone water
    /// counts that no wash of these days took.
    fn whole_washes(&self) -> Washes {
        let whole = |date: NaiveDate| {
            let mut there = self.subjects.iter().filter(|one| one.measures() && one.part_of_day(date) > 0.0);
            let first = there.next().is_some_and(|subject| subject.is_full(date));
            there.all(|subject| subject.is_full(date) == first).then_some(first)
        };
        if self.inputs.days_over(self.first.zone).any(|date| whole(date).is_none()) {
            return Washes::NotCounted;
        }
        self.washes_on(|date| whole(date) == Some(true))
    }

    fn washes_on(&self, counts: impl Fn(NaiveDate) -> bool) -> Washes {
        let dates: Vec<NaiveDate> = self.inputs.days_over(self.first.zone).filter(|date| counts(*date)).collect();
        let tallies = self.money.map_or(&[][..], |money| &money.tallies);
        let facts = self.subjects.iter().flat_map(|subject| &subject.days);
        // A unit that was not read on a day has no fact of it: its sessions are not known, and not none.
        let read = |date: &NaiveDate| {
            let mut there = self.subjects.iter().filter(|one| one.measures() && one.part_of_day(*date) > 0.0);
            there.all(|subject| subject.day(*date).is_some())
        };
        match Washes::of(&dates, facts, tallies, self.counters()) {
            Washes::Sessions { .. } if !dates.iter().all(read) => Washes::NotCounted,
            washes => washes,
        }
    }

    /// Fresh water used in the month with its errors.
    fn fresh_used(&self) -> Quantity {
        self.own_parts.iter().map(|parts| parts.all.fresh_used()).sum()
    }

    /// The water avoided in the month.
    pub(crate) fn avoided(&self) -> Result<Avoided, Withheld> {
        let served = self.served().ok_or(Missing::Baseline)?;
        let money = self.money.ok_or(Missing::Baseline)?;
        let baseline = money.baselines.over(served.from, served.to.pred_opt().unwrap_or(served.from))?;
        self.litres(served, money)?;
        let (days, worked) = (self.site_days(served), self.worked(money));
        let activity = activity(&days, &baseline.method, (served, worked), |litres| self.to_washers(litres));
        let mut found = avoided(baseline, &activity, &self.fresh_used())?;
        found.words.extend(not_credited(&worked.not_credited(&days, served)));
        Ok(found)
    }

    /// Fresh water used in some days, in litres: through meters and by hose.
    fn litres(&self, period: Cycle, money: &SiteMoney) -> Result<Litres, Missing> {
        let days = within(&self.fresh_days, period);
        let litres = day_uses::fresh_used(&days, period, &money.stays).map_err(Missing::from)?;
        let of_month = Month::of(period.from) == self.inputs.month;
        if of_month && self.own_parts.iter().any(OwnParts::bypass_unknown) {
            return Err(grade::Withheld::Unmeasured(Part::Bypass).into());
        }
        Ok(litres)
    }

    /// Fresh water of some days, as unsure as that of their month: with its errors by name, so that in
    /// the sum of a cycle the scale of a meter adds up and what a step gave to the wrong month is gone.
    fn unsure(&self, litres: f64, of_month: Option<&Quantity>) -> Quantity {
        if let Some(part) = of_month.and_then(|whole| part_of(whole, litres)) {
            return part;
        }
        // Nothing is known of that month: the same meters measured it, so it errs as this one does.
        let u_share = self.fresh_used().relative_u().unwrap_or(0.0);
        Quantity::exact(litres).with_relative(Key::new(self.first.site.clone(), Cause::Scale), u_share)
    }

    /// So much water to the washers, as unsure as that of the month: with its errors by name, of which those of
    /// rinse and bypass are in the fresh water used too.
    fn to_washers(&self, litres: Litres) -> Quantity {
        let of_month: Quantity = self.own_parts.iter().map(|parts| parts.all.to_washers()).sum();
        part_of(&of_month, litres.0).unwrap_or_else(|| Quantity::exact(litres.0))
    }

    fn stood(&self) -> Stood {
        let spans = self.inputs.stays.get(&self.first.site_id).map_or(&[][..], Vec::as_slice);
        let today = local_date(self.first.zone, self.inputs.now);
        stood::stood(self.inputs.month, (self.first.zone, spans), &self.fresh_days, today)
    }

    /// Fresh water used in some days of one month.
    fn fresh(&self, period: Cycle, money: &SiteMoney) -> Result<Quantity, Missing> {
        let litres = self.litres(period, money)?;
        let month = Month::of(period.from);
        let own = (month == self.inputs.month).then(|| self.fresh_used());
        let of_month = own.as_ref().or_else(|| self.inputs.fresh.get(&(self.first.site_id, month)));
        Ok(self.unsure(litres.0, of_month))
    }

    /// What passed the meters to the sewer in some days, in litres; `None` where none measures it.
    fn discharged(&self, period: Cycle) -> Option<f64> {
        day_uses::discharged(&self.site_days(period))
    }

    fn cost(&self, basis: CostBasis) -> Option<SiteCost> {
        let (served, money) = (self.served()?, self.money?);
        let today = local_date(self.first.zone, self.inputs.now);
        let of = CostDays { month: self.inputs.month, served, stood: &self.stood(), today, days: &self.days };
        let used = |period| Ok((self.fresh(period, money)?, self.discharged(period)));
        Some(money.cost(&of, basis, used))
    }

    fn saved(&self) -> Result<MoneySaved, Withheld> {
        money_saved(self.inputs.month, &self.billed()?).map_err(Withheld::from)
    }

    /// The billing cycles that touch the month, whole, with what was used in their parts. In days
    /// of other months without a baseline nothing is avoided: what was used stands in both bills.
    pub(crate) fn billed(&self) -> Result<Vec<BilledCycle<'c>>, Withheld> {
        self.served().ok_or(Missing::Baseline)?;
        let money = self.money.ok_or(Missing::Baseline)?;
        let uses = |period: Cycle| {
            let by = (&money.baselines, self.worked(money));
            let fresh_used_l = self.fresh(period, money);
            let to_washers = |litres| self.to_washers(litres);
            match day_uses::uses(&self.site_days(period), period, fresh_used_l.clone(), by, to_washers) {
                Err(Missing::Baseline) if Month::of(period.from) != self.inputs.month => {
                    let fresh_used_l = fresh_used_l?;
                    let discharge = self.discharged(period).map(|counted| Discharge::of(counted, 0.0));
                    Ok(Uses { baseline_l: fresh_used_l.clone(), fresh_used_l, discharge })
                }
                known => known,
            }
        };
        money.billed(self.inputs.month, &self.stood(), uses).map_err(Withheld::from)
    }
}

/// So much of a volume, with its errors; `None` of nothing.
fn part_of(whole: &Quantity, litres: f64) -> Option<Quantity> {
    let part = litres / whole.value;
    part.is_finite().then(|| Quantity { value: litres, ..whole.clone().scaled(part) })
}

fn within(days: &[DayFact], period: Cycle) -> Vec<DayFact> {
    days.iter().filter(|day| period.from <= day.date && day.date < period.to).cloned().collect()
}

/// That a part of the time is credited with nothing.
fn not_credited(days: &[NotCredited]) -> Option<String> {
    let sum: f64 = days.iter().map(|day| day.part).sum();
    let words = format!(
        "Nothing is credited for {sum:.1} days in which the unit did not treat and no meter measured what went past it."
    );
    (sum > 0.0).then_some(words)
}

impl From<savings::Withheld> for Withheld {
    fn from(why: savings::Withheld) -> Self {
        let reason = Reason::from_name(why.code()).unwrap_or(Reason::NoTariff);
        Self::new(reason, sentence(&why.to_string()))
    }
}

impl From<Missing> for Withheld {
    fn from(missing: Missing) -> Self {
        let reason = Reason::from_name(missing.code()).unwrap_or(Reason::NoBaseline);
        Self { reason, words: sentence(&missing.to_string()) }
    }
}

/// The sum of what sites avoided, in litres, with its expanded uncertainty, and whether it is "at
/// most". Each site has its own meters, so their errors add in quadrature.
pub(super) fn sum_avoided<'f>(found: impl Iterator<Item = &'f Avoided>) -> (f64, f64, bool) {
    found.fold((0.0, 0.0, false), |(sum, expanded, at_most), one| {
        let of = &one.avoided_l;
        (sum + of.value, f64::hypot(expanded, of.expanded), at_most || one.bound == Bound::AtMost)
    })
}

/// The sum of what sites saved; `None` without any, or in different currencies.
pub(super) fn sum_saved<'f>(found: impl Iterator<Item = &'f MoneySaved>) -> Option<crate::savings::Bounds> {
    found.map(|one| Some(one.saved)).reduce(|sum, next| sum?.plus(next?).ok()).flatten()
}

/// Half of the distance between two amounts, as an expanded uncertainty beside a printed amount.
pub(super) fn half_between(low: Money, high: Money) -> f64 {
    use rust_decimal::prelude::ToPrimitive;
    ((high.amount - low.amount) / rust_decimal::Decimal::TWO).abs().to_f64().unwrap_or(0.0)
}

#[cfg(test)]
mod tests;
