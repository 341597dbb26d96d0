//! A unit model as a template: stages, parts, recurring work, consumables and kits, written as one
//! document. A unit made from it gets its parts and its work; a later change of the model leaves
//! units in the field as they are.

pub mod catalogue;
pub mod failure;
pub mod starter;

use crate::component::{Component, Duty, RunBasis, assumed_use};
use crate::dosing::basin::Loaded;
use crate::fault::Faults;
use crate::ids::{ItemId, UnitId};
use crate::named::named;
use crate::routine::{Plan, Routine};
use chrono::{DateTime, NaiveDate, Utc};
use failure::Failure;
use rust_decimal::Decimal;

/// Most lines of each list.
const LINES_MAX: usize = 200;
/// Largest amount taken, in any unit.
const AMOUNT_MAX: f64 = 1e6;
/// Smallest that can be meant.
const AMOUNT_MIN: f64 = 1e-6;
/// Surfaces, in square metres, and weirs, in metres, that a skid-mounted stage can have (common
/// practice, no source).
const LENGTH_MIN: f64 = 0.01;
const LENGTH_MAX: f64 = 1000.0;

named! {
    /// In what goods are counted.
    GoodsUnit as "unit" {
        /// Kilogram.
        Kg = "kg",
        /// Litre.
        L = "l",
        /// Piece.
        Piece = "piece",
    }
}

named! {
    /// What a dose goes by.
    DosePer as "dose_per" {
        /// A day of running.
        Day = "day",
        /// A cubic metre of wash water.
        M3 = "m3",
        /// A wash.
        Wash = "wash",
    }
}

/// A step of the treatment.
#[derive(Debug, Clone, PartialEq)]
pub struct Stage {
    /// What it is called.
    pub name: String,
    /// What it holds, in litres.
    pub volume_l: f64,
    /// Its water surface, in square metres, where it settles.
    pub surface_m2: Option<f64>,
    /// Length of the weir it flows over, in metres.
    pub weir_m: Option<f64>,
}

/// A part that units are fitted with.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// What it is, one word in snake_case.
    pub kind: String,
    /// The maker's name for it.
    pub model: Option<String>,
    /// When it works.
    pub duty: Duty,
    /// What ages it.
    pub run_basis: RunBasis,
    /// Life to expect, in the run basis.
    pub rated_life: Option<f64>,
    /// Use on a day of running, in the run basis, where no counter tells it.
    pub assumed_per_day: Option<f64>,
    /// What follows when it fails.
    pub failure: Failure,
}

/// What is used up.
#[derive(Debug, Clone, PartialEq)]
pub struct Consumable {
    /// What it is called.
    pub name: String,
    /// In what it is counted.
    pub unit: GoodsUnit,
    /// How much, in that unit.
    pub dose: f64,
    /// For each of what.
    pub per: DosePer,
    /// The item of the stock that it is.
    pub item_id: Option<ItemId>,
}

/// An item that a task takes along.
#[derive(Debug, Clone, PartialEq)]
pub struct KitLine {
    /// The task.
    pub task: String,
    /// The item.
    pub item: String,
    /// How much.
    pub quantity: Decimal,
    /// In what.
    pub unit: GoodsUnit,
    /// What serves instead, the best first.
    pub substitutes: Vec<String>,
    /// The item of the stock that it is.
    pub item_id: Option<ItemId>,
}

/// What units of a model are made of.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Template {
    /// Steps of the treatment, in the order in which water passes.
    pub stages: Vec<Stage>,
    /// Parts.
    pub parts: Vec<Part>,
    /// Recurring work.
    pub routines: Vec<Plan>,
    /// What is used up.
    pub consumables: Vec<Consumable>,
    /// What tasks take along.
    pub kits: Vec<KitLine>,
}

impl Template {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        let checked = Self {
            stages: lines(&mut faults, "stages", self.stages, Stage::checked),
            parts: lines(&mut faults, "components", self.parts, Part::checked),
            routines: lines(&mut faults, "routines", self.routines, Plan::checked),
            consumables: lines(&mut faults, "consumables", self.consumables, Consumable::checked),
            kits: lines(&mut faults, "kits", self.kits, KitLine::checked),
        };
        faults.or(checked)
    }

    /// The work of a unit made from it.
    pub fn routines_of(&self, unit_id: UnitId, counts_from: NaiveDate) -> impl Iterator<Item = Routine> {
        self.routines.iter().map(move |plan| Routine { unit_id, plan: plan.clone(), technician_id: None, counts_from })
    }
}

