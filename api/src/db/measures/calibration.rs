//! Calibrations of probes in the database.

use super::owner::Place;
use super::{Head, INSTANT, Note, head_of_unit};
use crate::db::error::known;
use crate::db::schema::calibration;
use crate::db::{DbError, Tx, component, own_record};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_types::{Array, Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, sql_query};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{ComponentId, UnitId};
use domain::measures::calibration::{Calibration, Limits, Point, Probe};
use domain::span::Span;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::HashMap;
use uuid::Uuid;

#[derive(QueryableByName)]
#[diesel(table_name = calibration)]
pub(crate) struct Row {
    at: DateTime<Utc>,
    component_id: Option<Uuid>,
    probe: String,
    record: Value,
}

macro_rules! checked {
    ($counts:literal) => {
        concat!(
            "
checked as (
  select k.component_id, k.good_at,
         min(k.at) filter (where not k.left_good and k.at > coalesce(k.good_at, '-infinity')) as failed_at
    from (select c.component_id, c.at, c.left_good,
                 max(c.at) filter (where c.left_good) over (partition by c.component_id) as good_at
            from calibration c
            join component p on p.dealer_id = c.dealer_id and p.id = c.component_id
           where ",
            $counts,
            " and c.at <= $1 and c.at >= p.fitted_at and (p.out_at is null or c.at <= p.out_at)) k
   group by k.component_id, k.good_at)"
        )
    };
}

/// A common table of what calibrations say of parts by the instant `$1`: when one left a part good
/// the last time, and when one left it beyond use after that.
pub(in crate::db) const CHECKED: &str = checked!("c.withdrawn_at is null");

/// The same by what had been written down by then, and not yet withdrawn.
pub(in crate::db) const CHECKED_AS_WRITTEN: &str =
    checked!("c.created_at <= $1 and (c.withdrawn_at is null or c.withdrawn_at > $1)");

#[derive(QueryableByName)]
struct FailedRow {
    #[diesel(sql_type = SqlUuid)]
    component_id: Uuid,
    #[diesel(sql_type = Timestamptz)]
    failed_at: DateTime<Utc>,
}

/// Of parts, those that a calibration left beyond use, and when.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn failed(tx: &Tx<'_>, parts: &[Uuid]) -> Result<HashMap<Uuid, DateTime<Utc>>, DbError> {
    let sql = format!(
        "with {CHECKED} select component_id, failed_at from checked where failed_at is not null and component_id = any($2)"
    );
    let rows: Vec<FailedRow> =
        sql_query(sql).bind::<Timestamptz, _>(tx.now()).bind::<Array<SqlUuid>, _>(parts).load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(|row| (row.component_id, row.failed_at)).collect())
}

/// What stands in the column `record`.
#[derive(Serialize, Deserialize)]
struct Record {
    temperature_c: f64,
    pressure_kpa: Option<f64>,
    found: Vec<Point>,
    left: Option<Vec<Point>>,
    limits: Limits,
}

impl TryFrom<Row> for Calibration {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let Record { temperature_c, pressure_kpa, found, left, limits } =
            serde_json::from_value(row.record).map_err(DbError::internal)?;
        Ok(Self {
            at: row.at,
            probe: known("probe", Probe::from_name(&row.probe))?,
            component_id: row.component_id.map(ComponentId),
            temperature_c,
            pressure_kpa,
            found,
            left,
            limits,
        })
    }
}

impl Note for Calibration {
    type Owner = UnitId;
    type Row = Row;
    const TABLE: &'static str = "calibration";
    const TIME: &'static str = INSTANT;

    fn span(&self, _zone: Tz) -> Span {
        Span::moment(self.at)
    }

    fn counts(&self) -> bool {
        false
    }

    fn tells_condition(&self) -> bool {
        true
    }

    async fn prepare(&self, tx: &Tx<'_>, owner: UnitId, _place: &Place) -> Result<(), DbError> {
        let Some(id) = self.component_id else { return Ok(()) };
        let fix = "give the id of a probe that is among this unit's parts";
        let part = match component::get(tx, id).await {
            Ok(part) if part.value.unit_id == owner => part.value,
            Ok(_) | Err(DbError::NotFound) => {
                return Err(Faults::one("/component_id", "unknown_reference", fix).into());
            }
            Err(error) => return Err(error),
        };
        if self.at < part.fitted_at || part.out.is_some_and(|out| out.at < self.at) {
            let fix = "the probe was not fitted then; correct the time, or name the one that was";
            return Err(Faults::one("/component_id", "not_fitted", fix).into());
        }
        Ok(())
    }

    /// It is held against the limits of the day on which it is noted down.
    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let limits = own_record::find::<Limits>(tx).await?.map(|stored| stored.value).unwrap_or_default();
        let judged = Self { limits, ..self.clone() };
        let (found_good, left_good) = (judged.as_found().good, judged.as_left().good);
        let Self { at, probe, component_id, temperature_c, pressure_kpa, found, left, limits } = judged;
        let record = Record { temperature_c, pressure_kpa, found, left, limits };
        insert_into(calibration::table)
            .values((
                head_of_unit!(calibration, head),
                calibration::at.eq(at),
                calibration::component_id.eq(component_id.map(|id| id.0)),
                calibration::probe.eq(probe.as_str()),
                calibration::record.eq(serde_json::to_value(record).map_err(DbError::internal)?),
                calibration::found_good.eq(found_good),
                calibration::left_good.eq(left_good),
            ))
            .execute(&mut tx.conn())
            .await?;
        Ok(())
    }
}
