//! `/v1/risk` and `/v1/units/{id}/risk`.

use crate::auth::{Caller, perm};
use crate::db::risk::view::{self, PartAtRisk, UnitAtRisk};
use crate::db::{Db, DbError, unit};
use crate::http::accounts::preview::MoneyView;
use crate::http::answer::{self, Page, Paging, Problems};
use crate::problem::Problem;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use domain::ids::UnitId;
use domain::risk::words::{self, WORTH_BRINGING};
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(config: &mut ServiceConfig) {
    config.service(list_units_at_risk).service(unit_risk);
}

/// Parts named in the list, for each unit.
pub(crate) const NAMED_PARTS: i64 = 3;
/// Parts of one unit at most.
const PARTS_MOST: i64 = 1000;

/// A unit at risk.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = UnitAtRisk)]
pub struct UnitAtRiskView {
    unit_id: Uuid,
    /// What it is called.
    #[schema(example = "Bay 2")]
    unit: String,
    /// Where it stands; null for nowhere.
    site: Option<String>,
    /// Whose it is there.
    customer: Option<String>,
    /// What the bay falls back on: `town_water`, `second_unit` or `none`.
    fallback: Option<String>,
    /// The dealer's local day of the night run that forecast it.
    night: NaiveDate,
    /// When that was.
    made_at: DateTime<Utc>,
    /// Its place in the list, from 1.
    rank: i32,
    /// Probability that one part at least fails or the process upsets within 30 days.
    #[schema(example = 0.31)]
    failure_probability_30_days: f64,
    /// The same within 90 days.
    #[schema(example = 0.62)]
    failure_probability_90_days: f64,
    /// What failures within 30 days are expected to cost; null for a unit that stands nowhere.
    #[schema(value_type = Option<MoneyView>)]
    expected_loss_30_days: Option<Value>,
    /// Parts of which nothing can be forecast: no rated life, no lives that tell.
    parts_not_forecast: i32,
    /// The parts most likely to fail, and why the process may upset where the dealer has a history
    /// of that, in words made from the figures.
    #[schema(example = json!(["dosing pump tube at 5,480 h; 9 of 14 like it had failed by 5,600 h"]))]
    reasons: Vec<String>,
    /// What to bring on the next visit.
    #[schema(example = json!(["dosing pump tube, T 6"]))]
    bring: Vec<String>,
}

impl UnitAtRiskView {
    fn of(unit: UnitAtRisk, parts: &[PartAtRisk]) -> Result<Self, DbError> {
        let own = || parts.iter().filter(|part| part.unit_id == unit.unit_id && part.p_30.is_some());
        let reasons: Result<Vec<String>, DbError> = own().map(|part| Ok(words::reason(&part.told()?))).collect();
        let worth = own().filter(|part| part.p_90.is_some_and(|p| p >= WORTH_BRINGING));
        Ok(Self {
            unit_id: unit.unit_id,
            unit: unit.label,
            site: unit.site,
            customer: unit.customer,
            fallback: unit.fallback,
            night: unit.night,
            made_at: unit.made_at,
            rank: unit.rank,
            failure_probability_30_days: unit.p_30,
            failure_probability_90_days: unit.p_90,
            expected_loss_30_days: unit.expected_loss,
            parts_not_forecast: unit.not_forecast,
            reasons: reasons?.into_iter().chain(unit.upset).collect(),
            bring: worth.map(|part| words::bring(&part.kind, part.model.as_deref())).collect(),
        })
    }
}

/// List units at risk
///
/// As the last night run forecast them, greatest expected loss first: the probability that a part
/// fails or the process upsets within 30 days, times what a failure costs where the unit stands. Parts are taken to fail
/// independently, and each to stop the unit.
#[utoipa::path(tag = "risk", params(Paging),
    responses((status = 200, description = "A page of units", body = Page<UnitAtRiskView>), Problems))]
#[get("/risk")]
async fn list_units_at_risk(
    request: HttpRequest,
    caller: Caller<perm::ReadRisk>,
    paging: Query<Paging>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let after = paging.parse()?;
    let views = db
        .read(caller.scope(), caller.now(), async |tx| {
            let units = view::units(tx, &after).await?;
            let ids: Vec<Uuid> = units.iter().map(|unit| unit.unit_id).collect();
            let parts = view::parts(tx, &ids, NAMED_PARTS).await?;
            units.into_iter().map(|unit| UnitAtRiskView::of(unit, &parts)).collect::<Result<Vec<_>, _>>()
        })
        .await?;
    let key = |view: &UnitAtRiskView| (view.rank.to_string(), view.unit_id);
    Ok(answer::page(&request, &after, views, key, |view| view))
}

