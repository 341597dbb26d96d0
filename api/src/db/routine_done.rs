//! Dues that were done, each once.

use super::error::known;
use super::file::{self, Behind, FileHash};
use super::routine::{self, Kept};
use super::schema::routine_done;
use super::{DbError, Tx, wear};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::file::FileRecord;
use domain::ids::RoutineId;
use domain::routine::done::{Certified, Done, TestResult};
use serde_json::{Value, json};
use std::collections::HashMap;
use uuid::Uuid;

/// A completion as it is stored.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredDone {
    /// The completion.
    pub done: Done,
    /// When it was due.
    pub due_on: Option<NaiveDate>,
    /// The account that noted it down.
    pub recorded_by: Option<Uuid>,
    /// When.
    pub created_at: DateTime<Utc>,
}

#[derive(Queryable, Selectable, Insertable)]
#[diesel(table_name = routine_done)]
struct Row {
    routine_id: Uuid,
    n: i32,
    due_on: Option<NaiveDate>,
    done_on: NaiveDate,
    checked: Value,
    note: Option<String>,
    certificate_number: Option<String>,
    tester: Option<String>,
    tester_licence: Option<String>,
    certified_on: Option<NaiveDate>,
    result: Option<String>,
    certificate_sha256: Option<String>,
    recorded_by: Option<Uuid>,
    created_at: DateTime<Utc>,
}

impl TryFrom<Row> for StoredDone {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let result = row.result.map(|name| known("result", TestResult::from_name(&name))).transpose()?;
        let told = row.certificate_number.zip(row.tester).zip(row.certified_on).zip(result);
        let certified = told.map(|(((number, tester), on), result)| Certified {
            number,
            tester,
            licence: row.tester_licence,
            on,
            result,
            sha256: row.certificate_sha256,
        });
        Ok(Self {
            done: Done {
                n: known("n", row.n.try_into().ok())?,
                on: row.done_on,
                checked: serde_json::from_value(row.checked).map_err(DbError::internal)?,
                note: row.note,
                certified,
            },
            due_on: row.due_on,
            recorded_by: row.recorded_by,
            created_at: row.created_at,
        })
    }
}

/// Notes that the next due of a routine was done.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, [`DbError::Refused`] when that due was done before or
/// is not the next one, or the routine is retired, [`DbError::Invalid`] for what can't be.
pub async fn create(tx: &Tx<'_>, id: RoutineId, new: &Done) -> Result<Kept, DbError> {
    let kept = routine::get_held(tx, id).await?;
    if kept.routine.ended_at.is_some() {
        return Err(DbError::refused("routine_retired", "The routine is retired; add another for what is done now."));
    }
    let n = i32::try_from(new.n).unwrap_or(i32::MAX);
    if n <= kept.done_times {
        return Err(DbError::refused("done_already", "This due was noted as done before; read the routine again."));
    }
    if n != kept.done_times + 1 {
        return Err(DbError::refused(
            "not_next",
            "That is not the next due; read the routine again, and send its next_n.",
        ));
    }
    let unit = kept.routine.value.unit_id;
    let wear = wear::of_units(tx, &[unit.0]).await?.remove(&unit.0).ok_or(DbError::NotFound)?;
    let done = new.clone().checked(&kept.routine.value, kept.last_done_on, wear.counters.today)?;
    if let Some(hash) = done.certified.as_ref().and_then(|certified| FileHash::parse(certified.sha256.as_deref()?)) {
        file::known_to(tx, "/certificate/certificate_sha256", hash).await?;
        let behind = Behind { record: FileRecord::RoutineDone, id: id.0, at: None, customer: None };
        file::link(tx, &behind, hash).await?;
    }
    insert_into(routine_done::table).values(row(tx, &kept, &done, n)).execute(&mut tx.conn()).await?;
    routine::advance(tx, &kept, (!done.leaves_it_due()).then_some(done.on)).await
}

fn row(tx: &Tx<'_>, kept: &Kept, done: &Done, n: i32) -> Row {
    let certified = done.certified.as_ref();
    Row {
        routine_id: kept.routine.id.0,
        n,
        due_on: kept.due.map(|due| due.on),
        done_on: done.on,
        checked: json!(done.checked),
        note: done.note.clone(),
        certificate_number: certified.map(|certified| certified.number.clone()),
        tester: certified.map(|certified| certified.tester.clone()),
        tester_licence: certified.and_then(|certified| certified.licence.clone()),
        certified_on: certified.map(|certified| certified.on),
        result: certified.map(|certified| certified.result.as_str().to_owned()),
        certificate_sha256: certified.and_then(|certified| certified.sha256.clone()),
        recorded_by: tx.scope().account().map(|account| account.0),
        created_at: tx.now(),
    }
}

/// The last certificate of each of these routines that has one.
///
/// # Errors
/// When the database fails.
pub async fn last_certificates(tx: &Tx<'_>, routines: &[Uuid]) -> Result<HashMap<Uuid, Certified>, DbError> {
    let certified = routine_done::certificate_sha256.is_not_null();
    let rows: Vec<Row> = routine_done::table
        .filter(routine_done::routine_id.eq_any(routines).and(certified))
        .distinct_on(routine_done::routine_id)
        .order((routine_done::routine_id, routine_done::n.desc()))
        .select(Row::as_select())
        .load(&mut tx.conn())
        .await?;
    let mut last = HashMap::new();
    for row in rows {
        let id = row.routine_id;
        last.extend(StoredDone::try_from(row)?.done.certified.map(|certified| (id, certified)));
    }
    Ok(last)
}

/// What was done of a routine, newest first; a thousand at most.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn list(tx: &Tx<'_>, id: RoutineId) -> Result<Vec<StoredDone>, DbError> {
    routine::get(tx, id).await?;
    let rows: Vec<Row> = routine_done::table
        .filter(routine_done::routine_id.eq(id.0))
        .select(Row::as_select())
        .order(routine_done::n.desc())
        .limit(1000)
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(TryInto::try_into).collect()
}
