//! The forecasts of a night: every running part, and the units they are in.

use super::costs::RiskCosts;
use super::finding::{Factor, Followed};
use super::fleet::{Fleet, Part, UnitFacts, local};
use super::life_model::{Alike, GroupKey, LifeModel, Of, life_models};
use super::plan::{Plan, Planned, plans};
use super::upset::{self, History, Rates, UpsetRisk};
use super::words::round_up;
use super::{HORIZONS_DAYS, LEVEL};
use crate::component::{Component, OutWhy};
use crate::ids::{ComponentId, UnitId};
use crate::money::{Currency, Money};
use crate::reliability::estimate::Bounds;
use crate::reliability::forecast::{any_of, by_rate, expected_loss};
use crate::reliability::records::{Ends, events};
use crate::wear::age::Age;
use chrono::{DateTime, Days, NaiveTime, Utc};
use rayon::iter::{IntoParallelRefIterator, ParallelIterator};
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
    pub age: Age,
    /// For each horizon, in order.
    pub ahead: [Ahead; HORIZONS_DAYS.len()],
    /// What findings at its unit multiplied its hazard by; none where too few failures tell.
    pub factor: Option<Factor>,
    /// The age, rounded up, that it reaches within the first horizon.
    pub reach: f64,
    /// How parts alike fared up to there.
    pub alike: Alike,
    /// What its failure costs on top of the part; none while its unit stands nowhere.
    pub loss: Option<Money>,
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
    /// The same as if all parts alike failed at one rate, and upsets came at the dealer's.
    pub by_constant_rate: [f64; HORIZONS_DAYS.len()],
    /// The greatest share of its rated life that one of its parts will have reached; none where none is rated.
    pub worn: [Option<f64>; HORIZONS_DAYS.len()],
    /// What failures and upsets within the first horizon are expected to cost, each part's by what
    /// follows its own failure; none while it stands nowhere.
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
    /// What followed findings, as the forecasts took it.
    pub followed: Vec<Followed>,
    /// How all lives ended, and what was left out.
    pub ends: Ends,
}

/// Forecasts a fleet as of an instant.
#[must_use]
pub fn forecast(fleet: &Fleet, now: DateTime<Utc>, costs: &RiskCosts, currency: Currency) -> Night {
    let models = life_models(fleet, now, costs.rated_life_weight);
    let mut running: Vec<Running<'_>> = fleet
        .parts
        .iter()
        .filter(|part| part.component.fitted_at <= now && part.ended().is_none_or(|end| end.at > now))
        .filter_map(|part| {
            let unit = fleet.units.get(&part.component.unit_id).filter(|unit| unit.kept)?;
            let loss = unit.fallback.map(|fallback| costs.loss_of(part.failure.as_ref(), fallback, currency));
            Some(Running { part, unit, model: model_of(&models, part)?, loss })
        })
        .collect();
    running.sort_by_key(|one| (one.part.component.unit_id, one.part.id));
    let plans = plans(running.iter().filter_map(|one| Some((one.model, one.loss?))), costs);
    let planned = |one: &Running<'_>| *plans.get(&(&one.model.key, one.loss?.amount))?;
    let parts: Vec<PartForecast> = running.par_iter().map(|one| of_part(fleet, one, planned(one), now)).collect();
    let units = units(fleet, &parts, now, costs, currency);
    let ends = ends(fleet, &models, now);
    Night { models, parts, units, followed: fleet.followed.clone(), ends }
}

/// A part to be forecast.
struct Running<'a> {
    part: &'a Part,
    unit: &'a UnitFacts,
    model: &'a LifeModel,
    loss: Option<Money>,
}

/// The ends of all kinds together. A frost that takes parts of six kinds at one place is one event.
fn ends(fleet: &Fleet, models: &BTreeMap<GroupKey, LifeModel>, now: DateTime<Utc>) -> Ends {
    // Narrower groups are part of those of their kind.
    let of_kinds = models.values().filter(|model| model.key.of == Of::Kind);
    let lost = fleet.parts.iter().filter(|part| part.failed_calibration_at.is_none()).filter_map(|part| {
        let out = part.component.out.filter(|out| out.why == OutWhy::External && out.at <= now)?;
        (part.component.fitted_at <= now).then_some((part.place, out.at))
    });
    let external_events = events(lost);
    of_kinds.fold(Ends::default(), |all, model| all.with(model.ends, external_events))
}

/// The group of a part's maker's model, where there is one; else that of its soil, else of its kind.
fn model_of<'a>(models: &'a BTreeMap<GroupKey, LifeModel>, part: &Part) -> Option<&'a LifeModel> {
    let component = &part.component;
    let group = |of| {
        let Component { kind, duty, run_basis, .. } = component;
        models.get(&GroupKey { kind: kind.clone(), duty: *duty, run_basis: *run_basis, of })
    };
    let by_model = || group(Of::Model(component.model.clone()?));
    let by_soil = || group(Of::Soil(part.soil?));
    by_model().or_else(by_soil).or_else(|| group(Of::Kind))
}

