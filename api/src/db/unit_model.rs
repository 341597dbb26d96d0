//! Unit models in the database.

use super::page::{After, paged};
use super::schema::{unit, unit_model};
use super::stamp::one_changed;
use super::{DbError, Revision, Stored, Tx, model_lines, touched};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{ModelId, UnitId};
use domain::span::Span;
use domain::template::Template;
use domain::unit::UnitModel;
use serde_json::json;
use uuid::Uuid;

#[derive(Queryable, Selectable)]
#[diesel(table_name = unit_model)]
struct Row {
    id: Uuid,
    name: String,
    rated_flow_l_per_h: f64,
    working_volume_l: f64,
    float_band_l: f64,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

impl From<Row> for Stored<ModelId, UnitModel> {
    fn from(row: Row) -> Self {
        Self {
            id: ModelId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.ended_at,
            value: UnitModel {
                name: row.name,
                rated_flow_l_per_h: row.rated_flow_l_per_h,
                working_volume_l: row.working_volume_l,
                float_band_l: row.float_band_l,
                template: Template::default(),
            },
        }
    }
}

#[derive(Insertable, AsChangeset)]
#[diesel(table_name = unit_model)]
struct Fields<'a> {
    name: &'a str,
    rated_flow_l_per_h: f64,
    working_volume_l: f64,
    float_band_l: f64,
    changed_at: DateTime<Utc>,
}

impl<'a> Fields<'a> {
    fn of(tx: &Tx<'_>, value: &'a UnitModel) -> Self {
        Self {
            name: &value.name,
            rated_flow_l_per_h: value.rated_flow_l_per_h,
            working_volume_l: value.working_volume_l,
            float_band_l: value.float_band_l,
            changed_at: tx.now(),
        }
    }
}

/// Adds a model with its lines.
///
/// # Errors
/// [`DbError::Taken`] when another has its name.
pub async fn create(tx: &Tx<'_>, new: &UnitModel) -> Result<Stored<ModelId, UnitModel>, DbError> {
    let row: Row = insert_into(unit_model::table)
        .values((unit_model::id.eq(tx.new_id()), unit_model::created_at.eq(tx.now()), Fields::of(tx, new)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    written(tx, row.into(), new, "created").await
}

/// Changes a model that is still at revision `at`: its lines are written anew. Units in the field
/// keep their parts and their work; another float band or volume changes what the balances of
/// those that leave it to the model are sure of.
///
/// # Errors
/// [`DbError::Stale`] at another revision, [`DbError::NotFound`] outside the scope, and as
/// [`create`].
pub async fn update_at(
    tx: &Tx<'_>,
    id: ModelId,
    at: Revision,
    new: &UnitModel,
) -> Result<Stored<ModelId, UnitModel>, DbError> {
    let old = get(tx, id).await?.value;
    let changed: Option<Row> =
        update(unit_model::table.filter(unit_model::id.eq(id.0).and(unit_model::revision.eq(at))))
            .set((Fields::of(tx, new), unit_model::revision.eq(at + 1)))
            .returning(Row::as_returning())
            .get_result(&mut tx.conn())
            .await
            .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    let figures = |model: &UnitModel| (model.rated_flow_l_per_h, model.working_volume_l, model.float_band_l);
    if figures(new) != figures(&old) {
        let units: Vec<Uuid> =
            unit::table.filter(unit::model_id.eq(id.0)).select(unit::id).load(&mut tx.conn()).await?;
        for unit in units {
            touched::unit(tx, UnitId(unit), Span::EVER).await?;
        }
    }
    written(tx, row.into(), new, "updated").await
}

/// Writes the lines of a model and the line of the change log.
async fn written(
    tx: &Tx<'_>,
    stored: Stored<ModelId, UnitModel>,
    new: &UnitModel,
    verb: &str,
) -> Result<Stored<ModelId, UnitModel>, DbError> {
    model_lines::replace(tx, stored.id, &new.template).await?;
    let detail =
        json!({ "name": new.name, "components": new.template.parts.len(), "routines": new.template.routines.len() });
    let stored = Stored { value: new.clone(), ..stored };
    tx.logged(stored, ("unit_model", verb), None, detail).await
}

/// One model.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: ModelId) -> Result<Stored<ModelId, UnitModel>, DbError> {
    let found = unit_model::table.filter(unit_model::id.eq(id.0));
    let row: Row = found.select(Row::as_select()).first(&mut tx.conn()).await?;
    let mut stored = Stored::<ModelId, UnitModel>::from(row);
    stored.value.template = model_lines::of_models(tx, &[id.0]).await?.remove(&id.0).unwrap_or_default();
    Ok(stored)
}

/// Models by name or as the page is sorted, one more than it holds.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, after: &After) -> Result<Vec<Stored<ModelId, UnitModel>>, DbError> {
    let running = unit_model::table.filter(unit_model::ended_at.is_null()).select(Row::as_select());
    let rows: Vec<Row> = paged!(running, after, unit_model, name).load(&mut tx.conn()).await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id).collect();
    let mut templates = model_lines::of_models(tx, &ids).await?;
    let with_lines = |row: Row| {
        let mut stored = Stored::<ModelId, UnitModel>::from(row);
        stored.value.template = templates.remove(&stored.id.0).unwrap_or_default();
        stored
    };
    Ok(rows.into_iter().map(with_lines).collect())
}
