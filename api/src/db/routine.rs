//! Recurring work at units, each with its next due as it was last projected.

use super::error::known;
use super::page::{After, paged};
use super::schema::routine;
use super::series::Of;
use super::stamp::{Change, one_changed};
use super::{DbError, Revision, Stored, Tx, due, placement};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{AccountId, RoutineId, UnitId};
use domain::routine::due::{Due, DueBy};
use domain::routine::every::{Every, MonthDay};
use domain::routine::{Certificate, Plan, Routine};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use uuid::Uuid;

/// A routine with how far it has come.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// The routine.
    pub routine: Stored<RoutineId, Routine>,
    /// How often it was done.
    pub done_times: i32,
    /// The local day on which it was last done.
    pub last_done_on: Option<NaiveDate>,
    /// When it is due next; `None` when not within the horizon.
    pub due: Option<Due>,
}

/// Which routines.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Of these units; of units that stand with this customer and at these sites now.
    pub of: Of,
    /// Retired ones too.
    pub retired: bool,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = routine)]
struct Row {
    id: Uuid,
    unit_id: Uuid,
    name: String,
    every_days: Option<i32>,
    yearly_on: Option<String>,
    every_hours: Option<f64>,
    every_starts: Option<f64>,
    every_washes: Option<f64>,
    every_litres: Option<f64>,
    rests: bool,
    checklist: Value,
    cautions: Value,
    certificate: Option<String>,
    technician_id: Option<Uuid>,
    counts_from: NaiveDate,
    done_times: i32,
    last_done_on: Option<NaiveDate>,
    due_on: Option<NaiveDate>,
    due_by: Option<String>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

/// The day of the year as it is stored.
pub(super) fn yearly(text: Option<&str>) -> Result<Option<MonthDay>, DbError> {
    text.map(|text| known("yearly_on", MonthDay::parse(text).ok())).transpose()
}

impl TryFrom<Row> for Kept {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let by = row.due_by.map(|by| known("due_by", DueBy::from_name(&by))).transpose()?;
        let certificate = row.certificate.map(|name| known("certificate", Certificate::from_name(&name)));
        let plan = Plan {
            name: row.name,
            every: Every {
                days: row.every_days.and_then(|days| days.try_into().ok()),
                yearly_on: yearly(row.yearly_on.as_deref())?,
                hours: row.every_hours,
                starts: row.every_starts,
                washes: row.every_washes,
                litres: row.every_litres,
            },
            rests: row.rests,
            checklist: serde_json::from_value(row.checklist).map_err(DbError::internal)?,
            cautions: serde_json::from_value(row.cautions).map_err(DbError::internal)?,
            certificate: certificate.transpose()?,
        };
        Ok(Self {
            routine: Stored {
                id: RoutineId(row.id),
                revision: row.revision,
                created_at: row.created_at,
                changed_at: row.changed_at,
                ended_at: row.ended_at,
                value: Routine {
                    unit_id: UnitId(row.unit_id),
                    plan,
                    technician_id: row.technician_id.map(AccountId),
                    counts_from: row.counts_from,
                },
            },
            done_times: row.done_times,
            last_done_on: row.last_done_on,
            due: row.due_on.zip(by).map(|(on, by)| Due { on, by }),
        })
    }
}

#[derive(Insertable, AsChangeset)]
#[diesel(table_name = routine, treat_none_as_null = true)]
struct Fields<'a> {
    unit_id: Uuid,
    name: &'a str,
    every_days: Option<i32>,
    yearly_on: Option<String>,
    every_hours: Option<f64>,
    every_starts: Option<f64>,
    every_washes: Option<f64>,
    every_litres: Option<f64>,
    rests: bool,
    checklist: Value,
    cautions: Value,
    certificate: Option<&'static str>,
    technician_id: Option<Uuid>,
    counts_from: NaiveDate,
    changed_at: DateTime<Utc>,
}

impl<'a> Fields<'a> {
    fn of(tx: &Tx<'_>, value: &'a Routine) -> Self {
        let Plan { name, every, rests, checklist, cautions, certificate } = &value.plan;
        Self {
            unit_id: value.unit_id.0,
            name,
            every_days: every.days.and_then(|days| days.try_into().ok()),
            yearly_on: every.yearly_on.map(|day| day.to_string()),
            every_hours: every.hours,
            every_starts: every.starts,
            every_washes: every.washes,
            every_litres: every.litres,
            rests: *rests,
            checklist: json!(checklist),
            cautions: json!(cautions),
            certificate: certificate.map(Certificate::as_str),
            technician_id: value.technician_id.map(|account| account.0),
            counts_from: value.counts_from,
            changed_at: tx.now(),
        }
    }
}

/// Adds a routine to a unit, and says when it is due.
///
/// # Errors
/// [`DbError::UnknownReference`] for a unit that isn't the dealer's.
pub async fn create(tx: &Tx<'_>, new: &Routine) -> Result<Kept, DbError> {
    let kept = insert(tx, new).await?;
    projected(tx, kept.routine.id, new.unit_id).await
}

/// Adds several to their units, and says once when all of them are due.
///
/// # Errors
/// As [`create`].
pub async fn create_all(tx: &Tx<'_>, new: &[Routine]) -> Result<(), DbError> {
    for one in new {
        insert(tx, one).await?;
    }
    let units: BTreeSet<Uuid> = new.iter().map(|one| one.unit_id.0).collect();
    due::project(tx, &units.into_iter().collect::<Vec<_>>()).await?;
    Ok(())
}

