//! Sites in the database.

use super::error::known;
use super::page::{After, paged};
use super::schema::{placement, site};
use super::stamp::one_changed;
use super::{DbError, Revision, Stored, Tx, range, touched};
use chrono::{DateTime, Utc};
use diesel::dsl::exists;
use diesel::prelude::*;
use diesel::{insert_into, select, update};
use diesel_async::RunQueryDsl;
use domain::country::Country;
use domain::ids::{CustomerId, SiteId};
use domain::site::{Coordinates, Fallback, Site, SoilClass};
use domain::span::Span;
use serde_json::json;
use uuid::Uuid;

/// Which sites.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Of this customer.
    pub customer: Option<CustomerId>,
    /// With this number in the customer's own books.
    pub own_number: Option<String>,
    /// Of this cost centre of the customer's.
    pub cost_centre: Option<String>,
    /// Retired ones too.
    pub retired: bool,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = site)]
struct Row {
    id: Uuid,
    customer_id: Uuid,
    name: String,
    time_zone: String,
    country: String,
    address: Option<String>,
    latitude: Option<f64>,
    longitude: Option<f64>,
    own_number: Option<String>,
    cost_centre: Option<String>,
    bay_roofed: bool,
    catchment_m2: Option<f64>,
    runoff_coefficient: Option<f64>,
    initial_loss_mm: Option<f64>,
    rain_diverter: bool,
    pit_volume_l: Option<f64>,
    fallback: String,
    soil_class: Option<String>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

impl TryFrom<Row> for Stored<SiteId, Site> {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        Ok(Self {
            id: SiteId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.ended_at,
            value: Site {
                customer_id: CustomerId(row.customer_id),
                name: row.name,
                time_zone: known("time_zone", row.time_zone.parse().ok())?,
                country: known("country", Country::parse(&row.country).ok())?,
                address: row.address,
                coordinates: known("latitude", Coordinates::parse(row.latitude, row.longitude).ok())?,
                own_number: row.own_number,
                cost_centre: row.cost_centre,
                bay_roofed: row.bay_roofed,
                catchment_m2: row.catchment_m2,
                runoff_coefficient: row.runoff_coefficient,
                initial_loss_mm: row.initial_loss_mm,
                rain_diverter: row.rain_diverter,
                pit_volume_l: row.pit_volume_l,
                fallback: known("fallback", Fallback::from_name(&row.fallback))?,
                soil_class: row.soil_class.map(|name| known("soil_class", SoilClass::from_name(&name))).transpose()?,
            },
        })
    }
}

#[derive(Insertable, AsChangeset)]
#[diesel(table_name = site, treat_none_as_null = true)]
struct Fields<'a> {
    customer_id: Uuid,
    name: &'a str,
    time_zone: &'static str,
    country: &'static str,
    address: Option<&'a str>,
    latitude: Option<f64>,
    longitude: Option<f64>,
    own_number: Option<&'a str>,
    cost_centre: Option<&'a str>,
    bay_roofed: bool,
    catchment_m2: Option<f64>,
    runoff_coefficient: Option<f64>,
    initial_loss_mm: Option<f64>,
    rain_diverter: bool,
    pit_volume_l: Option<f64>,
    fallback: &'static str,
    soil_class: Option<&'static str>,
    changed_at: DateTime<Utc>,
}

impl<'a> Fields<'a> {
    fn of(tx: &Tx<'_>, value: &'a Site) -> Self {
        Self {
            customer_id: value.customer_id.0,
            name: &value.name,
            time_zone: value.time_zone.name(),
            country: value.country.code(),
            address: value.address.as_deref(),
            latitude: value.coordinates.map(|at| at.latitude),
            longitude: value.coordinates.map(|at| at.longitude),
            own_number: value.own_number.as_deref(),
            cost_centre: value.cost_centre.as_deref(),
            bay_roofed: value.bay_roofed,
            catchment_m2: value.catchment_m2,
            runoff_coefficient: value.runoff_coefficient,
            initial_loss_mm: value.initial_loss_mm,
            rain_diverter: value.rain_diverter,
            pit_volume_l: value.pit_volume_l,
            fallback: value.fallback.as_str(),
            soil_class: value.soil_class.map(SoilClass::as_str),
            changed_at: tx.now(),
        }
    }
}

