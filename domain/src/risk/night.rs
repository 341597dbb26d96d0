//! The forecasts of a night: every running part, and the units they are in.

use super::costs::RiskCosts;
use super::counter::{AgeFrom, use_ahead};
use super::fleet::{Clock, Fleet, Part, UnitFacts};
use super::life_model::{Alike, GroupKey, LifeModel, life_models};
use super::upset::{self, UpsetRisk};
use super::words::round_up;
use super::{HORIZONS_DAYS, LEVEL};
use crate::component::RunBasis;
use crate::ids::{ComponentId, UnitId};
use crate::money::{Currency, Money};
use crate::reliability::estimate::Bounds;
use crate::reliability::forecast::{any_of, by_rate, expected_loss};
use crate::reliability::gamma_rate::GammaRate;
use crate::reliability::replace::{Advice, WhyRun};
use crate::site::Fallback;
use chrono::{DateTime, Utc};
use std::collections::BTreeMap;

/// What the days up to a horizon may bring for one part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ahead {
    /// Days ahead.
    pub days: u16,
    /// Use until then, in the run basis.
    pub use_: f64,
    /// Probability that it fails by then; none where nothing is held of its life.
    pub chance: Option<Chance>,
    /// The same as if all parts alike failed at one rate: what a forecast should beat.
    pub by_constant_rate: f64,
}

/// A probability with the interval within which it lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chance {
    /// The probability.
    pub p: f64,
    /// Its bounds.
    pub bounds: Bounds,
}

/// What to do about a part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Plan {
    /// Replace it at this age, in its run basis.
    ReplaceAt(f64),
    /// Run it until it fails.
    RunToFailure(WhyRun),
}

impl Plan {
    /// The age at which to replace it.
    #[must_use]
    pub fn age(self) -> Option<f64> {
        match self {
            Self::ReplaceAt(age) => Some(age),
            Self::RunToFailure(_) => None,
        }
    }
}

/// The forecast of one part.
#[derive(Debug, Clone, PartialEq)]
pub struct PartForecast {
    /// The part.
    pub component: ComponentId,
    /// Its unit.
    pub unit: UnitId,
    /// Whose lives it is forecast by.
    pub group: GroupKey,
    /// Its age, in its run basis.
    pub age: f64,
    /// Where the age is from.
    pub age_from: AgeFrom,
    /// For each horizon, in order.
    pub ahead: [Ahead; HORIZONS_DAYS.len()],
    /// The age, rounded up, that it reaches within the first horizon.
    pub reach: f64,
    /// How parts alike fared up to there.
    pub alike: Alike,
    /// What to do; none where it can't be told, or the unit stands nowhere.
    pub plan: Option<Plan>,
    /// Its rated life, in its run basis.
    pub rated_life: Option<f64>,
}

/// The risk of a unit.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitRisk {
    /// The unit.
    pub unit: UnitId,
    /// Its place among the units at risk, from 1.
    pub rank: i32,
    /// Probability that one part at least fails or the process upsets, for each horizon.
    pub chances: [f64; HORIZONS_DAYS.len()],
    /// What failures within the first horizon are expected to cost; none while it stands nowhere.
    pub expected_loss: Option<Money>,
    /// Parts that could not be forecast.
    pub not_forecast: usize,
    /// The risk of a process upset, joined into the chances; none where the dealer has no history of any.
    pub upset: Option<UpsetRisk>,
}

/// All of it.
#[derive(Debug, Clone, Default)]
pub struct Night {
    /// What lives tell, by group.
    pub models: BTreeMap<GroupKey, LifeModel>,
    /// The forecasts, by unit.
    pub parts: Vec<PartForecast>,
    /// The units, greatest expected loss first.
    pub units: Vec<UnitRisk>,
}

/// Forecasts a fleet as of an instant.
#[must_use]
pub fn forecast(fleet: &Fleet, now: DateTime<Utc>, costs: &RiskCosts, currency: Currency) -> Night {
    let models = life_models(fleet, now);
    let plans = plans(&models, costs, currency);
    let mut running: Vec<(&Part, &UnitFacts)> = fleet
        .parts
        .iter()
        .filter(|part| part.component.fitted_at <= now && part.ended().is_none_or(|end| end.at > now))
        .filter_map(|part| Some((part, fleet.units.get(&part.component.unit_id).filter(|unit| unit.kept)?)))
        .collect();
    running.sort_by_key(|(part, _)| (part.component.unit_id, part.id));
    let parts: Vec<PartForecast> = running
        .into_iter()
        .filter_map(|(part, unit)| {
            let model = model_of(&models, part)?;
            let plan = unit.fallback.and_then(|fallback| plans.get(&(&model.key, fallback)).copied());
            Some(of_part(fleet, part, unit, model, plan, now))
        })
        .collect();
    let units = units(fleet, &parts, costs, currency);
    Night { models, parts, units }
}

