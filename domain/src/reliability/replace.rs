//! When to replace a part that still runs: the age at which it costs least per unit of run.
//!
//! A part replaced at the age T or at its failure before costs, per unit of run,
//!
//! ```text
//! C(T) = (planned S(T) + failure F(T)) / ∫_0^T S
//! ```
//!
//! least where h(T) ∫_0^T S - F(T) = planned/(failure - planned) (Barlow and Proschan 1965,
//! Mathematical Theory of Reliability, ch. 4.2). The left side rises from zero while the hazard
//! rises: only parts that wear have such an age, and only if failing costs more.

use super::fit::BoundedFit;
use super::posterior::Posterior;
use super::solve::root_beyond;
use super::weibull::Weibull;
use crate::money::{Currency, Money};
use crate::named::named;
use rust_decimal::Decimal;
use rust_decimal::prelude::{FromPrimitive, ToPrimitive};
use serde::Serialize;

/// Probability of wear at which it counts as shown, when it is known by Bayes.
const WEAR_SHOWN: f64 = 0.95;

/// The age of least cost, and what it costs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Optimum {
    /// Replace at this age.
    pub age: f64,
    /// Cost per unit of run then.
    pub cost_rate: f64,
    /// Cost per unit of run without replacing before failure.
    pub cost_rate_to_failure: f64,
}

/// What replacing costs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Costs {
    /// At a planned visit.
    pub planned: Money,
    /// After a failure: call-out, and what the site loses until then.
    pub failure: Money,
}

/// What to do about a part that runs.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Advice {
    /// Replace it at an age.
    ReplaceAt {
        /// The age, in its run basis.
        age: f64,
        /// Part of the parts that reach it.
        reached: f64,
        /// Cost per thousand units of run.
        cost_per_1000: Money,
        /// What that saves against running to failure, per thousand units of run.
        saving_per_1000: Money,
    },
    /// Run it until it fails.
    RunToFailure {
        /// Why.
        why: WhyRun,
    },
}

named! {
    /// Why a part should run to failure.
    WhyRun as "why_run" {
        /// It is not shown that it wears: a new part may fail as soon as the old one.
        WearNotShown = "wear_not_shown",
        /// A planned replacement costs as much as a failure.
        PlannedCostsAsMuch = "planned_costs_as_much",
        /// The costs are not of one currency, or not positive.
        CostsUnclear = "costs_unclear",
        /// Replacing pays only at ages that hardly any part reaches.
        NothingToGain = "nothing_to_gain",
    }
}

/// The age at which replacing costs least; `None` when running to failure does.
#[must_use]
pub fn optimum(weibull: &Weibull, planned: f64, failure: f64) -> Option<Optimum> {
    let sound = planned > 0.0 && failure > planned && failure.is_finite() && weibull.shape() > 1.0;
    let goal = planned / (failure - planned);
    // The left side rises from (shape - 1) z for small z = (age/scale)^shape over many decades:
    // it is searched in the logarithm.
    let left = |ln_z: f64| {
        let age = weibull.scale() * (ln_z / weibull.shape()).exp();
        weibull.hazard(age) * weibull.mean_up_to(age) + (-weibull.cumulative_hazard(age)).exp_m1()
    };
    if !sound {
        return None;
    }
    let short = |ln_z: f64| goal - left(ln_z);
    let ln_z = if short(0.0) > 0.0 {
        root_beyond(short, 0.0, 1.0, 600.0, 1e-13)?
    } else {
        let below = |ln_z: f64| -short(ln_z);
        root_beyond(below, 0.0, -1.0, 600.0, 1e-13)?
    };
    let age = weibull.scale() * (ln_z / weibull.shape()).exp();
    let cost_rate = cost_rate(weibull, planned, failure, age);
    let cost_rate_to_failure = failure / weibull.mean()?;
    let found = Optimum { age, cost_rate, cost_rate_to_failure };
    (age.is_finite() && cost_rate.is_finite() && cost_rate_to_failure.is_finite()).then_some(found)
}

/// Cost per unit of run where parts are replaced at an age, or at their failure before.
#[must_use]
pub fn cost_rate(weibull: &Weibull, planned: f64, failure: f64, age: f64) -> f64 {
    let failed = -(-weibull.cumulative_hazard(age)).exp_m1();
    (planned * (1.0 - failed) + failure * failed) / weibull.mean_up_to(age)
}

/// Advice from a fit: wear is shown when the whole interval of shapes lies above 1.
#[must_use]
pub fn by_fit(fit: &BoundedFit, costs: &Costs) -> Advice {
    advise(&fit.fit.weibull, fit.wears_out(), costs)
}

/// Advice from what is held after few lives: wear is shown with 95 % probability, and the age is
/// that of the most probable member.
#[must_use]
pub fn by_posterior(held: &Posterior, costs: &Costs) -> Advice {
    advise(&held.mode(), held.wears_out() >= WEAR_SHOWN, costs)
}

pub(super) fn advise(weibull: &Weibull, wears_out: bool, costs: &Costs) -> Advice {
    decide(weibull, wears_out, costs).unwrap_or_else(|why| Advice::RunToFailure { why })
}

fn decide(weibull: &Weibull, wears_out: bool, costs: &Costs) -> Result<Advice, WhyRun> {
    let currency = costs.planned.currency;
    let amount = |money: Money| money.amount.to_f64().filter(|amount| *amount > 0.0).ok_or(WhyRun::CostsUnclear);
    if currency != costs.failure.currency {
        return Err(WhyRun::CostsUnclear);
    }
    let (planned, failure) = (amount(costs.planned)?, amount(costs.failure)?);
    if planned >= failure {
        return Err(WhyRun::PlannedCostsAsMuch);
    }
    if !wears_out {
        return Err(WhyRun::WearNotShown);
    }
    let best = optimum(weibull, planned, failure).ok_or(WhyRun::NothingToGain)?;
    let reached = weibull.survival(best.age);
    if reached < 1e-3 {
        return Err(WhyRun::NothingToGain);
    }
    let per_1000 = |rate: f64| money(1000.0 * rate, currency).ok_or(WhyRun::CostsUnclear);
    Ok(Advice::ReplaceAt {
        age: best.age,
        reached,
        cost_per_1000: per_1000(best.cost_rate)?,
        saving_per_1000: per_1000(best.cost_rate_to_failure - best.cost_rate)?,
    })
}

fn money(amount: f64, currency: Currency) -> Option<Money> {
    Decimal::from_f64(amount).map(|amount| Money { amount, currency }.rounded())
}
