//! Units in the database, each with where it stands now.

use super::page::{After, paged};
use super::placement::{self, Present};
use super::schema::{placement as placements, unit};
use super::series::Of;
use super::stamp::one_changed;
use super::{DbError, Revision, Stored, Tx, component, dealer, failure, range, routine, spell, touched, unit_model};
use chrono::{DateTime, Utc};
use diesel::dsl::exists;
use diesel::prelude::*;
use diesel::{insert_into, select, update};
use diesel_async::RunQueryDsl;
use domain::ids::{CustomerId, ModelId, SiteId, UnitId};
use domain::span::Span;
use domain::spell::SpellState;
use domain::unit::Unit;
use domain::zone::{local_date, parse_zone};
use serde_json::json;
use std::collections::HashMap;
use uuid::Uuid;

/// A unit, and where it stands now.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed {
    /// The unit.
    pub unit: Stored<UnitId, Unit>,
    /// Its present placement, if it has one that the scope reaches.
    pub present: Option<Present>,
}

/// Which units.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Of this serial number.
    pub serial_number: Option<String>,
    /// That stand with this customer now.
    pub customer: Option<CustomerId>,
    /// That stand at this site now.
    pub site: Option<SiteId>,
    /// That stand at a site with this number in the customer's own books now.
    pub site_number: Option<String>,
    /// That stand at a site of this cost centre of the customer's now.
    pub cost_centre: Option<String>,
    /// Of this model.
    pub model: Option<ModelId>,
    /// With this number in the customer's own books.
    pub asset_number: Option<String>,
    /// In this state now.
    pub spell: Option<SpellState>,
    /// Retired ones too.
    pub retired: bool,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = unit)]
struct Row {
    id: Uuid,
    model_id: Option<Uuid>,
    serial_number: String,
    label: String,
    rated_flow_l_per_h: Option<f64>,
    working_volume_l: Option<f64>,
    asset_number: Option<String>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

impl From<Row> for Stored<UnitId, Unit> {
    fn from(row: Row) -> Self {
        Self {
            id: UnitId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.ended_at,
            value: Unit {
                model_id: row.model_id.map(ModelId),
                serial_number: row.serial_number,
                label: row.label,
                rated_flow_l_per_h: row.rated_flow_l_per_h,
                working_volume_l: row.working_volume_l,
                asset_number: row.asset_number,
            },
        }
    }
}

#[derive(Insertable, AsChangeset)]
#[diesel(table_name = unit, treat_none_as_null = true)]
struct Fields<'a> {
    model_id: Option<Uuid>,
    serial_number: &'a str,
    label: &'a str,
    rated_flow_l_per_h: Option<f64>,
    working_volume_l: Option<f64>,
    asset_number: Option<&'a str>,
    changed_at: DateTime<Utc>,
}

impl<'a> Fields<'a> {
    fn of(tx: &Tx<'_>, value: &'a Unit) -> Self {
        Self {
            model_id: value.model_id.map(|model| model.0),
            serial_number: &value.serial_number,
            label: &value.label,
            rated_flow_l_per_h: value.rated_flow_l_per_h,
            working_volume_l: value.working_volume_l,
            asset_number: value.asset_number.as_deref(),
            changed_at: tx.now(),
        }
    }
}