fn of_part(fleet: &Fleet, running: &Running<'_>, planned: Option<Planned>, now: DateTime<Utc>) -> PartForecast {
    let Running { part, unit, model, loss } = *running;
    let component = &part.component;
    let aging = fleet.aging(part, model.assumed_per_day, now);
    let (clock, here, zone) = (aging.clock(), local(unit.zone, now), unit.zone);
    let age = clock.age(component.age_at_fitting, local(zone, component.fitted_at), here);
    let factor = Factor::greatest(&fleet.followed, &unit.findings, &component.kind);
    let rate = model.tally.failures as f64 / model.tally.time_at_risk.max(f64::MIN_POSITIVE);
    let ahead = HORIZONS_DAYS.map(|days| {
        let then = here.checked_add_days(Days::new(days.into())).unwrap_or(here);
        let use_ = clock.run(here, then).amount;
        let chance = model.forecaster.as_ref().ok().map(|forecaster| {
            let (p, bounds) = forecaster.failure_ahead_within(age.value, use_, LEVEL);
            let chance = Chance { p, bounds };
            factor.map_or(chance, |factor| factor.of(chance))
        });
        Ahead { days, use_, chance, by_constant_rate: by_rate(rate, use_) }
    });
    let visit = unit.next_visit.map(|day| (day, age.value + clock.run(here, day.and_time(NaiveTime::MIN)).amount));
    let reach = round_up(age.value + ahead.first().map_or(0.0, |first| first.use_));
    PartForecast {
        component: part.id,
        unit: component.unit_id,
        group: model.key.clone(),
        age,
        ahead,
        factor,
        reach,
        alike: model.alike(reach),
        loss,
        plan: planned.map(|planned| planned.of_part(visit)),
        rated_life: component.rated_life,
    }
}

/// The units of the forecast parts, in the order of their expected losses.
fn units(
    fleet: &Fleet,
    parts: &[PartForecast],
    now: DateTime<Utc>,
    costs: &RiskCosts,
    currency: Currency,
) -> Vec<UnitRisk> {
    let histories: Vec<&History> = fleet.units.values().map(|unit| &unit.history).collect();
    let rates = upset::rates(&histories);
    let of_units = parts.chunk_by(|a, b| a.unit == b.unit);
    let mut units: Vec<UnitRisk> =
        of_units.filter_map(|parts| of_unit(fleet, parts, rates.as_ref(), now, (costs, currency))).collect();
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
    rates: Option<&Rates>,
    now: DateTime<Utc>,
    (costs, currency): (&RiskCosts, Currency),
) -> Option<UnitRisk> {
    let unit = parts.first()?.unit;
    let facts = fleet.units.get(&unit);
    let upset = rates.zip(facts).map(|(rates, facts)| rates.risk(&facts.history, now));
    let (mut chances, mut by_constant_rate) = ([0.0; HORIZONS_DAYS.len()], [0.0; HORIZONS_DAYS.len()]);
    for (at, ((chance, by_rate), days)) in chances.iter_mut().zip(&mut by_constant_rate).zip(HORIZONS_DAYS).enumerate()
    {
        let ahead = || parts.iter().filter_map(|part| part.ahead.get(at));
        let upsets = upset.as_ref().and_then(|upset| upset.chances.get(at).copied());
        *chance = any_of(ahead().filter_map(|ahead| Some(ahead.chance?.p)).chain(upsets));
        // Of the same parts as the chance: else the rule would be held against a forecast of fewer.
        let by_rates = ahead().filter(|ahead| ahead.chance.is_some()).map(|ahead| ahead.by_constant_rate);
        *by_rate = any_of(by_rates.chain(rates.map(|rates| rates.of_any(days))));
    }
    let mut worn = [None; HORIZONS_DAYS.len()];
    for (at, worn) in worn.iter_mut().enumerate() {
        let share = |part: &PartForecast| Some((part.age.value + part.ahead.get(at)?.use_) / part.rated_life?);
        *worn = parts.iter().filter_map(share).max_by(f64::total_cmp);
    }
    let not_forecast = parts.iter().filter(|part| part.ahead.iter().any(|ahead| ahead.chance.is_none())).count();
    let expected_loss = facts.and_then(|facts| facts.fallback).map(|fallback| {
        let of_parts = parts.iter().filter_map(|part| Some((part.ahead.first()?.chance?.p, part.loss?)));
        let of_upset = upset.as_ref().and_then(|upset| upset.chances.first().copied());
        expected_loss(of_parts.chain(of_upset.map(|p| (p, costs.loss(fallback, currency)))), currency)
    });
    Some(UnitRisk { unit, rank: 0, chances, by_constant_rate, worn, expected_loss, not_forecast, upset })
}
