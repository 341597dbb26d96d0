//! `/v1/units/{id}/feed` and `/v1/units/{id}/stages`: what a dose asks of a unit's dosing pump, and how
//! hard the stages of its treatment are loaded.

use super::answer::Problems;
use crate::auth::{Caller, perm};
use crate::db::treatment::{self, MeasuredFlow, Stages};
use crate::db::{Db, Tx};
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use actix_web::get;
use actix_web::web::{Data, Json, Path, Query};
use chrono::{DateTime, NaiveDate, Utc};
use domain::dosing::basin::Loading;
use domain::dosing::feed::{Dose, Feed};
use domain::dosing::fitted::{FittedPump, ToSet};
use domain::dosing::pump::Setting;
use domain::fault::Faults;
use domain::ids::{ItemId, UnitId};
use domain::stock::item::Item;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of these answers.
pub fn routes(routes: &mut Routes) {
    routes.service(get_unit_feed).service(get_unit_stages);
}

/// Flows that are taken, in litres a day.
const FLOW_L_PER_D: (f64, f64) = (1.0, 1e8);
/// Doses and loads that are taken, in milligrams a litre.
const MG_PER_L: (f64, f64) = (1e-3, 1e5);

/// Which dose.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct DoseAsked {
    /// The consumable that is dosed.
    item_id: Uuid,
    /// Active substance wanted in the water.
    #[param(example = 12.0)]
    dose_mg_per_l: f64,
    /// Flow that is dosed; left out, what meters saw pass the unit's treatment.
    #[param(example = 9000.0)]
    flow_l_per_d: Option<f64>,
    /// Active substance in the product by mass, as it is fed; left out, the consumable's own.
    #[param(example = 0.125)]
    active_share: Option<f64>,
    /// Mass of a litre of it; left out, the consumable's own.
    #[param(example = 1.2)]
    density_kg_per_l: Option<f64>,
}

/// A flow through a treatment.
#[derive(Debug, Serialize, ToSchema)]
pub struct TreatedFlow {
    /// In litres a day.
    #[schema(example = 9000.0)]
    l_per_d: f64,
    /// `given` with the question, or by the meters of `recirculation`, else of `wash`.
    #[schema(example = "recirculation")]
    by: &'static str,
    /// The first of the months it is the mean of; null of a given one.
    #[schema(example = "2026-03-01")]
    since: Option<NaiveDate>,
}

impl TreatedFlow {
    /// The flow that is gone by, if any: the given one first.
    fn of(given: Option<f64>, measured: Option<&MeasuredFlow>) -> Option<Self> {
        let given = given.map(|l_per_d| Self { l_per_d, by: "given", since: None });
        let by_meters =
            |flow: &MeasuredFlow| Self { l_per_d: flow.l_per_d, by: flow.stream.as_str(), since: Some(flow.since) };
        given.or_else(|| measured.map(by_meters))
    }
}

/// What a dose asks of a product, in the mean of all hours.
#[derive(Debug, Serialize, ToSchema)]
pub struct UnitFeed {
    /// The flow that is treated.
    flow: TreatedFlow,
    /// Active substance.
    #[schema(example = 0.108)]
    active_kg_per_d: f64,
    /// Product by mass.
    #[schema(example = 0.864)]
    product_kg_per_d: f64,
    /// Product by volume.
    #[schema(example = 0.72)]
    product_l_per_d: f64,
    /// The same, a minute.
    #[schema(example = 0.5)]
    product_ml_per_min: f64,
    /// The unit's pump of it; null where nobody noted how it was left.
    pump: Option<FeedPump>,
}

/// A dosing pump, its test, and what to set.
#[derive(Debug, Serialize, ToSchema)]
pub struct FeedPump {
    /// Since when it stands as it does.
    left_at: DateTime<Utc>,
    /// What its setting says; null of one led by pH, which has no fixed rate.
    #[schema(example = 7.5)]
    set_ml_per_min: Option<f64>,
    /// What it gave in the last draw-down test since then; null without one.
    #[schema(example = 6.9)]
    tested_ml_per_min: Option<f64>,
    /// Whether the two are further apart than a pump may be and the test can tell; null without both.
    #[schema(example = false)]
    out_of_line: Option<bool>,
    /// Share of all time in which it runs.
    #[schema(example = 0.3)]
    run_share: f64,
    /// The setting to make for this feed; null where there is none.
    to_set: Option<ToSetView>,
    /// Why there is none, and what to do.
    #[schema(example = json!(null))]
    no_setting: Option<String>,
}

