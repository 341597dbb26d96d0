//! `/v1/sites`.

use super::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use super::table::{Kind, Tabled, listed};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::{Db, Stored, Tx, site};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use chrono_tz::Tz;
use domain::country::Country;
use domain::fault::Faults;
use domain::ids::{CustomerId, SiteId};
use domain::site::{Coordinates, Fallback, Site, SoilClass};
use domain::zone::parse_zone;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_site).service(list_sites).service(get_site).service(update_site).service(retire_site);
}

/// What is sent of a site.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SiteInput {
    /// Whose it is; a site stays with its customer.
    #[schema(example = "0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c10")]
    customer_id: Uuid,
    /// Its name.
    #[schema(example = "North yard", max_length = 120)]
    name: String,
    /// IANA zone: its days and months begin by it.
    #[schema(example = "Europe/Vienna")]
    time_zone: String,
    /// ISO 3166-1 alpha-2 code, in capitals.
    #[schema(example = "AT", pattern = "^[A-Z]{2}$")]
    country: String,
    /// Postal address.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "12 Quay Road", max_length = 500)]
    address: Option<String>,
    /// Degrees north of the equator (WGS 84); with `longitude` or not at all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 48.21, minimum = -90, maximum = 90)]
    latitude: Option<f64>,
    /// Degrees east of Greenwich (WGS 84).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 16.37, minimum = -180, maximum = 180)]
    longitude: Option<f64>,
    /// The number the customer's own books give it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "S-07", max_length = 60)]
    own_number: Option<String>,
    /// The cost centre the customer's own books give it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "4711", max_length = 60)]
    cost_centre: Option<String>,
    /// Whether the wash bay has a roof; an open pad collects rain.
    #[serde(default = "yes")]
    #[schema(example = true, default = true)]
    bay_roofed: bool,
    /// Area that drains into the pit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 120.0, minimum = 0)]
    catchment_m2: Option<f64>,
    /// Part of the rain on that area that runs off: 0.70 to 0.95 for concrete.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 0.85, minimum = 0, maximum = 1)]
    runoff_coefficient: Option<f64>,
    /// Depth that wets the area before anything runs, a rain day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 1.5, minimum = 0, maximum = 100)]
    initial_loss_mm: Option<f64>,
    /// Whether a diverter can keep rain out of the pit.
    #[serde(default)]
    #[schema(example = false, default = false)]
    rain_diverter: bool,
    /// Volume of the pit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 8000.0, minimum = 0)]
    pit_volume_l: Option<f64>,
    /// What the bay washes with when its unit stands: `town_water`, `second_unit` or `none`.
    #[serde(default = "town_water")]
    #[schema(example = "town_water", default = "town_water")]
    fallback: String,
    /// What mostly comes off what is washed: `light` (dust and road film), `earth` (sand and clay), `oily` or
    /// `organic` (dung, remains of food). Lives of parts are compared by it where enough are known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "earth")]
    soil_class: Option<String>,
}

fn yes() -> bool {
    true
}

fn town_water() -> String {
    Fallback::TownWater.as_str().to_owned()
}

impl SiteInput {
    pub(crate) fn parse(&self) -> Result<Site, Faults> {
        let mut faults = Faults::default();
        let site = Site {
            customer_id: CustomerId(self.customer_id),
            name: self.name.clone(),
            time_zone: faults.take_or("/time_zone", parse_zone(&self.time_zone), Tz::UTC),
            country: faults.take_or("/country", Country::parse(&self.country), Country::ANY),
            address: self.address.clone(),
            coordinates: faults.take_or("", Coordinates::parse(self.latitude, self.longitude), None),
            own_number: self.own_number.clone(),
            cost_centre: self.cost_centre.clone(),
            bay_roofed: self.bay_roofed,
            catchment_m2: self.catchment_m2,
            runoff_coefficient: self.runoff_coefficient,
            initial_loss_mm: self.initial_loss_mm,
            rain_diverter: self.rain_diverter,
            pit_volume_l: self.pit_volume_l,
            fallback: faults.take_or("/fallback", Fallback::parse(&self.fallback), Fallback::TownWater),
            soil_class: self.soil_class.as_deref().and_then(|name| faults.take("/soil_class", SoilClass::parse(name))),
        };
        faults.and(site.checked())
    }
}

