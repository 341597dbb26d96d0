//! Unit models in the database.

use super::page::After;
use super::schema::unit_model;
use super::{DbError, Stored, Tx};
use chrono::{DateTime, Utc};
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::ids::ModelId;
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
            },
        }
    }
}

/// Adds a model.
///
/// # Errors
/// [`DbError::Taken`] when another has its name.
pub async fn create(tx: &Tx<'_>, new: &UnitModel) -> Result<Stored<ModelId, UnitModel>, DbError> {
    let row: Row = insert_into(unit_model::table)
        .values((
            unit_model::id.eq(tx.new_id()),
            unit_model::name.eq(&new.name),
            unit_model::rated_flow_l_per_h.eq(new.rated_flow_l_per_h),
            unit_model::working_volume_l.eq(new.working_volume_l),
            unit_model::float_band_l.eq(new.float_band_l),
            unit_model::created_at.eq(tx.now()),
            unit_model::changed_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    let detail = json!({ "name": new.name });
    tx.logged(row.into(), ("unit_model", "created"), None, detail).await
}

/// One model.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: ModelId) -> Result<Stored<ModelId, UnitModel>, DbError> {
    let found = unit_model::table.filter(unit_model::id.eq(id.0));
    let row: Row = found.select(Row::as_select()).first(&mut tx.conn()).await?;
    Ok(row.into())
}

/// Models by name, one more than the page holds.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, after: &After) -> Result<Vec<Stored<ModelId, UnitModel>>, DbError> {
    let (name, id) = after.key();
    let rows: Vec<Row> = unit_model::table
        .filter(unit_model::name.gt(name).or(unit_model::name.eq(name).and(unit_model::id.gt(id))))
        .filter(unit_model::ended_at.is_null())
        .select(Row::as_select())
        .order((unit_model::name, unit_model::id))
        .limit(after.ask())
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(Into::into).collect())
}
