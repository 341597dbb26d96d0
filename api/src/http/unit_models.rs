//! `/v1/unit-models`.

use super::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use super::table::{Kind, Tabled, listed};
use super::templates::{ConsumableInput, KitLineInput, Lists, PartInput, PlanInput, StageInput};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::{Db, Stored, Tx, unit_model};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post, put};
use domain::fault::Faults;
use domain::ids::ModelId;
use domain::template::Template;
use domain::unit::UnitModel;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_unit_model)
        .service(list_unit_models)
        .service(get_unit_model)
        .service(put_unit_model)
        .service(update_unit_model);
}

/// What is sent of a unit model. Its lists are the template of its units: customers' people see
/// none of them.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct UnitModelInput {
    /// Its name; each model has its own.
    #[schema(example = "Loop 2000", max_length = 120)]
    name: String,
    /// Flow it treats.
    #[schema(example = 2000.0, minimum = 1)]
    rated_flow_l_per_h: f64,
    /// Volume of its tanks in use.
    #[schema(example = 3500.0, minimum = 1)]
    working_volume_l: f64,
    /// Volume between the floats that start and stop the fill.
    #[schema(example = 300.0, minimum = 0)]
    float_band_l: f64,
    /// Steps of the treatment, in the order in which water passes.
    #[serde(default)]
    stages: Vec<StageInput>,
    /// Parts that units are fitted with.
    #[serde(default)]
    components: Vec<PartInput>,
    /// Recurring work that units get.
    #[serde(default)]
    routines: Vec<PlanInput>,
    /// What is used up.
    #[serde(default)]
    consumables: Vec<ConsumableInput>,
    /// What tasks take along.
    #[serde(default)]
    kits: Vec<KitLineInput>,
}

impl UnitModelInput {
    pub(crate) fn parse(&self) -> Result<UnitModel, Faults> {
        let mut faults = Faults::default();
        let Self { stages, components, routines, consumables, kits, .. } = self;
        let lists = Lists { stages, components, routines, consumables, kits };
        let model = UnitModel {
            name: self.name.clone(),
            rated_flow_l_per_h: self.rated_flow_l_per_h,
            working_volume_l: self.working_volume_l,
            float_band_l: self.float_band_l,
            template: faults.take_or("", lists.parse(), Template::default()),
        };
        faults.and(model.checked())
    }
}

/// A unit model.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = UnitModel)]
pub struct UnitModelView {
    id: Uuid,
    #[serde(flatten)]
    record: UnitModelInput,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<&UnitModel> for UnitModelInput {
    fn from(value: &UnitModel) -> Self {
        Self {
            name: value.name.clone(),
            rated_flow_l_per_h: value.rated_flow_l_per_h,
            working_volume_l: value.working_volume_l,
            float_band_l: value.float_band_l,
            stages: value.template.stages.iter().map(Into::into).collect(),
            components: value.template.parts.iter().map(Into::into).collect(),
            routines: value.template.routines.iter().map(Into::into).collect(),
            consumables: value.template.consumables.iter().map(Into::into).collect(),
            kits: value.template.kits.iter().map(Into::into).collect(),
        }
    }
}

impl From<Stored<ModelId, UnitModel>> for UnitModelView {
    fn from(stored: Stored<ModelId, UnitModel>) -> Self {
        Self { id: stored.id.0, record: UnitModelInput::from(&stored.value), stamps: Stamps::from(&stored) }
    }
}

/// Add a unit model
#[utoipa::path(tag = "units", request_body = UnitModelInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The model", body = UnitModelView), Problems))]
#[post("/unit-models")]
async fn create_unit_model(
    caller: Caller<perm::WriteUnits>,
    key: IdempotencyKey,
    input: Body<UnitModelInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = unit_model::create(tx, &new).await?;
        Ok((stored.revision, UnitModelView::from(stored)))
    })
    .await
}

/// List unit models by name
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "units", params(Sorting, Paging),
    responses((status = 200, description = "A page of models", content(
        (Page<UnitModelView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/unit-models")]
async fn list_unit_models(
    request: HttpRequest,
    caller: Caller<perm::ReadUnits>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let after = paging.sorted(&sorting, "name")?;
    let read = async |tx: &Tx<'_>, after: &After| unit_model::list(tx, after).await;
    let key = |after: &After, row: &Stored<ModelId, UnitModel>| after.place(row, &row.value.name, row.id.0);
    listed(&request, &caller, (&db, &rates), after, read, (key, UnitModelView::from)).await
}

impl Tabled for UnitModelView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("name", Kind::Text),
        ("rated_flow_l_per_h", Kind::Number),
        ("working_volume_l", Kind::Number),
        ("float_band_l", Kind::Number),
        ("stages", Kind::Text),
        ("components", Kind::Text),
        ("routines", Kind::Text),
        ("consumables", Kind::Text),
        ("kits", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a unit model
#[utoipa::path(tag = "units", params(("id" = Uuid, Path, description = "The model's id")),
    responses((status = 200, description = "The model", body = UnitModelView), Problems))]
#[get("/unit-models/{id}")]
async fn get_unit_model(
    caller: Caller<perm::ReadUnits>,
    id: Path<ModelId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| unit_model::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &UnitModelView::from(stored)))
}

/// Write a unit model anew
///
/// The whole document with its lists. Units in the field stay as they are.
#[utoipa::path(tag = "units", request_body = UnitModelInput,
    params(("id" = Uuid, Path, description = "The model's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The model as it is now", body = UnitModelView), Problems))]
#[put("/unit-models/{id}")]
async fn put_unit_model(
    caller: Caller<perm::WriteUnits>,
    id: Path<ModelId>,
    at: IfMatch,
    input: Body<UnitModelInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    let stored =
        db.write(caller.scope(), caller.now(), async |tx| unit_model::update_at(tx, *id, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &UnitModelView::from(stored)))
}

/// Change a unit model
///
/// An RFC 7396 merge patch: send the fields that change; a list is replaced whole. Units in the
/// field stay as they are.
#[utoipa::path(tag = "units", request_body = UnitModelInput,
    params(("id" = Uuid, Path, description = "The model's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The model as it is now", body = UnitModelView), Problems))]
#[patch("/unit-models/{id}")]
async fn update_unit_model(
    caller: Caller<perm::WriteUnits>,
    id: Path<ModelId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| unit_model::get(tx, *id).await).await?;
    let new = answer::patched(&UnitModelInput::from(&current.value), &patch.0)?.parse()?;
    let stored =
        db.write(caller.scope(), caller.now(), async |tx| unit_model::update_at(tx, *id, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &UnitModelView::from(stored)))
}
