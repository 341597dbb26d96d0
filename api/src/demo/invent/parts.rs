//! The parts of a unit: what each model is fitted with, how long the parts lasted, and which
//! rounds of recurring work were made.

use super::chance::{Chance, Topic};
use super::names::Model;
use super::plan::{DAY_S, UnitPlan};
use domain::component::{Duty, OutWhy, RunBasis};
use domain::template::catalogue::of_kind;
use domain::template::{Part, Stage, Template, starter};

/// A kind of part as it wears at this dealer's units (common practice, no source).
#[derive(Debug)]
struct Wear {
    kind: &'static str,
    /// Use on a day of running, where no counter tells it, in the catalogue's run basis.
    per_day: Option<f64>,
    /// Scale in days and shape of the Weibull distribution of its lives.
    scale_d: f64,
    shape: f64,
    /// Share of the parts that are taken out before they fail.
    in_time: f64,
}

const fn wear(kind: &'static str, per_day: Option<f64>, (scale_d, shape): (f64, f64), in_time: f64) -> Wear {
    Wear { kind, per_day, scale_d, shape, in_time }
}

const WEAR: [Wear; 10] = [
    wear("dosing_tube", None, (330.0, 4.0), 0.5),
    wear("dosing_pump", None, (2600.0, 2.0), 0.2),
    wear("ph_probe", None, (520.0, 3.5), 0.5),
    wear("ozone_cell", None, (850.0, 3.0), 0.3),
    wear("blower_diaphragm", None, (430.0, 3.0), 0.4),
    wear("transfer_pump_seal", Some(3.0), (2200.0, 2.0), 0.2),
    wear("solenoid_valve", None, (1500.0, 2.0), 0.2),
    wear("float_switch", None, (2600.0, 1.2), 0.1),
    wear("backflow_preventer", None, (5000.0, 3.0), 0.6),
    wear(BAG_FILTER, None, (62.0, 6.0), 0.9),
];

const BAG_FILTER: &str = "bag_filter";
/// Litres that a bag lasts for, and that pass it on a day, for each litre an hour of the model.
const BAG_LITRES: (f64, f64) = (220.0, 2.1);
/// The recurring work of each model, by the starter's names, and about how many days apart it is
/// done.
const ROUTINES: [(&str, i64); 5] = [
    ("Check the probes against buffers", 90),
    ("Renew the dosing tube", 330),
    ("Change the bag filter", 60),
    ("Clean out the pit", 350),
    ("Have the backflow preventer tested", 350),
];

/// Stages with their shares of a model's volume, and the depth of the one that settles, in metres.
const STAGES: [(&str, f64, Option<f64>); 3] =
    [("Settling", 0.35, Some(1.2)), ("Biology", 0.4, None), ("Clean tank", 0.25, None)];

fn stage(model: &Model, (name, share, depth_m): (&str, f64, Option<f64>)) -> Stage {
    let volume_l = share * model.volume_l;
    let surface_m2 = depth_m.map(|depth| volume_l / 1000.0 / depth);
    Stage { name: name.to_owned(), volume_l, surface_m2, weir_m: None }
}