/// Adds a site.
///
/// # Errors
/// [`DbError::UnknownReference`] for a customer that isn't the dealer's.
pub async fn create(tx: &Tx<'_>, new: &Site) -> Result<Stored<SiteId, Site>, DbError> {
    let row: Row = insert_into(site::table)
        .values((site::id.eq(tx.new_id()), site::created_at.eq(tx.now()), Fields::of(tx, new)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, row.try_into()?, "created").await
}

/// One site.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: SiteId) -> Result<Stored<SiteId, Site>, DbError> {
    let row: Row = site::table.filter(site::id.eq(id.0)).select(Row::as_select()).first(&mut tx.conn()).await?;
    row.try_into()
}

/// Sites by name or as the page is sorted, one more than it holds.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<Stored<SiteId, Site>>, DbError> {
    let mut query = paged!(site::table.select(Row::as_select()), after, site, name);
    if let Some(own_number) = &filter.own_number {
        query = query.filter(site::own_number.eq(own_number));
    }
    if let Some(cost_centre) = &filter.cost_centre {
        query = query.filter(site::cost_centre.eq(cost_centre));
    }
    if let Some(customer) = filter.customer {
        query = query.filter(site::customer_id.eq(customer.0));
    }
    if !filter.retired {
        query = query.filter(site::ended_at.is_null());
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Changes a site that is still at revision `at`. Another time zone cuts its days elsewhere and
/// another catchment keeps other rain, so its meters are computed again.
///
/// # Errors
/// [`DbError::Invalid`] for another customer, [`DbError::Stale`] at another revision,
/// [`DbError::NotFound`] outside the scope.
pub async fn update_at(tx: &Tx<'_>, id: SiteId, at: Revision, new: &Site) -> Result<Stored<SiteId, Site>, DbError> {
    let old = get(tx, id).await?;
    let new = old.value.becomes(new.clone())?;
    let changed: Option<Row> = update(site::table.filter(site::id.eq(id.0).and(site::revision.eq(at))))
        .set((Fields::of(tx, &new), site::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    let rain = |site: &Site| (site.bay_roofed, site.catchment_m2, site.runoff_coefficient, site.initial_loss_mm);
    let figures = |site: &Site| (site.time_zone, rain(site), site.rain_diverter);
    if figures(&new) != figures(&old.value) {
        touched::site(tx, id, Span::EVER).await?;
    }
    logged(tx, row.try_into()?, "updated").await
}

/// Retires a site that is still at revision `at`; retiring twice changes nothing.
///
/// # Errors
/// [`DbError::Refused`] while a unit stands there, and as [`update_at`].
pub async fn retire(tx: &Tx<'_>, id: SiteId, at: Revision) -> Result<Stored<SiteId, Site>, DbError> {
    let now = get(tx, id).await?;
    if now.retired_at(at) {
        return Ok(now);
    }
    let standing = placement::site_id.eq(id.0).and(placement::valid.overlaps_with(range::since(tx.now())));
    if select(exists(placement::table.filter(standing))).get_result(&mut tx.conn()).await? {
        let fix = "A unit stands here, or is to; end its placement first.";
        return Err(DbError::refused("still_in_use", fix));
    }
    let running = site::id.eq(id.0).and(site::revision.eq(at)).and(site::ended_at.is_null());
    let changed: Option<Row> = update(site::table.filter(running))
        .set((site::ended_at.eq(tx.now()), site::changed_at.eq(tx.now()), site::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, row.try_into()?, "retired").await
}

async fn logged(tx: &Tx<'_>, stored: Stored<SiteId, Site>, verb: &str) -> Result<Stored<SiteId, Site>, DbError> {
    let (customer, detail) = (stored.value.customer_id, json!({ "name": stored.value.name }));
    tx.logged(stored, ("site", verb), Some(customer), detail).await
}