async fn insert(tx: &Tx<'_>, new: &Routine) -> Result<Kept, DbError> {
    let row: Row = insert_into(routine::table)
        .values((routine::id.eq(tx.new_id()), routine::created_at.eq(tx.now()), Fields::of(tx, new)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    let kept = row.try_into()?;
    log(tx, &kept, "created").await?;
    Ok(kept)
}

/// One routine.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: RoutineId) -> Result<Kept, DbError> {
    let found = routine::table.filter(routine::id.eq(id.0));
    let row: Row = found.select(Row::as_select()).first(&mut tx.conn()).await?;
    row.try_into()
}

/// The same, held until the transaction ends: two completions of one due must not meet.
pub(super) async fn get_held(tx: &Tx<'_>, id: RoutineId) -> Result<Kept, DbError> {
    let found = routine::table.filter(routine::id.eq(id.0)).for_update();
    let row: Row = found.select(Row::as_select()).first(&mut tx.conn()).await?;
    row.try_into()
}

/// The work of a unit that is due on a local day or was before, and that no certificate has to
/// prove; the longest due first.
///
/// # Errors
/// When the database fails.
pub async fn due_of(tx: &Tx<'_>, unit: UnitId, day: NaiveDate) -> Result<Vec<Kept>, DbError> {
    let due = routine::due_on.le(day).and(routine::ended_at.is_null()).and(routine::certificate.is_null());
    let rows: Vec<Row> = routine::table
        .filter(routine::unit_id.eq(unit.0))
        .filter(due)
        .order((routine::due_on, routine::id))
        .select(Row::as_select())
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Routines by name or as the page is sorted, one more than it holds.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<Kept>, DbError> {
    let among = filter.of.among(tx).await?;
    let mut query = paged!(routine::table.select(Row::as_select()), after, routine, name);
    if let Some(units) = &among.units {
        query = query.filter(routine::unit_id.eq_any(units.clone()));
    }
    if let Some(units) = placement::standing(&among, tx.now()) {
        query = query.filter(routine::unit_id.eq_any(units));
    }
    if !filter.retired {
        query = query.filter(routine::ended_at.is_null());
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Changes a routine that is still at revision `at`, and says anew when it is due.
///
/// # Errors
/// [`DbError::Invalid`] for another unit, [`DbError::Stale`] at another revision,
/// [`DbError::NotFound`] outside the scope.
pub async fn update_at(tx: &Tx<'_>, id: RoutineId, at: Revision, new: &Routine) -> Result<Kept, DbError> {
    let new = get(tx, id).await?.routine.value.becomes(new.clone())?;
    let changed: Option<Row> = update(routine::table.filter(routine::id.eq(id.0).and(routine::revision.eq(at))))
        .set((Fields::of(tx, &new), routine::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.routine.revision)).await?;
    logged(tx, row.try_into()?, "updated").await
}

/// Retires a routine that is still at revision `at`; retiring twice changes nothing.
///
/// # Errors
/// [`DbError::Stale`] at another revision, [`DbError::NotFound`] outside the scope.
pub async fn retire(tx: &Tx<'_>, id: RoutineId, at: Revision) -> Result<Kept, DbError> {
    let now = get(tx, id).await?;
    if now.routine.retired_at(at) {
        return Ok(now);
    }
    let running = routine::id.eq(id.0).and(routine::revision.eq(at)).and(routine::ended_at.is_null());
    let changed: Option<Row> = update(routine::table.filter(running))
        .set((routine::ended_at.eq(tx.now()), routine::changed_at.eq(tx.now()), routine::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.routine.revision)).await?;
    logged(tx, row.try_into()?, "retired").await
}

/// Notes that a due was done: `on` is null when it stays due.
pub(super) async fn advance(tx: &Tx<'_>, kept: &Kept, on: Option<NaiveDate>) -> Result<Kept, DbError> {
    let id = kept.routine.id;
    let row: Row = update(routine::table.filter(routine::id.eq(id.0)))
        .set((
            routine::done_times.eq(kept.done_times + 1),
            routine::last_done_on.eq(on.or(kept.last_done_on)),
            routine::changed_at.eq(tx.now()),
            routine::revision.eq(kept.routine.revision + 1),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, row.try_into()?, "updated").await
}

/// Adds the line to the change log and projects the next due. A routine that isn't due any more,
/// because it is retired, keeps the last one.
async fn logged(tx: &Tx<'_>, kept: Kept, verb: &str) -> Result<Kept, DbError> {
    log(tx, &kept, verb).await?;
    projected(tx, kept.routine.id, kept.routine.value.unit_id).await
}

/// Routines are the dealer's own: no customer sees the line.
async fn log(tx: &Tx<'_>, kept: &Kept, verb: &str) -> Result<(), DbError> {
    let Routine { unit_id, plan, .. } = &kept.routine.value;
    tx.log(Change {
        record: "routine",
        record_id: kept.routine.id.to_string(),
        revision: Some(kept.routine.revision),
        verb,
        customer: None,
        detail: json!({ "unit_id": unit_id, "name": plan.name, "done_times": kept.done_times }),
    })
    .await
}

async fn projected(tx: &Tx<'_>, id: RoutineId, unit: UnitId) -> Result<Kept, DbError> {
    due::project(tx, &[unit.0]).await?;
    get(tx, id).await
}
