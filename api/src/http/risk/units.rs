//! `/v1/risk` and `/v1/units/{id}/risk`.

use super::bring::KitToBring;
use super::life_models::LifeModelView;
use crate::auth::{Caller, Role, perm};
use crate::db::page::After;
use crate::db::risk::bring::{self, ToBring};
use crate::db::risk::followed::{self, Weight};
use crate::db::risk::view::{self, PartAtRisk, UnitAtRisk};
use crate::db::series::Of;
use crate::db::{Db, DbError, Tx, unit};
use crate::http::accounts::preview::MoneyView;
use crate::http::answer::{Page, Paging, Problems};
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use domain::ids::UnitId;
use domain::risk::course::Course;
use domain::risk::plan::Plan;
use domain::risk::words::{self, WORTH_BRINGING};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_units_at_risk).service(unit_risk);
}

/// Parts named in the list, for each unit.
pub(crate) const NAMED_PARTS: i64 = 3;
/// Parts of one unit at most.
const PARTS_MOST: i64 = 1000;

/// A unit at risk.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = UnitAtRisk)]
pub struct UnitAtRiskView {
    /// The unit.
    unit_id: Uuid,
    /// What it is called.
    #[schema(example = "Bay 2")]
    unit: String,
    /// Where it stands; null for nowhere.
    #[schema(example = "North yard")]
    site: Option<String>,
    /// Whose it is there.
    #[schema(example = "Harbour Haulage")]
    customer: Option<String>,
    /// What the bay falls back on: `town_water`, `second_unit` or `none`.
    #[schema(example = "town_water")]
    fallback: Option<String>,
    /// The dealer's local day of the night run that forecast it.
    night: NaiveDate,
    /// When that was.
    made_at: DateTime<Utc>,
    /// Its place in the list, from 1.
    #[schema(example = 1)]
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
    #[schema(example = 1)]
    parts_not_forecast: i32,
    /// The parts most likely to fail, and why the process may upset where the dealer has a history
    /// of that, in words made from the figures.
    #[schema(example = json!(["dosing pump tube at 5,480 h; 9 of 14 like it had failed by 5,600 h"]))]
    reasons: Vec<String>,
    /// What is found wrong with it, and what that changes about the chances of its parts.
    #[schema(example = json!(["falling flow is found, which changes no chance yet: 3 failures of transfer pump followed such findings here, and 10 are needed"]))]
    findings: Vec<String>,
    /// What to bring on the next visit.
    #[schema(example = json!(["dosing pump tube, T 6"]))]
    bring: Vec<String>,
    /// The kits that those parts are replaced with, as far as kits say so.
    kits: Vec<KitToBring>,
}

/// What is known beside units and parts.
struct Beside<'a> {
    weights: &'a [Weight],
    kits: &'a [ToBring],
    role: Role,
}

impl UnitAtRiskView {
    fn of(unit: UnitAtRisk, parts: &[PartAtRisk], beside: &Beside<'_>) -> Result<Self, DbError> {
        let own = || parts.iter().filter(|part| part.unit_id == unit.unit_id && part.p_30.is_some());
        let reasons: Result<Vec<String>, DbError> = own().map(|part| Ok(words::reason(&part.told()?))).collect();
        let of_unit = beside.weights.iter().filter(|weight| weight.unit_id == unit.unit_id);
        let findings: Result<Vec<String>, DbError> = of_unit.map(Weight::words).collect();
        let worth = || own().filter(|part| worth_bringing(part));
        let kit = |part: &PartAtRisk| KitToBring::of(beside.kits, &part.kind, part.model.as_deref(), beside.role);
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
            findings: findings?,
            bring: worth().map(|part| words::bring(&part.kind, part.model.as_deref())).collect(),
            kits: worth().filter_map(kit).collect(),
        })
    }
}

/// Whether a part is worth bringing.
pub(crate) fn worth_bringing(part: &PartAtRisk) -> bool {
    part.p_90.is_some_and(|p| p >= WORTH_BRINGING)
}