/// Adds a unit; it stands nowhere yet. It gets the parts and the work of its model.
///
/// # Errors
/// [`DbError::Taken`] when another has its serial number, [`DbError::UnknownReference`] for
/// an unknown model.
pub async fn create(tx: &Tx<'_>, new: &Unit) -> Result<Placed, DbError> {
    let row: Row = insert_into(unit::table)
        .values((unit::id.eq(tx.new_id()), unit::created_at.eq(tx.now()), Fields::of(tx, new)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    let placed = logged(tx, Placed { unit: row.into(), present: None }, "created").await?;
    if let Some(model) = new.model_id {
        from_model(tx, placed.unit.id, model).await?;
    }
    Ok(placed)
}

/// Fits a new unit as its model says.
async fn from_model(tx: &Tx<'_>, id: UnitId, model: ModelId) -> Result<(), DbError> {
    let template = unit_model::get(tx, model).await?.value.template;
    for part in &template.parts {
        let fitted = component::create(tx, &part.fitted(id, tx.now())).await?;
        failure::create(tx, fitted.id, &part.failure).await?;
    }
    let zone = parse_zone(&dealer::get(tx).await?.time_zone)?;
    let plans: Vec<_> = template.routines_of(id, local_date(zone, tx.now())).collect();
    routine::create_all(tx, &plans).await
}

/// One unit.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: UnitId) -> Result<Placed, DbError> {
    let found = unit::table.filter(unit::id.eq(id.0)).select(Row::as_select());
    // Both travel together.
    let (row, present) = futures_util::future::join(
        async { Ok::<Row, DbError>(found.first(&mut tx.conn()).await?) },
        placement::present(tx, id),
    )
    .await;
    Ok(Placed { unit: row?.into(), present: present? })
}

/// Units by label or as the page is sorted, one more than it holds.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<Placed>, DbError> {
    let stands = Of {
        customer: filter.customer.map(|customer| customer.0),
        site: filter.site.map(|site| site.0),
        site_number: filter.site_number.clone(),
        cost_centre: filter.cost_centre.clone(),
        ..Of::default()
    };
    let stands = stands.among(tx).await?;
    let mut query = paged!(unit::table.select(Row::as_select()), after, unit, label);
    if let Some(units) = placement::standing(&stands, tx.now()) {
        query = query.filter(unit::id.eq_any(units));
    }
    if let Some(serial_number) = &filter.serial_number {
        query = query.filter(unit::serial_number.eq(serial_number));
    }
    if let Some(model) = filter.model {
        query = query.filter(unit::model_id.eq(model.0));
    }
    if let Some(asset_number) = &filter.asset_number {
        query = query.filter(unit::asset_number.eq(asset_number));
    }
    if let Some(state) = filter.spell {
        query = query.filter(unit::id.eq_any(spell::units_in(state, tx.now())));
    }
    if !filter.retired {
        query = query.filter(unit::ended_at.is_null());
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id).collect();
    let mut present = placement::present_of(tx, &ids).await?;
    let placed = |row: Row| Placed { present: present.remove(&UnitId(row.id)), unit: row.into() };
    Ok(rows.into_iter().map(placed).collect())
}

/// The labels and serial numbers of some units, retired ones too, as far as the scope reaches.
///
/// # Errors
/// When the database fails.
pub async fn plates(tx: &Tx<'_>, of: &[Uuid]) -> Result<HashMap<UnitId, (String, String)>, DbError> {
    let rows: Vec<(Uuid, String, String)> = unit::table
        .filter(unit::id.eq_any(of))
        .select((unit::id, unit::label, unit::serial_number))
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(|(id, label, serial_number)| (UnitId(id), (label, serial_number))).collect())
}

/// Changes a unit that is still at revision `at`. Another working volume changes what its
/// balances are sure of, so its meters are computed again.
///
/// # Errors
/// [`DbError::Stale`] at another revision, [`DbError::NotFound`] outside the scope, and as
/// [`create`].
pub async fn update_at(tx: &Tx<'_>, id: UnitId, at: Revision, new: &Unit) -> Result<Placed, DbError> {
    let old = get(tx, id).await?;
    let changed: Option<Row> = update(unit::table.filter(unit::id.eq(id.0).and(unit::revision.eq(at))))
        .set((Fields::of(tx, new), unit::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.unit.revision)).await?;
    let figures = |unit: &Unit| (unit.model_id, unit.rated_flow_l_per_h, unit.working_volume_l);
    if figures(new) != figures(&old.unit.value) {
        touched::unit(tx, id, Span::EVER).await?;
    }
    logged(tx, Placed { unit: row.into(), present: old.present }, "updated").await
}

/// Retires a unit that is still at revision `at`; retiring twice changes nothing.
///
/// # Errors
/// [`DbError::Refused`] while it stands at a site, and as [`update_at`].
pub async fn retire(tx: &Tx<'_>, id: UnitId, at: Revision) -> Result<Placed, DbError> {
    let now = get(tx, id).await?;
    if now.unit.retired_at(at) {
        return Ok(now);
    }
    let standing = placements::unit_id.eq(id.0).and(placements::valid.overlaps_with(range::since(tx.now())));
    if select(exists(placements::table.filter(standing))).get_result(&mut tx.conn()).await? {
        return Err(DbError::refused("still_in_use", "It stands at a site, or is to; end that placement first."));
    }
    let running = unit::id.eq(id.0).and(unit::revision.eq(at)).and(unit::ended_at.is_null());
    let changed: Option<Row> = update(unit::table.filter(running))
        .set((unit::ended_at.eq(tx.now()), unit::changed_at.eq(tx.now()), unit::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.unit.revision)).await?;
    logged(tx, Placed { unit: row.into(), present: None }, "retired").await
}

async fn logged(tx: &Tx<'_>, placed: Placed, verb: &str) -> Result<Placed, DbError> {
    let Placed { unit, present } = placed;
    let detail = json!({ "label": unit.value.label, "serial_number": unit.value.serial_number });
    let customer = present.map(|present| present.customer_id);
    Ok(Placed { unit: tx.logged(unit, ("unit", verb), customer, detail).await?, present })
}
