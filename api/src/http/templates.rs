//! The lines of a unit model as a template, and of recurring work, as they are sent and shown.

use domain::component::{Duty, RunBasis};
use domain::fault::Faults;
use domain::ids::ItemId;
use domain::routine::caution::Caution;
use domain::routine::every::{Every, MonthDay};
use domain::routine::{Certificate, Plan};
use domain::template::catalogue::of_kind;
use domain::template::failure::{Failure, PartsCostClass};
use domain::template::{Consumable, DosePer, GoodsUnit, KitLine, Part, Stage, Template};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// A step of the treatment.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = ModelStage)]
pub struct StageInput {
    /// What it is called.
    #[schema(example = "Settling", max_length = 120)]
    name: String,
    /// What it holds.
    #[schema(example = 1200.0, minimum = 1)]
    volume_l: f64,
    /// Its water surface, of a stage that settles.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 1.1)]
    surface_m2: Option<f64>,
    /// Length of the weir it flows over.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = json!(null))]
    weir_m: Option<f64>,
}

/// A part that units are fitted with. Of a kind of `/v1/part-kinds`, what is left out is as there.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = ModelComponent)]
pub struct PartInput {
    /// What it is, one word in snake_case.
    #[schema(example = "transfer_pump_seal", max_length = 60)]
    kind: String,
    /// The maker's name for it.
    #[serde(default)]
    #[schema(example = "TP 40-120", max_length = 120)]
    model: Option<String>,
    /// When it works: `continuous`, `on_demand` or `timed`.
    #[serde(default)]
    #[schema(example = "on_demand")]
    duty: Option<String>,
    /// What ages it: `hours`, `days`, `starts`, `washes` or `litres`.
    #[serde(default)]
    #[schema(example = "hours")]
    run_basis: Option<String>,
    /// Life to expect, in the run basis.
    #[serde(default)]
    #[schema(example = 8000.0)]
    rated_life: Option<f64>,
    /// Use on a day of running, in the run basis, where no counter tells it.
    #[serde(default)]
    #[schema(example = 6.0)]
    assumed_per_day: Option<f64>,
    /// What follows when it fails.
    #[serde(default)]
    failure: Option<FailureInput>,
}

/// What follows when a part fails.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = PartFailure)]
pub struct FailureInput {
    /// What its parts cost: `low`, `middle` (as much as a day's work) or `high`.
    #[schema(example = "middle")]
    parts_cost_class: String,
    /// Whether somebody has to go there at once.
    #[schema(example = true)]
    call_out: bool,
    /// Days on which the bay stands where town water serves meanwhile.
    #[schema(example = 0.0, minimum = 0)]
    down_town_water_d: f64,
    /// The same where a second unit serves.
    #[schema(example = 0.0, minimum = 0)]
    down_second_unit_d: f64,
    /// The same where nothing does.
    #[schema(example = 1.0, minimum = 0)]
    down_none_d: f64,
}

/// Recurring work.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = RoutinePlan)]
pub struct PlanInput {
    /// What it is called.
    #[schema(example = "Renew the dosing tube", max_length = 120)]
    pub(super) name: String,
    /// How often: what comes first makes it due.
    pub(super) every: EveryInput,
    /// Whether days on which the unit does not run count for nothing.
    #[serde(default)]
    #[schema(example = false)]
    pub(super) rests: bool,
    /// What to look at and do, in order.
    #[serde(default)]
    #[schema(example = json!(["Flush the line with water", "Renew the tube"]))]
    pub(super) checklist: Vec<String>,
    /// `lock_out`, `stored_pressure`, `confined_space`, `ozone`, `acid_and_hypochlorite`,
    /// `oxidisers`, `biology`, `backflow`, `legionella`, `frost` or `discharge`.
    #[serde(default)]
    #[schema(example = json!(["lock_out", "acid_and_hypochlorite"]))]
    pub(super) cautions: Vec<String>,
    /// The certificate without which it isn't done: `backflow_test`, `discharge_permit` or
    /// `sampling`.
    #[serde(default)]
    #[schema(example = json!(null))]
    pub(super) certificate: Option<String>,
}

/// Intervals of which the first to pass makes work due.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = RoutineEvery)]
pub struct EveryInput {
    /// Days.
    #[serde(default)]
    #[schema(example = 365, minimum = 1, maximum = 3660)]
    days: Option<u32>,
    /// A day of the year, as MM-DD.
    #[serde(default)]
    #[schema(example = json!(null))]
    yearly_on: Option<String>,
    /// Hours of running.
    #[serde(default)]
    #[schema(example = 1000.0)]
    hours: Option<f64>,
    /// Starts.
    #[serde(default)]
    #[schema(example = json!(null))]
    starts: Option<f64>,
    /// Washes.
    #[serde(default)]
    #[schema(example = json!(null))]
    washes: Option<f64>,
    /// Litres of wash water.
    #[serde(default)]
    #[schema(example = json!(null))]
    litres: Option<f64>,
}

