//! `/v1/components`.

use super::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use super::series::AskOf;
use super::table::{Kind, Tabled, listed};
use super::templates::FailureInput;
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::wear::{self, Seen};
use crate::db::{Db, Tx, component};
use crate::extract::{Body, IdempotencyKey, IfMatch, instant, optional_instant};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::component::{Component, Duty, OutWhy, RunBasis, TakenOut};
use domain::fault::Faults;
use domain::ids::{ComponentId, UnitId};
use domain::wear::age::Age;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_component)
        .service(list_components)
        .service(get_component)
        .service(update_component)
        .service(retire_component)
        .service(put_back_component)
        .service(replace_component);
}

/// What is sent of a component.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ComponentInput {
    /// Which unit it is part of; it stays with it.
    unit_id: Uuid,
    /// What it is, one word in snake_case, the same for all parts of a kind.
    #[schema(example = "transfer_pump", max_length = 60, pattern = "^[a-z][a-z0-9_]*$")]
    kind: String,
    /// The maker's name for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "TP 40-120", max_length = 120)]
    model: Option<String>,
    /// The maker's serial number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "88120-7", max_length = 60)]
    serial_number: Option<String>,
    /// When it works: `continuous`, `on_demand` or `timed`.
    #[schema(example = "on_demand")]
    duty: String,
    /// What ages it: `hours`, `days`, `starts`, `washes` or `litres`.
    #[schema(example = "hours")]
    run_basis: String,
    /// Life it is sold for, in the run basis.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 12000.0)]
    rated_life: Option<f64>,
    /// Use on a day of running, in the run basis, where no counter tells it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 6.0)]
    assumed_per_day: Option<f64>,
    /// Age it had when fitted or when tracking began, in the run basis.
    #[serde(default)]
    #[schema(example = 0.0, default = 0.0, minimum = 0)]
    age_at_fitting: f64,
    /// When it was fitted.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-01-12T09:30:00Z")]
    fitted_at: DateTime<Utc>,
    /// From when on its failure would have been written down, where that was after it was fitted: a part
    /// that was already running when records began is known only because it had lasted till then, and its
    /// life counts from then on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "2026-06-01T00:00:00Z")]
    tracked_from: Option<DateTime<Utc>>,
    /// When it was last seen in good order.
    #[serde(default, deserialize_with = "optional_instant", skip_serializing_if = "Option::is_none")]
    #[schema(example = "2026-04-02T10:00:00Z")]
    last_good_at: Option<DateTime<Utc>>,
    /// Last day of the maker's warranty.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "2028-01-12")]
    warranty_until: Option<NaiveDate>,
}

impl ComponentInput {
    /// The component.
    ///
    /// # Errors
    /// Every fault found.
    pub(crate) fn parse(&self) -> Result<Component, Faults> {
        let mut faults = Faults::default();
        let component = Component {
            unit_id: UnitId(self.unit_id),
            kind: self.kind.clone(),
            model: self.model.clone(),
            serial_number: self.serial_number.clone(),
            duty: faults.take_or("/duty", Duty::parse(&self.duty), Duty::Continuous),
            run_basis: faults.take_or("/run_basis", RunBasis::parse(&self.run_basis), RunBasis::Hours),
            rated_life: self.rated_life,
            assumed_per_day: self.assumed_per_day,
            age_at_fitting: self.age_at_fitting,
            fitted_at: self.fitted_at,
            tracked_from: self.tracked_from,
            last_good_at: self.last_good_at,
            out: None,
            warranty_until: self.warranty_until,
        };
        faults.and(component.checked())
    }
}

impl From<&Component> for ComponentInput {
    fn from(value: &Component) -> Self {
        Self {
            unit_id: value.unit_id.0,
            kind: value.kind.clone(),
            model: value.model.clone(),
            serial_number: value.serial_number.clone(),
            duty: value.duty.as_str().to_owned(),
            run_basis: value.run_basis.as_str().to_owned(),
            rated_life: value.rated_life,
            assumed_per_day: value.assumed_per_day,
            age_at_fitting: value.age_at_fitting,
            fitted_at: value.fitted_at,
            tracked_from: value.tracked_from,
            last_good_at: value.last_good_at,
            warranty_until: value.warranty_until,
        }
    }
}