fn lines<T: Clone>(faults: &mut Faults, list: &str, lines: Vec<T>, checked: impl Fn(T) -> Result<T, Faults>) -> Vec<T> {
    if lines.len() > LINES_MAX {
        faults.add(format!("/{list}"), "too_many", format!("give at most {LINES_MAX} lines"));
        return Vec::new();
    }
    let one = |(n, line): (usize, T)| faults.take(&format!("/{list}/{n}"), checked(line));
    lines.into_iter().enumerate().filter_map(one).collect()
}

impl Stage {
    fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.name = faults.text("/name", &self.name, 120);
        faults.range("/volume_l", self.volume_l, 1.0, AMOUNT_MAX);
        for (pointer, length) in [("/surface_m2", self.surface_m2), ("/weir_m", self.weir_m)] {
            if let Some(length) = length {
                faults.range(pointer, length, LENGTH_MIN, LENGTH_MAX);
            }
        }
        faults.or(self)
    }

    /// What its loading goes by.
    #[must_use]
    pub fn loaded(&self) -> Loaded {
        Loaded { volume_l: self.volume_l, surface_m2: self.surface_m2, weir_m: self.weir_m }
    }
}

impl Part {
    fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.kind = faults.word("/kind", &self.kind, 60);
        self.model = faults.optional_text("/model", self.model.as_deref(), 120);
        if let Some(life) = self.rated_life {
            faults.range("/rated_life", life, 1e-3, 1e12);
        }
        assumed_use(&mut faults, self.assumed_per_day, self.run_basis);
        let failure = self.failure.checked();
        self.failure = faults.take_or("/failure", failure, self.failure);
        faults.or(self)
    }

    /// The part as it is fitted to a unit.
    #[must_use]
    pub fn fitted(&self, unit_id: UnitId, at: DateTime<Utc>) -> Component {
        Component {
            unit_id,
            kind: self.kind.clone(),
            model: self.model.clone(),
            serial_number: None,
            duty: self.duty,
            run_basis: self.run_basis,
            rated_life: self.rated_life,
            assumed_per_day: self.assumed_per_day,
            age_at_fitting: 0.0,
            fitted_at: at,
            tracked_from: None,
            last_good_at: None,
            out: None,
            warranty_until: None,
        }
    }
}

impl Consumable {
    fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.name = faults.text("/name", &self.name, 120);
        faults.range("/dose", self.dose, AMOUNT_MIN, AMOUNT_MAX);
        faults.or(self)
    }
}

impl KitLine {
    fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.task = faults.text("/task", &self.task, 120);
        self.item = faults.text("/item", &self.item, 120);
        if self.quantity <= Decimal::ZERO || self.quantity > Decimal::from(1_000_000) {
            faults.add("/quantity", "out_of_range", "give more than nothing, and at most 1000000");
        }
        if self.substitutes.len() > 20 {
            faults.add("/substitutes", "too_many", "give at most 20 substitutes");
        }
        let named = self.substitutes.iter().enumerate();
        self.substitutes = named.map(|(n, name)| faults.text(&format!("/substitutes/{n}"), name, 120)).collect();
        faults.or(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::routine::tests::plan;
    use failure::tests::small;

    #[test]
    fn every_fault_is_named_by_its_line() {
        let part = Part {
            kind: "pH probe".to_owned(),
            model: None,
            duty: Duty::Continuous,
            run_basis: RunBasis::Days,
            rated_life: Some(0.0),
            assumed_per_day: Some(1.0),
            failure: small(),
        };
        let template = Template {
            stages: vec![Stage {
                name: "Settling".to_owned(),
                volume_l: 0.0,
                surface_m2: Some(0.0),
                weir_m: Some(1.2),
            }],
            parts: vec![part],
            routines: vec![plan(), Plan { name: String::new(), ..plan() }],
            consumables: vec![Consumable {
                name: "Acid".to_owned(),
                unit: GoodsUnit::L,
                dose: 0.0,
                per: DosePer::Day,
                item_id: None,
            }],
            kits: vec![KitLine {
                task: "Yearly".to_owned(),
                item: "Seal".to_owned(),
                quantity: Decimal::ZERO,
                unit: GoodsUnit::Piece,
                substitutes: vec![" ".to_owned()],
                item_id: None,
            }],
        };
        let pointers: Vec<_> = template.checked().unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(
            pointers,
            [
                "/stages/0/volume_l",
                "/stages/0/surface_m2",
                "/components/0/kind",
                "/components/0/rated_life",
                "/components/0/assumed_per_day",
                "/routines/1/name",
                "/consumables/0/dose",
                "/kits/0/quantity",
                "/kits/0/substitutes/0"
            ]
        );
    }
}