/// What is used up.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = ModelConsumable)]
pub struct ConsumableInput {
    /// What it is called.
    #[schema(example = "Sulphuric acid 35 %", max_length = 120)]
    name: String,
    /// In what it is counted: `kg`, `l` or `piece`.
    #[schema(example = "l")]
    unit: String,
    /// How much, in that unit.
    #[schema(example = 0.05)]
    dose: f64,
    /// For each `day` of running, `m3` of wash water or `wash`.
    #[schema(example = "m3")]
    dose_per: String,
    /// The consumable in stock that it is, counted in the same unit; left out, the words alone say it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = json!(null))]
    item_id: Option<Uuid>,
}

/// An item that a task takes along.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = ModelKitLine)]
pub struct KitLineInput {
    /// The task.
    #[schema(example = "Yearly service", max_length = 120)]
    task: String,
    /// The item.
    #[schema(example = "Dosing tube 6 x 4", max_length = 120)]
    item: String,
    /// How much.
    #[schema(value_type = String, example = "1")]
    quantity: Decimal,
    /// In what: `kg`, `l` or `piece`.
    #[schema(example = "piece")]
    unit: String,
    /// What serves instead, the best first.
    #[serde(default)]
    #[schema(example = json!(["Dosing tube 6 x 4, clear"]))]
    substitutes: Vec<String>,
    /// The consumable in stock that it is, counted in the same unit; left out, the words alone say it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = json!(null))]
    item_id: Option<Uuid>,
}

fn each<I, T>(faults: &mut Faults, list: &str, lines: &[I], parse: impl Fn(&I) -> Result<T, Faults>) -> Vec<T> {
    let one = |(n, line): (usize, &I)| faults.take(&format!("/{list}/{n}"), parse(line));
    lines.iter().enumerate().filter_map(one).collect()
}

/// The lists of a template, as they are sent.
pub(super) struct Lists<'a> {
    pub(super) stages: &'a [StageInput],
    pub(super) components: &'a [PartInput],
    pub(super) routines: &'a [PlanInput],
    pub(super) consumables: &'a [ConsumableInput],
    pub(super) kits: &'a [KitLineInput],
}

impl Lists<'_> {
    /// The template, unchecked but for its names.
    pub(super) fn parse(&self) -> Result<Template, Faults> {
        let mut faults = Faults::default();
        let stage = |line: &StageInput| {
            let StageInput { name, volume_l, surface_m2, weir_m } = line.clone();
            Ok(Stage { name, volume_l, surface_m2, weir_m })
        };
        let template = Template {
            stages: each(&mut faults, "stages", self.stages, stage),
            parts: each(&mut faults, "components", self.components, PartInput::parse),
            routines: each(&mut faults, "routines", self.routines, PlanInput::parse),
            consumables: each(&mut faults, "consumables", self.consumables, ConsumableInput::parse),
            kits: each(&mut faults, "kits", self.kits, KitLineInput::parse),
        };
        faults.or(template)
    }
}

impl From<&Stage> for StageInput {
    fn from(value: &Stage) -> Self {
        let Stage { name, volume_l, surface_m2, weir_m } = value.clone();
        Self { name, volume_l, surface_m2, weir_m }
    }
}

const NO_KIND: &str = "say it, or name a kind of /v1/part-kinds";

impl PartInput {
    fn parse(&self) -> Result<Part, Faults> {
        let mut faults = Faults::default();
        let known = of_kind(self.kind.trim());
        let duty = self.duty.as_deref().map(|name| faults.take("/duty", Duty::parse(name)));
        let duty = duty.unwrap_or_else(|| known.map(|kind| kind.duty).or_else(|| missing(&mut faults, "/duty")));
        let basis = self.run_basis.as_deref().map(|name| faults.take("/run_basis", RunBasis::parse(name)));
        let basis =
            basis.unwrap_or_else(|| known.map(|kind| kind.run_basis).or_else(|| missing(&mut faults, "/run_basis")));
        let failure = self.failure.as_ref().map(|sent| faults.take("/failure", sent.parse()));
        let failure =
            failure.unwrap_or_else(|| known.map(|kind| kind.failure).or_else(|| missing(&mut faults, "/failure")));
        let Some(((duty, run_basis), failure)) = duty.zip(basis).zip(failure) else { return Err(faults) };
        // A life in another basis says nothing.
        let usual = known.filter(|kind| kind.run_basis == run_basis).map(|kind| kind.rated_life);
        faults.or(Part {
            kind: self.kind.clone(),
            model: self.model.clone(),
            duty,
            run_basis,
            rated_life: self.rated_life.or(usual),
            assumed_per_day: self.assumed_per_day,
            failure,
        })
    }
}

