//! What follows when a part fails: the dealer's people alone see it.

use super::error::known;
use super::schema::component_failure;
use super::{DbError, Tx};
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::ids::ComponentId;
use domain::template::failure::{Failure, PartsCostClass};
use std::collections::HashMap;
use uuid::Uuid;

#[derive(Queryable, Selectable, Insertable, AsChangeset)]
#[diesel(table_name = component_failure)]
struct Row {
    component_id: Uuid,
    parts_cost_class: String,
    call_out: bool,
    down_town_water_d: f64,
    down_second_unit_d: f64,
    down_none_d: f64,
}

impl TryFrom<Row> for Failure {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        Ok(Self {
            parts_cost: known("parts_cost_class", PartsCostClass::from_name(&row.parts_cost_class))?,
            call_out: row.call_out,
            down_town_water_d: row.down_town_water_d,
            down_second_unit_d: row.down_second_unit_d,
            down_none_d: row.down_none_d,
        })
    }
}

/// Notes what follows when a part fails that was just fitted.
pub(super) async fn create(tx: &Tx<'_>, of: ComponentId, new: &Failure) -> Result<(), DbError> {
    let row = Row {
        component_id: of.0,
        parts_cost_class: new.parts_cost.as_str().to_owned(),
        call_out: new.call_out,
        down_town_water_d: new.down_town_water_d,
        down_second_unit_d: new.down_second_unit_d,
        down_none_d: new.down_none_d,
    };
    insert_into(component_failure::table).values(row).execute(&mut tx.conn()).await?;
    Ok(())
}

/// Notes the same for the part that takes another's place.
pub(super) async fn copy(tx: &Tx<'_>, from: ComponentId, to: ComponentId) -> Result<(), DbError> {
    match of_parts(tx, &[from.0]).await?.remove(&from.0) {
        Some(failure) => create(tx, to, &failure).await,
        None => Ok(()),
    }
}

/// What follows when parts fail, by part, of those for which somebody said it.
pub(super) async fn of_parts(tx: &Tx<'_>, parts: &[Uuid]) -> Result<HashMap<Uuid, Failure>, DbError> {
    let found = component_failure::table.filter(component_failure::component_id.eq_any(parts));
    let rows: Vec<Row> = found.select(Row::as_select()).load(&mut tx.conn()).await?;
    rows.into_iter().map(|row| Ok((row.component_id, row.try_into()?))).collect()
}