/// What is sent to take a component out.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ComponentOut {
    /// When it was taken out.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-05-20T14:00:00Z")]
    out_at: DateTime<Utc>,
    /// Why: `failed`, `worn_out_found`, `preventive`, `upgrade`, `external` (frost, a wrong
    /// chemical), `faulty_new` or `unknown`.
    #[schema(example = "worn_out_found")]
    out_why: String,
}

impl ComponentOut {
    /// When and why.
    ///
    /// # Errors
    /// A fault at `/out_why`.
    pub(crate) fn parse(&self) -> Result<TakenOut, Faults> {
        let mut faults = Faults::default();
        let why = faults.take_or("/out_why", OutWhy::parse(&self.out_why), OutWhy::Unknown);
        faults.or(TakenOut { at: self.out_at, why })
    }
}

/// What is sent to take back that a component was taken out.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ComponentBack {
    /// Why.
    #[schema(example = "Entered for the pump beside it", max_length = 500)]
    why: String,
}

/// A component.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Component)]
pub struct ComponentView {
    id: Uuid,
    #[serde(flatten)]
    record: ComponentInput,
    /// When it was taken out; null while it is fitted.
    out_at: Option<DateTime<Utc>>,
    /// Why it was taken out.
    #[schema(example = json!(null))]
    out_why: Option<&'static str>,
    /// How old it is; null where nothing tells it.
    age: Option<AgeView>,
    /// When a calibration left it beyond use: its life ended then, though it may still be fitted.
    failed_calibration_at: Option<DateTime<Utc>>,
    /// What follows when it fails, for the dealer's people; null where nobody said.
    failure: Option<FailureInput>,
    #[serde(flatten)]
    stamps: Stamps,
}

/// The age of a component before the present day, or when it was taken out.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ComponentAge)]
pub struct AgeView {
    /// In the run basis.
    #[schema(example = 5210.0)]
    value: f64,
    /// What of it nobody counted.
    #[schema(example = 0.0)]
    estimated: f64,
    /// `calendar`, `own_counter`, `unit_counter`, or `assumed`.
    #[schema(example = "own_counter")]
    source: &'static str,
    /// Share of the rated life that is used up; null without one.
    #[schema(example = 0.43)]
    share_of_rated_life: Option<f64>,
}

impl AgeView {
    fn of(age: Age, rated_life: Option<f64>) -> Self {
        Self {
            value: age.value,
            estimated: age.estimated,
            source: age.source.as_str(),
            share_of_rated_life: rated_life.map(|life| age.share_of(life)),
        }
    }
}

impl From<Seen> for ComponentView {
    fn from(Seen { part: stored, age, failure, failed_calibration_at }: Seen) -> Self {
        Self {
            id: stored.id.0,
            record: ComponentInput::from(&stored.value),
            out_at: stored.value.out.map(|out| out.at),
            out_why: stored.value.out.map(|out| out.why.as_str()),
            age: age.map(|age| AgeView::of(age, stored.value.rated_life)),
            failed_calibration_at,
            failure: failure.as_ref().map(FailureInput::from),
            stamps: Stamps::from(&stored),
        }
    }
}

/// Which components.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListComponents {
    /// Only this kind.
    #[param(example = "transfer_pump")]
    kind: Option<String>,
    /// Only this model of its maker's.
    #[param(example = "TP 40-120")]
    model: Option<String>,
    /// Whether to give only those that are fitted now.
    #[serde(default)]
    #[param(required = false)]
    fitted: bool,
}

impl ListComponents {
    fn parse(self, of: &AskOf) -> Result<component::Filter, Faults> {
        let Self { kind, model, fitted } = self;
        Ok(component::Filter { of: of.parse()?, kind, model, fitted })
    }
}

