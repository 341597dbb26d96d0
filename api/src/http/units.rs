//! `/v1/units`.

use super::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use super::table::{Kind, Tabled, listed};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::placement::Present;
use crate::db::unit::{self, Placed};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::{CustomerId, ModelId, SiteId, UnitId};
use domain::spell::SpellState;
use domain::unit::Unit;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_unit).service(list_units).service(get_unit).service(update_unit).service(retire_unit);
}

/// What is sent of a unit.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct UnitInput {
    /// The model it is built after.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c11")]
    model_id: Option<Uuid>,
    /// The maker's serial number; each unit has its own.
    #[schema(example = "L2-00417", max_length = 60)]
    serial_number: String,
    /// What the dealer's people call it.
    #[schema(example = "Harbour bay 2", max_length = 120)]
    label: String,
    /// Flow it treats, where that differs from its model's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 1800.0, minimum = 1)]
    rated_flow_l_per_h: Option<f64>,
    /// Volume of its tanks in use, where that differs from its model's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 3200.0, minimum = 1)]
    working_volume_l: Option<f64>,
    /// The number the customer's own books give it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "A-2210", max_length = 60)]
    asset_number: Option<String>,
}

impl UnitInput {
    pub(crate) fn parse(&self) -> Result<Unit, Faults> {
        let unit = Unit {
            model_id: self.model_id.map(ModelId),
            serial_number: self.serial_number.clone(),
            label: self.label.clone(),
            rated_flow_l_per_h: self.rated_flow_l_per_h,
            working_volume_l: self.working_volume_l,
            asset_number: self.asset_number.clone(),
        };
        unit.checked()
    }
}

impl From<&Unit> for UnitInput {
    fn from(value: &Unit) -> Self {
        Self {
            model_id: value.model_id.map(|model| model.0),
            serial_number: value.serial_number.clone(),
            label: value.label.clone(),
            rated_flow_l_per_h: value.rated_flow_l_per_h,
            working_volume_l: value.working_volume_l,
            asset_number: value.asset_number.clone(),
        }
    }
}

/// A unit.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Unit)]
pub struct UnitView {
    id: Uuid,
    #[serde(flatten)]
    record: UnitInput,
    /// Where it stands now; null where it stands nowhere, or nowhere that you may see.
    placement: Option<PresentView>,
    #[serde(flatten)]
    stamps: Stamps,
}

/// Where a unit stands now.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = PresentPlacement)]
pub struct PresentView {
    /// By which placement.
    placement_id: Uuid,
    /// At which site.
    site_id: Uuid,
    /// With which customer.
    customer_id: Uuid,
    /// Since when.
    #[schema(example = "2026-01-12T09:30:00Z")]
    since: DateTime<Utc>,
}

impl From<Present> for PresentView {
    fn from(present: Present) -> Self {
        Self {
            placement_id: present.placement_id.0,
            site_id: present.site_id.0,
            customer_id: present.customer_id.0,
            since: present.since,
        }
    }
}

impl From<Placed> for UnitView {
    fn from(placed: Placed) -> Self {
        Self {
            id: placed.unit.id.0,
            record: UnitInput::from(&placed.unit.value),
            placement: placed.present.map(Into::into),
            stamps: Stamps::from(&placed.unit),
        }
    }
}

/// Which units.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListUnits {
    /// Only those that stand with this customer now.
    customer_id: Option<Uuid>,
    /// Only those that stand at this site now.
    site_id: Option<Uuid>,
    /// Only those that stand at a site with this number in the customer's own books now.
    #[param(example = "S-07")]
    site_number: Option<String>,
    /// Only those that stand at a site of this cost centre of the customer's now.
    #[param(example = "4711")]
    cost_centre: Option<String>,
    /// Only those of this model.
    model_id: Option<Uuid>,
    /// Only that of this serial number.
    #[param(example = "LP-2207")]
    serial_number: Option<String>,
    /// Only those with this number in the customer's own books.
    #[param(example = "A-2210")]
    asset_number: Option<String>,
    /// Only those in this state now: `planned`, `starting`, `running`, `bypassed`, `stopped`, `laid_up`,
    /// `workshop` or `out_of_use`.
    #[param(example = "running")]
    spell: Option<String>,
    /// Whether to give retired ones too.
    #[serde(default)]
    #[param(required = false)]
    retired: bool,
}