/// What to do about the parts of each group at sites with each fallback.
fn plans<'a>(
    models: &'a BTreeMap<GroupKey, LifeModel>,
    costs: &RiskCosts,
    currency: Currency,
) -> BTreeMap<(&'a GroupKey, Fallback), Plan> {
    let each = models.values().flat_map(|model| Fallback::ALL.iter().map(move |fallback| (model, *fallback)));
    let planned = each.filter_map(|(model, fallback)| {
        let plan = match model.advice(&costs.of_replacing(fallback, currency))? {
            Advice::ReplaceAt { age, .. } => Plan::ReplaceAt(age),
            Advice::RunToFailure { why } => Plan::RunToFailure(why),
        };
        Some(((&model.key, fallback), plan))
    });
    planned.collect()
}

/// The group of a part's maker's model, where there is one; else that of its kind.
fn model_of<'a>(models: &'a BTreeMap<GroupKey, LifeModel>, part: &Part) -> Option<&'a LifeModel> {
    let component = &part.component;
    let key =
        |model| GroupKey { kind: component.kind.clone(), duty: component.duty, run_basis: component.run_basis, model };
    let own = component.model.as_ref().and_then(|model| models.get(&key(Some(model.clone()))));
    own.or_else(|| models.get(&key(None)))
}

fn of_part(
    fleet: &Fleet,
    part: &Part,
    unit: &UnitFacts,
    model: &LifeModel,
    plan: Option<Plan>,
    now: DateTime<Utc>,
) -> PartForecast {
    let component = &part.component;
    let counter = fleet.counter_of(part);
    let assumed_per_day = component.assumed_per_day.unwrap_or(model.assumed_per_day);
    let clock = Clock { basis: component.run_basis, counter, assumed_per_day };
    let run = clock.run(component.fitted_at, now);
    let age = component.age_at_fitting + run.amount;
    // What ages by the calendar ages in a standing unit too.
    let idle = if component.run_basis == RunBasis::Days { &[][..] } else { &unit.idle };
    let longest = HORIZONS_DAYS.into_iter().max().unwrap_or(0);
    let use_ = use_ahead(|month| clock.expected_per_day(month), now, longest, idle);
    let rate = model.tally.failures as f64 / model.tally.time_at_risk.max(f64::MIN_POSITIVE);
    let ahead = HORIZONS_DAYS.map(|days| {
        let use_ = use_.within(usize::from(days));
        let chance = model.forecaster.as_ref().ok().map(|forecaster| {
            let (p, bounds) = forecaster.failure_ahead_within(age, use_, LEVEL);
            Chance { p, bounds }
        });
        Ahead { days, use_, chance, by_constant_rate: by_rate(rate, use_) }
    });
    let reach = round_up(age + ahead.first().map_or(0.0, |first| first.use_));
    PartForecast {
        component: part.id,
        unit: component.unit_id,
        group: model.key.clone(),
        age,
        age_from: clock.age_from(&run),
        ahead,
        reach,
        alike: model.alike(reach),
        plan,
        rated_life: component.rated_life,
    }
}

/// The units of the forecast parts, in the order of their expected losses.
fn units(fleet: &Fleet, parts: &[PartForecast], costs: &RiskCosts, currency: Currency) -> Vec<UnitRisk> {
    let prior = upset::prior(fleet.units.values().map(|unit| unit.upsets));
    let of_units = parts.chunk_by(|a, b| a.unit == b.unit);
    let mut units: Vec<UnitRisk> =
        of_units.filter_map(|parts| of_unit(fleet, parts, prior, (costs, currency))).collect();
    units.sort_by(|a, b| {
        let loss = |unit: &UnitRisk| unit.expected_loss.map(|loss| loss.amount);
        let chance = |unit: &UnitRisk| unit.chances.first().copied().unwrap_or(0.0);
        loss(b).cmp(&loss(a)).then(chance(b).total_cmp(&chance(a))).then(a.unit.cmp(&b.unit))
    });
    for (unit, rank) in units.iter_mut().zip(1..) {
        unit.rank = rank;
    }
    units
}

fn of_unit(
    fleet: &Fleet,
    parts: &[PartForecast],
    prior: Option<GammaRate>,
    (costs, currency): (&RiskCosts, Currency),
) -> Option<UnitRisk> {
    let unit = parts.first()?.unit;
    let facts = fleet.units.get(&unit);
    let upset = prior.zip(facts).map(|(prior, facts)| upset::risk(prior, facts.upsets));
    let mut chances = [0.0; HORIZONS_DAYS.len()];
    for (at, chance) in chances.iter_mut().enumerate() {
        *chance = any_of(
            parts
                .iter()
                .filter_map(|part| Some(part.ahead.get(at)?.chance?.p))
                .chain(upset.and_then(|upset| upset.chances.get(at).copied())),
        );
    }
    let fallback = facts.and_then(|facts| facts.fallback);
    let first = chances.first().copied().unwrap_or(0.0);
    let not_forecast = parts.iter().filter(|part| part.ahead.iter().any(|ahead| ahead.chance.is_none())).count();
    let expected_loss = fallback.map(|fallback| expected_loss(first, costs.loss(fallback, currency)));
    Some(UnitRisk { unit, rank: 0, chances, expected_loss, not_forecast, upset })
}