/// What units of a model are made of.
pub(crate) fn template(model: &Model) -> Template {
    let part = |wear: &Wear| {
        let known = of_kind(wear.kind)?;
        let bag = wear.kind == BAG_FILTER;
        // The run-hour meters count the transfer pump: what runs by a timer or always ages by days.
        let by_day = known.duty != Duty::OnDemand;
        Some(Part {
            kind: wear.kind.to_owned(),
            model: None,
            duty: known.duty,
            run_basis: if by_day { RunBasis::Days } else { known.run_basis },
            rated_life: Some(match (by_day, bag) {
                (true, _) => wear.scale_d,
                (false, true) => BAG_LITRES.0 * model.flow_l_per_h,
                (false, false) => known.rated_life,
            }),
            assumed_per_day: if bag { Some(BAG_LITRES.1 * model.flow_l_per_h) } else { wear.per_day },
            failure: known.failure,
        })
    };
    let mut routines = starter::routines();
    routines.retain(|plan| ROUTINES.iter().any(|(name, _)| *name == plan.name));
    for plan in &mut routines {
        if let Some(litres) = &mut plan.every.litres {
            *litres = BAG_LITRES.0 * model.flow_l_per_h;
        }
        if plan.every.days == Some(30) {
            plan.every.days = Some(90);
        }
        // Large bays wash so often in a year.
        plan.every.washes = plan.every.washes.map(|_| 15_000.0);
    }
    let stages = STAGES.iter().map(|of| stage(model, *of)).collect();
    Template { stages, parts: WEAR.iter().filter_map(part).collect(), routines, ..Template::default() }
}

/// A part of a unit from the day it was put in.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PartPlan {
    pub(crate) kind: &'static str,
    /// How old it was then, as a share of its rated life.
    pub(crate) used: f64,
    /// When and why it and those after it were taken out, in seconds since 1970.
    pub(crate) swaps: Vec<(i64, OutWhy)>,
}

/// The parts of a unit with what became of them up to `to_s`.
pub(crate) fn of(plan: &UnitPlan, to_s: i64) -> Vec<PartPlan> {
    let mut chance = Chance::of(Topic::Parts, plan.number);
    let second_hand = chance.yes(0.35);
    WEAR.iter().map(|wear| part(plan, wear, second_hand, to_s, &mut chance)).collect()
}

fn part(plan: &UnitPlan, wear: &Wear, second_hand: bool, to_s: i64, chance: &mut Chance) -> PartPlan {
    let ages = of_kind(wear.kind).is_some_and(|known| known.run_basis != RunBasis::Litres);
    let used = if second_hand && ages { chance.between(0.15, 0.6) } else { 0.0 };
    let mut swaps = Vec::new();
    let mut life_d = (wear.life_d(chance) - used * wear.scale_d).max(0.2 * wear.scale_d);
    let mut at_s = plan.from_s;
    loop {
        let in_time = chance.yes(wear.in_time);
        at_s += days(life_d * if in_time { 0.92 } else { 1.0 });
        if at_s + DAY_S > to_s {
            return PartPlan { kind: wear.kind, used, swaps };
        }
        let why = match (in_time, chance.yes(0.65)) {
            (true, _) => OutWhy::Preventive,
            (false, true) => OutWhy::Failed,
            (false, false) => OutWhy::WornOutFound,
        };
        swaps.push((at_s, why));
        life_d = wear.life_d(chance);
    }
}

impl Wear {
    /// A life drawn from its distribution, in days.
    fn life_d(&self, chance: &mut Chance) -> f64 {
        (self.scale_d * chance.exponential(1.0).powf(1.0 / self.shape)).max(0.1 * self.scale_d)
    }
}

/// The rounds of a routine of that name, in seconds since 1970. At some units the last is late.
pub(crate) fn rounds(plan: &UnitPlan, name: &str, to_s: i64) -> Vec<i64> {
    let Some((place, (_, every_d))) = ROUTINES.iter().enumerate().find(|(_, (of, _))| *of == name) else {
        return Vec::new();
    };
    let mut chance = Chance::of(Topic::Work, plan.number * ROUTINES.len() + place);
    let mut rounds = Vec::new();
    let mut at_s = plan.from_s;
    loop {
        at_s += days(chance.normal(*every_d as f64 * 0.97, 3.0).max(1.0));
        if at_s + DAY_S > to_s {
            break;
        }
        rounds.push(at_s);
    }
    if chance.yes(0.15) {
        rounds.pop();
    }
    rounds
}

#[expect(clippy::cast_possible_truncation, reason = "some decades of seconds at most")]
fn days(number: f64) -> i64 {
    (number * 24.0) as i64 * 3600
}