/// What lives of parts alike told.
#[derive(Debug, Serialize, ToSchema)]
pub struct LifeModelView {
    /// `lives`: the lives alone. `rated_life_and_lives`: the rated life, corrected by the lives, as
    /// long as fewer than ten parts failed. `nothing`: no forecast can be made.
    #[schema(example = "lives")]
    basis: String,
    /// The maker's model that the lives are of; null for all parts of the kind and duty.
    of_model: Option<String>,
    /// When these parts work.
    #[schema(example = "timed")]
    duty: String,
    /// Lives, running ones included.
    #[schema(example = 31)]
    lives: i32,
    /// Failures among them.
    #[schema(example = 14)]
    failures: i32,
    /// Weibull shape and scale with 90 % bounds, how the lives ended by cause, the use a day
    /// assumed of parts without a counter; or why there is no estimate.
    figures: Value,
}

/// What the days up to a horizon may bring.
#[derive(Debug, Serialize, ToSchema)]
pub struct AheadView {
    /// Use expected until then, in the run basis: by the season of last year where it is known,
    /// without planned standstills.
    #[schema(example = 412.0)]
    expected_use: f64,
    /// Probability that the part fails by then; null where nothing is held of its life.
    #[schema(example = 0.18)]
    failure_probability: Option<f64>,
    /// Its lower 90 % bound.
    lower: Option<f64>,
    /// Its upper 90 % bound.
    upper: Option<f64>,
}

/// A part of a unit at risk.
#[derive(Debug, Serialize, ToSchema)]
pub struct PartAtRiskView {
    component_id: Uuid,
    /// What it is.
    #[schema(example = "dosing_pump_tube")]
    kind: String,
    /// The maker's name for it.
    model: Option<String>,
    /// What ages it.
    #[schema(example = "hours")]
    run_basis: &'static str,
    /// Its age, in the run basis.
    #[schema(example = 5480.0)]
    age: f64,
    /// Where the age is from: `calendar`, `counter`, or `assumed` where no counter tells.
    #[schema(example = "counter")]
    age_from: &'static str,
    /// Its rated life, in the run basis.
    rated_life: Option<f64>,
    within_30_days: AheadView,
    within_90_days: AheadView,
    /// Why, in words made from the figures.
    #[schema(example = "dosing pump tube at 5,480 h; 9 of 14 like it had failed by 5,600 h")]
    reason: String,
    /// What to do: replace by an age, or run to failure and why.
    #[schema(example = "replace by 4,900 h")]
    advice: Option<String>,
    /// The age of least cost, in the run basis; null where running to failure costs least or wear
    /// is not shown.
    replace_at: Option<f64>,
    /// What to bring.
    #[schema(example = "dosing pump tube, T 6")]
    bring: String,
    life_model: LifeModelView,
}

impl PartAtRiskView {
    fn of(part: PartAtRisk) -> Result<Self, DbError> {
        let basis = part.run_basis()?;
        let plan = part.plan();
        Ok(Self {
            component_id: part.component_id,
            run_basis: basis.as_str(),
            age: part.age,
            age_from: part.age_from()?.as_str(),
            rated_life: part.rated_life,
            within_30_days: AheadView {
                expected_use: part.use_30,
                failure_probability: part.p_30,
                lower: part.lower_30,
                upper: part.upper_30,
            },
            within_90_days: AheadView {
                expected_use: part.use_90,
                failure_probability: part.p_90,
                lower: part.lower_90,
                upper: part.upper_90,
            },
            reason: words::reason(&part.told()?),
            advice: plan.map(|plan| words::plan(plan, basis)),
            replace_at: plan.and_then(|plan| plan.age()),
            bring: words::bring(&part.kind, part.model.as_deref()),
            life_model: LifeModelView {
                basis: part.basis,
                of_model: part.group_model,
                duty: part.duty,
                lives: part.lives,
                failures: part.failures,
                figures: part.figures,
            },
            kind: part.kind,
            model: part.model,
        })
    }
}

/// The risk of one unit.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = UnitRisk)]
pub struct UnitRiskView {
    unit_id: Uuid,
    /// The unit as the list has it; null before a night run has forecast it.
    risk: Option<UnitAtRiskView>,
    /// Its running parts, those most likely to fail first.
    components: Vec<PartAtRiskView>,
}

/// Show the risk of a unit
///
/// Its parts as the last night run forecast them: ages and what they are from, the lives of parts
/// alike, probabilities with 90 % bounds, what to do and what to bring.
#[utoipa::path(tag = "risk", params(("id" = Uuid, Path, description = "The unit's id")),
    responses((status = 200, description = "The unit's risk", body = UnitRiskView), Problems))]
#[get("/units/{id}/risk")]
async fn unit_risk(caller: Caller<perm::ReadRisk>, id: Path<UnitId>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let view = db
        .read(caller.scope(), caller.now(), async |tx| {
            unit::get(tx, *id).await?;
            let parts = view::parts(tx, &[id.0], PARTS_MOST).await?;
            let named: Vec<PartAtRisk> = parts.iter().take(3).cloned().collect();
            let risk = view::unit(tx, *id).await?.map(|unit| UnitAtRiskView::of(unit, &named)).transpose()?;
            let components = parts.into_iter().map(PartAtRiskView::of).collect::<Result<Vec<_>, _>>()?;
            Ok(UnitRiskView { unit_id: id.0, risk, components })
        })
        .await?;
    Ok(HttpResponse::Ok().json(view))
}