impl ListUnits {
    fn parse(&self) -> Result<unit::Filter, Faults> {
        let mut faults = Faults::default();
        let spell = self.spell.as_deref().and_then(|name| faults.take("/spell", SpellState::parse(name)));
        faults.or(unit::Filter {
            serial_number: self.serial_number.clone(),
            customer: self.customer_id.map(CustomerId),
            site: self.site_id.map(SiteId),
            site_number: self.site_number.clone(),
            cost_centre: self.cost_centre.clone(),
            model: self.model_id.map(ModelId),
            asset_number: self.asset_number.clone(),
            spell,
            retired: self.retired,
        })
    }
}

/// Add a unit
///
/// It stands nowhere until it is placed.
#[utoipa::path(tag = "units", request_body = UnitInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The unit", body = UnitView), Problems))]
#[post("/units")]
async fn create_unit(
    caller: Caller<perm::WriteUnits>,
    key: IdempotencyKey,
    input: Body<UnitInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let placed = unit::create(tx, &new).await?;
        Ok((placed.unit.revision, UnitView::from(placed)))
    })
    .await
}

/// List units by label
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "units", params(ListUnits, Sorting, Paging),
    responses((status = 200, description = "A page of units", content(
        (Page<UnitView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/units")]
async fn list_units(
    request: HttpRequest,
    caller: Caller<perm::ReadUnits>,
    query: Query<ListUnits>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (query.parse()?, paging.sorted(&sorting, "label")?);
    let read = async move |tx: &Tx<'_>, after: &After| unit::list(tx, &filter, after).await;
    let key = |after: &After, row: &Placed| after.place(&row.unit, &row.unit.value.label, row.unit.id.0);
    listed(&request, &caller, (&db, &rates), after, read, (key, UnitView::from)).await
}

impl Tabled for UnitView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("model_id", Kind::Text),
        ("serial_number", Kind::Text),
        ("label", Kind::Text),
        ("rated_flow_l_per_h", Kind::Number),
        ("working_volume_l", Kind::Number),
        ("asset_number", Kind::Text),
        ("placement.placement_id", Kind::Text),
        ("placement.site_id", Kind::Text),
        ("placement.customer_id", Kind::Text),
        ("placement.since", Kind::Instant),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a unit
#[utoipa::path(tag = "units", params(("id" = Uuid, Path, description = "The unit's id")),
    responses((status = 200, description = "The unit", body = UnitView), Problems))]
#[get("/units/{id}")]
async fn get_unit(caller: Caller<perm::ReadUnits>, id: Path<UnitId>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let placed = db.read(caller.scope(), caller.now(), async |tx| unit::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, placed.unit.revision, &UnitView::from(placed)))
}

/// Change a unit
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one.
#[utoipa::path(tag = "units", request_body = UnitInput,
    params(("id" = Uuid, Path, description = "The unit's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The unit as it is now", body = UnitView), Problems))]
#[patch("/units/{id}")]
async fn update_unit(
    caller: Caller<perm::WriteUnits>,
    id: Path<UnitId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| unit::get(tx, *id).await).await?;
    let new = answer::patched(&UnitInput::from(&current.unit.value), &patch.0)?.parse()?;
    let placed = db.write(caller.scope(), caller.now(), async |tx| unit::update_at(tx, *id, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, placed.unit.revision, &UnitView::from(placed)))
}

/// Retire a unit
///
/// Refused while it stands at a site. The record stays readable; lists leave it out unless
/// asked.
#[utoipa::path(tag = "units",
    params(("id" = Uuid, Path, description = "The unit's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The unit as it is now", body = UnitView), Problems))]
#[post("/units/{id}/retire")]
async fn retire_unit(
    caller: Caller<perm::WriteUnits>,
    id: Path<UnitId>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let placed = db.write(caller.scope(), caller.now(), async |tx| unit::retire(tx, *id, at.0).await).await?;
    Ok(answer::record(StatusCode::OK, placed.unit.revision, &UnitView::from(placed)))
}
