//! What to do about a part: replace it at an age, and whether at the next visit; or let it run.

use super::costs::RiskCosts;
use super::life_model::{GroupKey, LifeModel};
use crate::money::Money;
use crate::reliability::replace::{Advice, Costs, Optimum, WhyRun, cost_rate, optimum};
use crate::reliability::weibull::Weibull;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use std::collections::BTreeMap;

/// How much more a replacement at the next visit may cost than one at the best age, as a share of
/// that: a drive is spared for it (common practice, no source).
pub const LITTLE_MORE: f64 = 0.05;

/// What to do about a part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Plan {
    /// Replace it.
    Replace(Replace),
    /// Run it until it fails.
    RunToFailure(WhyRun),
}

/// A replacement before failure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Replace {
    /// The age of least cost, in the run basis.
    pub age: f64,
    /// What that saves against running to failure, per thousand units of run; none of a forecast
    /// made by an earlier version.
    pub saving_per_1000: Option<Money>,
    /// The next planned visit, where replacing at it costs little more.
    pub visit: Option<AtVisit>,
}

/// A replacement at a visit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtVisit {
    /// The visit's local day.
    pub day: NaiveDate,
    /// How much more it costs per unit of run than at the best age, as a share.
    pub more: f64,
}

impl Plan {
    /// The replacement.
    #[must_use]
    pub fn replacement(self) -> Option<Replace> {
        match self {
            Self::Replace(replace) => Some(replace),
            Self::RunToFailure(_) => None,
        }
    }
}

/// The plan of a group's parts whose failure costs the same, and what it costs at other ages.
#[derive(Debug, Clone, Copy)]
pub(super) struct Planned {
    plan: Plan,
    costing: Option<Costing>,
}

#[derive(Debug, Clone, Copy)]
struct Costing {
    weibull: Weibull,
    planned: f64,
    failure: f64,
    best: Optimum,
}

impl Planned {
    /// The plan of a part that will be of an age at the next visit to its unit.
    pub(super) fn of_part(&self, visit: Option<(NaiveDate, f64)>) -> Plan {
        let (Plan::Replace(replace), Some(costing)) = (self.plan, self.costing) else { return self.plan };
        let at_visit = visit.and_then(|(day, age)| {
            let more =
                cost_rate(&costing.weibull, costing.planned, costing.failure, age) / costing.best.cost_rate - 1.0;
            (more <= LITTLE_MORE).then_some(AtVisit { day, more: more.max(0.0) })
        });
        Plan::Replace(Replace { visit: at_visit, ..replace })
    }
}

/// What to do about parts, each of a group and of what its failure costs: many parts share both, and
/// each pair is planned once. None of it where nothing is held of the group's lives.
pub(super) fn plans<'a>(
    parts: impl Iterator<Item = (&'a LifeModel, Money)>,
    costs: &RiskCosts,
) -> BTreeMap<(&'a GroupKey, Decimal), Option<Planned>> {
    let mut plans = BTreeMap::new();
    for (model, loss) in parts {
        plans.entry((&model.key, loss.amount)).or_insert_with(|| planned(model, &costs.of_replacing(loss)));
    }
    plans
}

fn planned(model: &LifeModel, costs: &Costs) -> Option<Planned> {
    Some(match model.advice(costs)? {
        Advice::RunToFailure { why } => Planned { plan: Plan::RunToFailure(why), costing: None },
        Advice::ReplaceAt { age, saving_per_1000, .. } => {
            let plan = Plan::Replace(Replace { age, saving_per_1000: Some(saving_per_1000), visit: None });
            Planned { plan, costing: costing(model, costs) }
        }
    })
}

fn costing(model: &LifeModel, costs: &Costs) -> Option<Costing> {
    let (planned, failure) = (costs.planned.amount.to_f64()?, costs.failure.amount.to_f64()?);
    let weibull = model.forecaster.as_ref().ok()?.weibull();
    Some(Costing { weibull, planned, failure, best: optimum(&weibull, planned, failure)? })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The published example of shape 2.5, scale 1000, costs 1 and 5 (reliawiki.com): best at
    /// 493.047, where the cost rate is 0.00346204.
    #[test]
    fn a_visit_near_the_best_age_is_taken_and_one_far_off_is_not() {
        let weibull = Weibull::new(2.5, 1000.0).unwrap();
        let best = optimum(&weibull, 1.0, 5.0).unwrap();
        let replace = Replace { age: best.age, saving_per_1000: None, visit: None };
        let costing = Some(Costing { weibull, planned: 1.0, failure: 5.0, best });
        let planned = Planned { plan: Plan::Replace(replace), costing };
        let day: NaiveDate = "2026-03-12".parse().unwrap();
        let at = |age: f64| planned.of_part(Some((day, age))).replacement().unwrap().visit;
        assert!(at(493.0).is_some_and(|visit| visit.day == day && visit.more < 1e-6));
        let early = at(420.0).unwrap();
        assert!((early.more - (cost_rate(&weibull, 1.0, 5.0, 420.0) / 0.003_462_042_738_79 - 1.0)).abs() < 1e-9);
        assert_eq!((at(200.0), at(1500.0), at(0.0)), (None, None, None), "costs much more");
        assert_eq!(planned.of_part(None), Plan::Replace(replace));
        let runs = Planned { plan: Plan::RunToFailure(WhyRun::WearNotShown), costing: None };
        assert_eq!(runs.of_part(Some((day, 493.0))), runs.plan);
    }
}