/// List units at risk
///
/// As the last night run forecast them, greatest expected loss first: the sum over its parts of the
/// probability that each fails within 30 days times what follows its own failure where the unit stands, and
/// the same of a process upset. Parts are taken to fail independently. Those of a customer or site stand
/// there now. As a table (`Accept`), all of them.
#[utoipa::path(tag = "risk", params(AskOf, Paging),
    responses((status = 200, description = "A page of units", content(
        (Page<UnitAtRiskView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/risk")]
async fn list_units_at_risk(
    request: HttpRequest,
    caller: Caller<perm::ReadRisk>,
    (of, paging): (Query<AskOf>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (of, after, role) = (of.parse()?, paging.parse()?, caller.role());
    let read = async move |tx: &Tx<'_>, after: &After| at_risk(tx, &of, after, role).await;
    let key = |_: &After, view: &UnitAtRiskView| (view.rank.to_string(), view.unit_id);
    listed(&request, &caller, (&db, &rates), after, read, (key, |view| view)).await
}

async fn at_risk(tx: &Tx<'_>, of: &Of, after: &After, role: Role) -> Result<Vec<UnitAtRiskView>, DbError> {
    let units = view::units(tx, of, after).await?;
    let ids: Vec<Uuid> = units.iter().map(|unit| unit.unit_id).collect();
    let parts = view::parts(tx, &ids, NAMED_PARTS).await?;
    let weights = followed::weights(tx, &ids).await?;
    let worth: Vec<_> = parts.iter().filter(|part| worth_bringing(part)).map(PartAtRisk::alike).collect();
    let kits = bring::kits(tx, &worth).await?;
    let beside = Beside { weights: &weights, kits: &kits, role };
    units.into_iter().map(|unit| UnitAtRiskView::of(unit, &parts, &beside)).collect()
}

impl Tabled for UnitAtRiskView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("unit_id", Kind::Text),
        ("unit", Kind::Text),
        ("site", Kind::Text),
        ("customer", Kind::Text),
        ("fallback", Kind::Text),
        ("night", Kind::Day),
        ("made_at", Kind::Instant),
        ("rank", Kind::Whole),
        ("failure_probability_30_days", Kind::Number),
        ("failure_probability_90_days", Kind::Number),
        ("expected_loss_30_days", Kind::Text),
        ("parts_not_forecast", Kind::Whole),
        ("reasons", Kind::Text),
        ("findings", Kind::Text),
        ("bring", Kind::Text),
        ("kits", Kind::Text),
    ];
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
    #[schema(example = 0.09)]
    lower: Option<f64>,
    /// Its upper 90 % bound.
    #[schema(example = 0.31)]
    upper: Option<f64>,
}

/// What a finding at a unit changes about the forecast of a part: nothing until enough failures of
/// such parts followed such findings at the dealer's own units. Then the hazard is multiplied, by the
/// greatest factor where there are several findings.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = FindingWeight)]
pub struct FindingWeightView {
    /// As of findings.
    #[schema(example = "falling_flow")]
    finding: &'static str,
    /// Failures of such parts in the weeks after nights with such a finding.
    #[schema(example = 12)]
    failures_followed: i32,
    /// What the hazard is multiplied by; null while it changes nothing.
    #[schema(example = 2.4)]
    factor: Option<f64>,
    /// Its lower 90 % bound.
    #[schema(example = 1.3)]
    lower: Option<f64>,
    /// Its upper 90 % bound.
    #[schema(example = 4.2)]
    upper: Option<f64>,
    /// The same in words.
    #[schema(
        example = "falling flow is found: transfer pump failed 2.4 times as often (90 % interval 1.3 to 4.2) by 12 failures after such findings"
    )]
    words: String,
}

impl FindingWeightView {
    fn of(weight: &Weight) -> Result<Self, DbError> {
        let Weight { failures, factor, lower, upper, .. } = *weight;
        let (finding, words) = (weight.finding()?.as_str(), weight.words()?);
        Ok(Self { finding, failures_followed: failures, factor, lower, upper, words })
    }
}

/// A sign that an upset may follow, and what the dealer's own history makes of it.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct UpsetSign {
    /// `oxygen_low`, `orp_falling`, `sludge_deep`, `too_cold`, `too_hot`, `disinfectant_in_biology`,
    /// `clean_out_late`, `new_chemical`, `idle` or `dose_missed`.
    #[schema(example = "oxygen_low")]
    sign: String,
    /// Upsets that followed it at the dealer's units.
    #[schema(example = 12)]
    upsets_followed: i64,
    /// What it multiplies the rate of upsets by; null where too few followed it to tell.
    #[schema(example = 3.1)]
    factor: Option<f64>,
    /// Its lower 90 % bound.
    #[schema(example = 1.4)]
    lower: Option<f64>,
    /// Its upper 90 % bound.
    #[schema(example = 6.2)]
    upper: Option<f64>,
    /// The same in words.
    #[schema(
        example = "dissolved oxygen was low, 3.1 times as often (90 % interval 1.4 to 6.2) by 12 upsets after it"
    )]
    words: String,
}