/// Fit a component
#[utoipa::path(tag = "components", request_body = ComponentInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The component", body = ComponentView), Problems))]
#[post("/components")]
async fn create_component(
    caller: Caller<perm::WriteComponents>,
    key: IdempotencyKey,
    input: Body<ComponentInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let seen = wear::seen_one(tx, component::create(tx, &new).await?).await?;
        Ok((seen.part.revision, ComponentView::from(seen)))
    })
    .await
}

/// List components by kind
///
/// Those of a customer or site are in units that stand there now. As a table (`Accept`), all of them.
#[utoipa::path(tag = "components", params(ListComponents, AskOf, Sorting, Paging),
    responses((status = 200, description = "A page of components", content(
        (Page<ComponentView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/components")]
async fn list_components(
    request: HttpRequest,
    caller: Caller<perm::ReadComponents>,
    (query, of): (Query<ListComponents>, Query<AskOf>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let after = paging.sorted(&sorting, "kind")?;
    let filter = query.into_inner().parse(&of)?;
    let read = async move |tx: &Tx<'_>, after: &After| wear::seen(tx, component::list(tx, &filter, after).await?).await;
    let key = |after: &After, row: &Seen| after.place(&row.part, &row.part.value.kind, row.part.id.0);
    listed(&request, &caller, (&db, &rates), after, read, (key, ComponentView::from)).await
}

impl Tabled for ComponentView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("unit_id", Kind::Text),
        ("kind", Kind::Text),
        ("model", Kind::Text),
        ("serial_number", Kind::Text),
        ("duty", Kind::Text),
        ("run_basis", Kind::Text),
        ("rated_life", Kind::Number),
        ("assumed_per_day", Kind::Number),
        ("age_at_fitting", Kind::Number),
        ("fitted_at", Kind::Instant),
        ("tracked_from", Kind::Instant),
        ("last_good_at", Kind::Instant),
        ("warranty_until", Kind::Day),
        ("out_at", Kind::Instant),
        ("out_why", Kind::Text),
        ("age", Kind::Text),
        ("failed_calibration_at", Kind::Instant),
        ("failure", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a component
#[utoipa::path(tag = "components", params(("id" = Uuid, Path, description = "The component's id")),
    responses((status = 200, description = "The component", body = ComponentView), Problems))]
#[get("/components/{id}")]
async fn get_component(
    caller: Caller<perm::ReadComponents>,
    id: Path<ComponentId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let one = async |tx: &Tx<'_>| wear::seen_one(tx, component::get(tx, *id).await?).await;
    Ok(shown(StatusCode::OK, db.read(caller.scope(), caller.now(), one).await?))
}

/// Change a component
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one.
#[utoipa::path(tag = "components", request_body = ComponentInput,
    params(("id" = Uuid, Path, description = "The component's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The component as it is now", body = ComponentView), Problems))]
#[patch("/components/{id}")]
async fn update_component(
    caller: Caller<perm::WriteComponents>,
    id: Path<ComponentId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| component::get(tx, *id).await).await?;
    let new = answer::patched(&ComponentInput::from(&current.value), &patch.0)?.parse()?;
    let work = async |tx: &Tx<'_>| wear::seen_one(tx, component::update_at(tx, *id, at.0, &new).await?).await;
    Ok(shown(StatusCode::OK, db.write(caller.scope(), caller.now(), work).await?))
}

/// Take a component out
///
/// Once, with when and why. The next part in its place is another component.
#[utoipa::path(tag = "components", request_body = ComponentOut,
    params(("id" = Uuid, Path, description = "The component's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The component as it is now", body = ComponentView), Problems))]
#[post("/components/{id}/retire")]
async fn retire_component(
    caller: Caller<perm::WriteComponents>,
    id: Path<ComponentId>,
    at: IfMatch,
    input: Body<ComponentOut>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let out = input.0.parse()?;
    let work = async |tx: &Tx<'_>| wear::seen_one(tx, component::take_out(tx, *id, at.0, out).await?).await;
    Ok(shown(StatusCode::OK, db.write(caller.scope(), caller.now(), work).await?))
}