impl From<&Site> for SiteInput {
    fn from(value: &Site) -> Self {
        Self {
            customer_id: value.customer_id.0,
            name: value.name.clone(),
            time_zone: value.time_zone.name().to_owned(),
            country: value.country.code().to_owned(),
            address: value.address.clone(),
            latitude: value.coordinates.map(|at| at.latitude),
            longitude: value.coordinates.map(|at| at.longitude),
            own_number: value.own_number.clone(),
            cost_centre: value.cost_centre.clone(),
            bay_roofed: value.bay_roofed,
            catchment_m2: value.catchment_m2,
            runoff_coefficient: value.runoff_coefficient,
            initial_loss_mm: value.initial_loss_mm,
            rain_diverter: value.rain_diverter,
            pit_volume_l: value.pit_volume_l,
            fallback: value.fallback.as_str().to_owned(),
            soil_class: value.soil_class.map(|soil| soil.as_str().to_owned()),
        }
    }
}

/// A site.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Site)]
pub struct SiteView {
    id: Uuid,
    #[serde(flatten)]
    record: SiteInput,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<Stored<SiteId, Site>> for SiteView {
    fn from(stored: Stored<SiteId, Site>) -> Self {
        Self { id: stored.id.0, record: SiteInput::from(&stored.value), stamps: Stamps::from(&stored) }
    }
}

/// Which sites.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListSites {
    /// Only this customer's.
    customer_id: Option<Uuid>,
    /// Only those with this number in the customer's own books.
    #[param(example = "S-07")]
    own_number: Option<String>,
    /// Only those of this cost centre of the customer's.
    #[param(example = "4711")]
    cost_centre: Option<String>,
    /// Whether to give retired ones too.
    #[serde(default)]
    #[param(required = false)]
    retired: bool,
}

/// Add a site
#[utoipa::path(tag = "sites", request_body = SiteInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The site", body = SiteView), Problems))]
#[post("/sites")]
async fn create_site(
    caller: Caller<perm::WriteSites>,
    key: IdempotencyKey,
    input: Body<SiteInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = site::create(tx, &new).await?;
        Ok((stored.revision, SiteView::from(stored)))
    })
    .await
}

/// List sites by name
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "sites", params(ListSites, Sorting, Paging),
    responses((status = 200, description = "A page of sites", content(
        (Page<SiteView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites")]
async fn list_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadSites>,
    query: Query<ListSites>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let after = paging.sorted(&sorting, "name")?;
    let ListSites { customer_id, own_number, cost_centre, retired } = query.into_inner();
    let filter = site::Filter { customer: customer_id.map(CustomerId), own_number, cost_centre, retired };
    let read = async move |tx: &Tx<'_>, after: &After| site::list(tx, &filter, after).await;
    let key = |after: &After, row: &Stored<SiteId, Site>| after.place(row, &row.value.name, row.id.0);
    listed(&request, &caller, (&db, &rates), after, read, (key, SiteView::from)).await
}

impl Tabled for SiteView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("customer_id", Kind::Text),
        ("name", Kind::Text),
        ("time_zone", Kind::Text),
        ("country", Kind::Text),
        ("address", Kind::Text),
        ("latitude", Kind::Number),
        ("longitude", Kind::Number),
        ("own_number", Kind::Text),
        ("cost_centre", Kind::Text),
        ("bay_roofed", Kind::Text),
        ("catchment_m2", Kind::Number),
        ("runoff_coefficient", Kind::Number),
        ("initial_loss_mm", Kind::Number),
        ("rain_diverter", Kind::Text),
        ("pit_volume_l", Kind::Number),
        ("fallback", Kind::Text),
        ("soil_class", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a site
#[utoipa::path(tag = "sites", params(("id" = Uuid, Path, description = "The site's id")),
    responses((status = 200, description = "The site", body = SiteView), Problems))]
#[get("/sites/{id}")]
async fn get_site(caller: Caller<perm::ReadSites>, id: Path<SiteId>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| site::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &SiteView::from(stored)))
}

/// Change a site
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one. Another time zone
/// or catchment has its figures computed again by the next night run.
#[utoipa::path(tag = "sites", request_body = SiteInput,
    params(("id" = Uuid, Path, description = "The site's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The site as it is now", body = SiteView), Problems))]
#[patch("/sites/{id}")]
async fn update_site(
    caller: Caller<perm::WriteSites>,
    id: Path<SiteId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| site::get(tx, *id).await).await?;
    let new = answer::patched(&SiteInput::from(&current.value), &patch.0)?.parse()?;
    let stored = db.write(caller.scope(), caller.now(), async |tx| site::update_at(tx, *id, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &SiteView::from(stored)))
}

/// Retire a site
///
/// Refused while a unit stands there. The record stays readable; lists leave it out unless
/// asked.
#[utoipa::path(tag = "sites",
    params(("id" = Uuid, Path, description = "The site's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The site as it is now", body = SiteView), Problems))]
#[post("/sites/{id}/retire")]
async fn retire_site(
    caller: Caller<perm::WriteSites>,
    id: Path<SiteId>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.write(caller.scope(), caller.now(), async |tx| site::retire(tx, *id, at.0).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &SiteView::from(stored)))
}