/// A setting to make.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = PumpToSet)]
pub struct ToSetView {
    /// Length of the stroke: it stays.
    #[schema(example = 0.6)]
    stroke_share: f64,
    /// Strokes in a time.
    #[schema(example = 0.25)]
    speed_share: f64,
    /// What the pump then gives while it runs.
    #[schema(example = 1.67)]
    ml_per_min: f64,
    /// By the last `draw_down` test, else by the pump's `plate`.
    #[schema(example = "draw_down")]
    by: &'static str,
}

impl From<ToSet> for ToSetView {
    fn from(ToSet { setting: Setting { stroke_share, speed_share }, ml_per_min, by }: ToSet) -> Self {
        Self { stroke_share, speed_share, ml_per_min, by: by.as_str() }
    }
}

impl FeedPump {
    fn of((fitted, left_at): (FittedPump, DateTime<Utc>), product_ml_per_min: f64) -> Self {
        let to_set = fitted.to_set(product_ml_per_min);
        let words = |faults: &Faults| faults.0.iter().map(|fault| fault.detail.as_str()).collect::<Vec<_>>().join("; ");
        Self {
            left_at,
            set_ml_per_min: fitted.pump.ml_per_min().ok(),
            tested_ml_per_min: fitted.test.map(|test| test.ml_per_min()),
            out_of_line: fitted.check().map(|check| check.out_of_line),
            run_share: fitted.run_share,
            no_setting: to_set.as_ref().err().map(words),
            to_set: to_set.ok().map(Into::into),
        }
    }
}

const NO_FLOW: &str = "Nothing measured a flow through this unit in the last months; give one as flow_l_per_d.";

impl DoseAsked {
    fn faults(&self) -> Faults {
        let mut faults = Faults::default();
        faults.range("/dose_mg_per_l", self.dose_mg_per_l, MG_PER_L.0, MG_PER_L.1);
        given_flow(&mut faults, self.flow_l_per_d);
        faults
    }

    /// The flow that is dosed, and what that asks of the item.
    fn feed(&self, item: &Item, measured: Option<&MeasuredFlow>) -> Result<(TreatedFlow, Feed), Problem> {
        let product = self.faults().and(item.product((self.active_share, self.density_kg_per_l)))?;
        let flow = TreatedFlow::of(self.flow_l_per_d, measured);
        let flow = flow.ok_or_else(|| Problem::at(Kind::Invalid, "/flow_l_per_d", "required", NO_FLOW))?;
        let dose = Dose { flow_l_per_d: flow.l_per_d, dose_mg_per_l: self.dose_mg_per_l };
        Ok((flow, dose.feed(product)))
    }
}

fn given_flow(faults: &mut Faults, flow_l_per_d: Option<f64>) {
    if let Some(flow) = flow_l_per_d {
        faults.range("/flow_l_per_d", flow, FLOW_L_PER_D.0, FLOW_L_PER_D.1);
    }
}

/// Get what a dose asks of a unit's pump
///
/// Mass and volume of the product out of the dose, the flow and the product's strength, and the
/// setting to make: by what the pump gave in its last draw-down test where there is one. Read the
/// product's safety data sheet before you dose it.
#[utoipa::path(tag = "units", params(("id" = Uuid, Path, description = "The unit's id"), DoseAsked),
    responses((status = 200, description = "The feed and the setting", body = UnitFeed), Problems))]
#[get("/units/{id}/feed")]
async fn get_unit_feed(
    caller: Caller<perm::ReadStock>,
    id: Path<UnitId>,
    asked: Query<DoseAsked>,
    db: Data<Db>,
) -> Result<Json<UnitFeed>, Problem> {
    let read = async |tx: &Tx<'_>| treatment::dosed(tx, *id, ItemId(asked.item_id)).await;
    let found = db.read(caller.scope(), caller.now(), read).await?;
    let (flow, fed) = asked.feed(&found.item, found.measured.as_ref())?;
    let Feed { active_kg_per_d, product_kg_per_d, product_l_per_d, product_ml_per_min } = fed;
    let pump = found.pump.map(|fitted| FeedPump::of(fitted, product_ml_per_min));
    Ok(Json(UnitFeed { flow, active_kg_per_d, product_kg_per_d, product_l_per_d, product_ml_per_min, pump }))
}