/// Take back that a component was taken out
///
/// For what was entered wrongly, with the reason: the part was fitted all the time.
#[utoipa::path(tag = "components", request_body = ComponentBack,
    params(("id" = Uuid, Path, description = "The component's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The component as it is now", body = ComponentView), Problems))]
#[post("/components/{id}/put-back")]
async fn put_back_component(
    caller: Caller<perm::WriteComponents>,
    id: Path<ComponentId>,
    at: IfMatch,
    input: Body<ComponentBack>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let why = &input.0.why;
    let work = async |tx: &Tx<'_>| wear::seen_one(tx, component::put_back(tx, *id, at.0, why).await?).await;
    Ok(shown(StatusCode::OK, db.write(caller.scope(), caller.now(), work).await?))
}

fn shown(status: StatusCode, seen: Seen) -> HttpResponse {
    answer::record(status, seen.part.revision, &ComponentView::from(seen))
}

/// What is sent to replace a component.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Replacement {
    /// When the old one was taken out and the new one fitted.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-05-20T14:00:00Z")]
    out_at: DateTime<Utc>,
    /// Why, as for taking one out.
    #[schema(example = "worn_out_found")]
    out_why: String,
    /// The new one: what is left out is as of the old one, but for its serial number, age and
    /// warranty.
    #[serde(default)]
    new: NewPart,
}

/// What is said of the new component.
#[derive(Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPart {
    /// The maker's name for it.
    #[serde(default)]
    #[schema(example = "TP 40-120", max_length = 120)]
    model: Option<String>,
    /// The maker's serial number.
    #[serde(default)]
    #[schema(example = "88120-9", max_length = 60)]
    serial_number: Option<String>,
    /// Life it is sold for, in the run basis.
    #[serde(default)]
    #[schema(example = 12000.0)]
    rated_life: Option<f64>,
    /// Age it has already, in the run basis.
    #[serde(default)]
    #[schema(example = 0.0)]
    age_at_fitting: f64,
    /// Last day of the maker's warranty.
    #[serde(default)]
    #[schema(example = "2028-05-20")]
    warranty_until: Option<NaiveDate>,
}

impl Replacement {
    fn parse(&self) -> Result<TakenOut, Faults> {
        ComponentOut { out_at: self.out_at, out_why: self.out_why.clone() }.parse()
    }

    fn fitted(&self, old: &Component) -> Result<Component, Faults> {
        let NewPart { model, serial_number, rated_life, age_at_fitting, warranty_until } = &self.new;
        let alike = old.successor(self.out_at);
        let mut faults = Faults::default();
        let new = Component {
            model: model.clone().or(alike.model),
            serial_number: serial_number.clone(),
            rated_life: rated_life.or(alike.rated_life),
            age_at_fitting: *age_at_fitting,
            warranty_until: *warranty_until,
            ..alike
        };
        faults.take("/new", new.checked()).ok_or(faults)
    }
}

/// Replace a component
///
/// In one go: the old one is taken out with its reason and the new one fitted, with the counters
/// of the old one. Answers the new one.
#[utoipa::path(tag = "components", request_body = Replacement,
    params(("id" = Uuid, Path, description = "The old component's id"), ("If-Match" = String, Header, description = "ETag of your last read of the old one")),
    responses((status = 201, description = "The new component", body = ComponentView), Problems))]
#[post("/components/{id}/replace")]
async fn replace_component(
    caller: Caller<perm::WriteComponents>,
    id: Path<ComponentId>,
    at: IfMatch,
    input: Body<Replacement>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let out = input.0.parse()?;
    let work = async |tx: &Tx<'_>| {
        let new = input.0.fitted(&component::get(tx, *id).await?.value)?;
        wear::seen_one(tx, component::replace(tx, *id, at.0, out, &new).await?).await
    };
    Ok(shown(StatusCode::CREATED, db.write(caller.scope(), caller.now(), work).await?))
}