/// A part of a unit at risk.
#[derive(Debug, Serialize, ToSchema)]
pub struct PartAtRiskView {
    /// The part.
    component_id: Uuid,
    /// What it is.
    #[schema(example = "dosing_pump_tube")]
    kind: String,
    /// The maker's name for it.
    #[schema(example = "T 6")]
    model: Option<String>,
    /// What ages it.
    #[schema(example = "hours")]
    run_basis: &'static str,
    /// Its age, in the run basis.
    #[schema(example = 5480.0)]
    age: f64,
    /// What of it nobody counted, in the run basis.
    #[schema(example = 120.0)]
    age_estimated: f64,
    /// Where the age is from: `calendar`, `own_counter`, `unit_counter`, or `assumed` where no counter
    /// tells.
    #[schema(example = "unit_counter")]
    age_source: &'static str,
    /// Its rated life, in the run basis.
    #[schema(example = 6000.0)]
    rated_life: Option<f64>,
    /// What the next 30 days may bring.
    within_30_days: AheadView,
    /// The same of 90 days.
    within_90_days: AheadView,
    /// Why, in words made from the figures.
    #[schema(example = "dosing pump tube at 5,480 h; 9 of 14 like it had failed by 5,600 h")]
    reason: String,
    /// What is found wrong with its unit, and what that changes about its chances.
    findings: Vec<FindingWeightView>,
    /// What to do: replace it by an age, or leave it in until it fails and why.
    #[schema(example = "replace by 4,900 h")]
    advice: Option<String>,
    /// The age of least cost, in the run basis; null where leaving it in until it fails costs least or
    /// wear is not shown.
    #[schema(example = 4900.0)]
    replace_at: Option<f64>,
    /// What that saves against leaving it in until it fails, in a thousand units of the run basis.
    saving_per_1000: Option<MoneyView>,
    /// The next planned visit, where replacing at it costs at most 5 % more than at the best age.
    at_visit: Option<NaiveDate>,
    /// How much more it costs then, as a share.
    #[schema(example = 0.02)]
    more_at_visit: Option<f64>,
    /// What its failure costs on top of the part, by what was said to follow it and what the bay falls back on;
    /// null while its unit stands nowhere.
    loss: Option<MoneyView>,
    /// What to bring.
    #[schema(example = "dosing pump tube, T 6")]
    bring: String,
    /// The kit that it is replaced with; null where no kit says that it is for such parts.
    kit: Option<KitToBring>,
    /// What lives of parts alike told.
    life_model: LifeModelView,
}

impl PartAtRiskView {
    fn of(part: PartAtRisk, beside: &Beside<'_>) -> Result<Self, DbError> {
        let (basis, age) = (part.run_basis()?, part.age()?);
        let of_part = beside.weights.iter().filter(|one| one.part_kind == part.kind);
        let findings = of_part.map(FindingWeightView::of).collect::<Result<Vec<_>, _>>()?;
        let plan = part.plan();
        let replace = plan.and_then(Plan::replacement);
        Ok(Self {
            component_id: part.component_id,
            run_basis: basis.as_str(),
            age: age.value,
            age_estimated: age.estimated,
            age_source: age.source.as_str(),
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
            findings,
            advice: plan.map(|plan| words::plan(plan, basis, age.value)),
            replace_at: replace.map(|replace| replace.age),
            saving_per_1000: replace.and_then(|replace| replace.saving_per_1000).map(MoneyView::from),
            at_visit: replace.and_then(|replace| replace.visit).map(|visit| visit.day),
            more_at_visit: replace.and_then(|replace| replace.visit).map(|visit| visit.more),
            bring: words::bring(&part.kind, part.model.as_deref()),
            kit: KitToBring::of(beside.kits, &part.kind, part.model.as_deref(), beside.role),
            loss: part.loss().map(MoneyView::from),
            life_model: LifeModelView::of(&part)?,
            kind: part.kind,
            model: part.model,
        })
    }
}