/// Which load.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct LoadAsked {
    /// Flow through the stages; left out, what meters saw pass the unit's treatment.
    #[param(example = 9000.0)]
    flow_l_per_d: Option<f64>,
    /// What the water brings of something, such as solids, by an analysis; left out, no load by mass.
    #[param(example = 250.0)]
    brings_mg_per_l: Option<f64>,
}

/// The stages of a unit and how hard they are loaded.
#[derive(Debug, Serialize, ToSchema)]
pub struct UnitStages {
    /// The flow that loads them; null where none was given or measured, and then nothing is said of it.
    flow: Option<TreatedFlow>,
    /// What the unit treats by its plate, day and night.
    #[schema(example = 48000.0)]
    rated_l_per_d: Option<f64>,
    /// In the order in which water passes; none where the unit's model names none.
    stages: Vec<StageLoading>,
}

/// A stage.
#[derive(Debug, Serialize, ToSchema)]
pub struct StageLoading {
    /// What it is called.
    #[schema(example = "Settling")]
    name: String,
    /// What it holds.
    #[schema(example = 1200.0)]
    volume_l: f64,
    /// How long water stays on the average.
    #[schema(example = 3.2)]
    detention_h: Option<f64>,
    /// The same at the flow of the plate.
    #[schema(example = 0.6)]
    detention_at_rated_h: Option<f64>,
    /// Surface overflow rate, cubic metres a day on a square metre; null without a surface.
    #[schema(example = 8.2)]
    overflow_m_per_d: Option<f64>,
    /// Cubic metres a day over a metre of weir; null without one.
    #[schema(example = json!(null))]
    weir_m3_per_m_d: Option<f64>,
    /// Kilograms a day into a cubic metre, of `brings_mg_per_l`.
    #[schema(example = 1.9)]
    load_kg_per_m3_d: Option<f64>,
}

impl UnitStages {
    fn of(found: Stages, asked: &LoadAsked) -> Self {
        let flow = TreatedFlow::of(asked.flow_l_per_d, found.measured.as_ref());
        let rated_l_per_d = found.rated_flow_l_per_h.map(|flow| flow * 24.0);
        let stage = |stage: domain::template::Stage| {
            let by = |l_per_d: f64| stage.loaded().by(l_per_d, asked.brings_mg_per_l);
            let now: Option<Loading> = flow.as_ref().and_then(|flow| by(flow.l_per_d));
            StageLoading {
                detention_h: now.map(|now| now.detention_h),
                detention_at_rated_h: rated_l_per_d.and_then(by).map(|rated| rated.detention_h),
                overflow_m_per_d: now.and_then(|now| now.overflow_m_per_d),
                weir_m3_per_m_d: now.and_then(|now| now.weir_m3_per_m_d),
                load_kg_per_m3_d: now.and_then(|now| now.load_kg_per_m3_d),
                volume_l: stage.volume_l,
                name: stage.name,
            }
        };
        let stages = found.stages.into_iter().map(stage).collect();
        Self { rated_l_per_d, stages, flow }
    }
}

/// Get how hard a unit's stages are loaded
///
/// Detention and loading of each stage of its model, by the flow that its meters measured.
#[utoipa::path(tag = "units", params(("id" = Uuid, Path, description = "The unit's id"), LoadAsked),
    responses((status = 200, description = "The stages", body = UnitStages), Problems))]
#[get("/units/{id}/stages")]
async fn get_unit_stages(
    caller: Caller<perm::ReadFindings>,
    id: Path<UnitId>,
    asked: Query<LoadAsked>,
    db: Data<Db>,
) -> Result<Json<UnitStages>, Problem> {
    let mut faults = Faults::default();
    given_flow(&mut faults, asked.flow_l_per_d);
    if let Some(load) = asked.brings_mg_per_l {
        faults.range("/brings_mg_per_l", load, MG_PER_L.0, MG_PER_L.1);
    }
    faults.or(())?;
    let found = db.read(caller.scope(), caller.now(), async |tx| treatment::stages(tx, *id).await).await?;
    Ok(Json(UnitStages::of(found, &asked)))
}