fn missing<T>(faults: &mut Faults, pointer: &str) -> Option<T> {
    faults.add(pointer, "required", NO_KIND);
    None
}

impl From<&Part> for PartInput {
    fn from(value: &Part) -> Self {
        Self {
            kind: value.kind.clone(),
            model: value.model.clone(),
            duty: Some(value.duty.as_str().to_owned()),
            run_basis: Some(value.run_basis.as_str().to_owned()),
            rated_life: value.rated_life,
            assumed_per_day: value.assumed_per_day,
            failure: Some(FailureInput::from(&value.failure)),
        }
    }
}

impl FailureInput {
    fn parse(&self) -> Result<Failure, Faults> {
        let mut faults = Faults::default();
        let class = PartsCostClass::parse(&self.parts_cost_class);
        let parts_cost = faults.take_or("/parts_cost_class", class, PartsCostClass::Low);
        faults.or(Failure {
            parts_cost,
            call_out: self.call_out,
            down_town_water_d: self.down_town_water_d,
            down_second_unit_d: self.down_second_unit_d,
            down_none_d: self.down_none_d,
        })
    }
}

impl From<&Failure> for FailureInput {
    fn from(value: &Failure) -> Self {
        Self {
            parts_cost_class: value.parts_cost.as_str().to_owned(),
            call_out: value.call_out,
            down_town_water_d: value.down_town_water_d,
            down_second_unit_d: value.down_second_unit_d,
            down_none_d: value.down_none_d,
        }
    }
}

impl PlanInput {
    /// The plan, unchecked but for its names.
    pub(super) fn parse(&self) -> Result<Plan, Faults> {
        let mut faults = Faults::default();
        let EveryInput { days, yearly_on, hours, starts, washes, litres } = &self.every;
        let yearly_on = yearly_on.as_deref().map(MonthDay::parse).transpose();
        let yearly_on = faults.take_or("/every/yearly_on", yearly_on, None);
        let every = Every { days: *days, yearly_on, hours: *hours, starts: *starts, washes: *washes, litres: *litres };
        let cautions = each(&mut faults, "cautions", &self.cautions, |name| Caution::parse(name));
        let certificate = self.certificate.as_deref().map(Certificate::parse).transpose();
        let certificate = faults.take_or("/certificate", certificate, None);
        let (name, checklist) = (self.name.clone(), self.checklist.clone());
        faults.or(Plan { name, every, rests: self.rests, checklist, cautions, certificate })
    }
}

impl From<&Plan> for PlanInput {
    fn from(value: &Plan) -> Self {
        let Every { days, yearly_on, hours, starts, washes, litres } = value.every;
        let yearly_on = yearly_on.map(|day| day.to_string());
        Self {
            name: value.name.clone(),
            every: EveryInput { days, yearly_on, hours, starts, washes, litres },
            rests: value.rests,
            checklist: value.checklist.clone(),
            cautions: value.cautions.iter().map(|caution| caution.as_str().to_owned()).collect(),
            certificate: value.certificate.map(|certificate| certificate.as_str().to_owned()),
        }
    }
}

impl ConsumableInput {
    fn parse(&self) -> Result<Consumable, Faults> {
        let mut faults = Faults::default();
        let unit = faults.take_or("/unit", GoodsUnit::parse(&self.unit), GoodsUnit::L);
        let per = faults.take_or("/dose_per", DosePer::parse(&self.dose_per), DosePer::Day);
        let item_id = self.item_id.map(ItemId);
        faults.or(Consumable { name: self.name.clone(), unit, dose: self.dose, per, item_id })
    }
}

impl From<&Consumable> for ConsumableInput {
    fn from(value: &Consumable) -> Self {
        Self {
            name: value.name.clone(),
            unit: value.unit.as_str().to_owned(),
            dose: value.dose,
            dose_per: value.per.as_str().to_owned(),
            item_id: value.item_id.map(|item| item.0),
        }
    }
}

impl KitLineInput {
    fn parse(&self) -> Result<KitLine, Faults> {
        let mut faults = Faults::default();
        let unit = faults.take_or("/unit", GoodsUnit::parse(&self.unit), GoodsUnit::Piece);
        faults.or(KitLine {
            task: self.task.clone(),
            item: self.item.clone(),
            quantity: self.quantity,
            unit,
            substitutes: self.substitutes.clone(),
            item_id: self.item_id.map(ItemId),
        })
    }
}

impl From<&KitLine> for KitLineInput {
    fn from(value: &KitLine) -> Self {
        Self {
            task: value.task.clone(),
            item: value.item.clone(),
            quantity: value.quantity,
            unit: value.unit.as_str().to_owned(),
            substitutes: value.substitutes.clone(),
            item_id: value.item_id.map(|item| item.0),
        }
    }
}