/// Whether a unit gets worse, by its failures and process upsets over the days that it stood at sites.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = UnitCourse)]
pub struct CourseView {
    /// `getting_worse`, `steady`, `getting_better`, or `too_few` where too little happened to tell.
    #[schema(example = "steady")]
    course: &'static str,
    /// The same in words.
    #[schema(
        example = "steady: 9 failures and upsets in 640 days, one in 71 days on average, neither sooner nor later as far as they tell"
    )]
    words: String,
    /// Failures of its parts and process upsets.
    #[schema(example = 9)]
    events: usize,
    /// Days in which it stood at sites.
    #[schema(example = 640.0)]
    days: f64,
    /// Chance of so clear a trend where there is none, by Laplace's test.
    #[schema(example = 0.41)]
    p: Option<f64>,
    /// Mean days between them.
    #[schema(example = 71.1)]
    mean_days_between: Option<f64>,
    /// Its lower 90 % bound.
    #[schema(example = 40.8)]
    mean_days_lower: f64,
    /// Its upper 90 % bound.
    #[schema(example = 136.3)]
    mean_days_upper: Option<f64>,
    /// The exponent of the power law (Crow-AMSAA), above 1 for a unit that gets worse.
    #[schema(example = 0.92)]
    growth: Option<f64>,
    /// Its lower 90 % bound.
    #[schema(example = 0.48)]
    growth_lower: Option<f64>,
    /// Its upper 90 % bound.
    #[schema(example = 1.48)]
    growth_upper: Option<f64>,
    /// Mean days between them as things stand now, by the power law; the mean above takes them to come at
    /// one rate, which holds for a unit that is steady.
    #[schema(example = 77.3)]
    present_mean_days: Option<f64>,
    /// Its lower 90 % bound.
    #[schema(example = 39.0)]
    present_mean_days_lower: Option<f64>,
    /// Its upper 90 % bound.
    #[schema(example = 168.0)]
    present_mean_days_upper: Option<f64>,
}

impl From<Course> for CourseView {
    fn from(course: Course) -> Self {
        Self {
            course: course.way.as_str(),
            words: course.words(),
            events: course.events,
            days: course.days,
            p: course.p,
            mean_days_between: course.mean_days,
            mean_days_lower: course.mean_days_bounds.lower,
            mean_days_upper: course.mean_days_bounds.upper,
            growth: course.growth,
            growth_lower: course.growth_bounds.map(|bounds| bounds.lower),
            growth_upper: course.growth_bounds.and_then(|bounds| bounds.upper),
            present_mean_days: course.present_mean_days,
            present_mean_days_lower: course.present_mean_days_bounds.map(|bounds| bounds.lower),
            present_mean_days_upper: course.present_mean_days_bounds.and_then(|bounds| bounds.upper),
        }
    }
}

/// The risk of one unit.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = UnitRisk)]
pub struct UnitRiskView {
    /// The unit.
    unit_id: Uuid,
    /// The unit as the list has it; null before a night run has forecast it.
    risk: Option<UnitAtRiskView>,
    /// Whether it gets worse; null for a unit that never stood at a site.
    course: Option<CourseView>,
    /// Signs of a process upset that the unit shows.
    upset_signs: Vec<UpsetSign>,
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
            let unit = view::unit(tx, *id).await?;
            let signs = unit.as_ref().and_then(|unit| serde_json::from_value(unit.signs.clone()?).ok());
            let weights = followed::weights(tx, &[id.0]).await?;
            let alike: Vec<_> = parts.iter().map(PartAtRisk::alike).collect();
            let kits = bring::kits(tx, &alike).await?;
            let beside = Beside { weights: &weights, kits: &kits, role: caller.role() };
            let risk = unit.map(|unit| UnitAtRiskView::of(unit, &named, &beside)).transpose()?;
            let components = parts.into_iter().map(|part| PartAtRiskView::of(part, &beside));
            let components = components.collect::<Result<Vec<_>, _>>()?;
            let course = view::course(tx, *id).await?.map(CourseView::from);
            Ok(UnitRiskView { unit_id: id.0, risk, course, upset_signs: signs.unwrap_or_default(), components })
        })
        .await?;
    Ok(HttpResponse::Ok().json(view))
}
