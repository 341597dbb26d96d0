//! Registers and levels that were read when something began or ended: when a unit came and went, at
//! its handover, when it was laid up or bypassed. They count as if they had been noted by themselves.

use super::measures;
use super::{DbError, Tx, meter_known, reading};
use crate::readings::batch::group;
use crate::readings::{Rejected, Row};
use chrono::{DateTime, TimeDelta, Utc};
use diesel::sql_query;
use diesel::sql_types::Date;
use diesel_async::RunQueryDsl;
use domain::fault::{Fault, Faults};
use domain::ids::UnitId;
use domain::placement::{Handover, LevelThen, RegisterThen};
use domain::reading::Source;
use domain::span::Span;
use uuid::Uuid;

/// Where faults are said: in which field the registers and levels stand, and in which the instant.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Fields {
    /// Of the registers and levels.
    pub(crate) read: &'static str,
    /// Of the instant.
    pub(crate) at: &'static str,
}

/// What was read at the beginning of something.
const START: Fields = Fields { read: "/at_start", at: "/from" };
/// What was read at its end.
const END: Fields = Fields { read: "/at_end", at: "/to" };

/// Keeps what was read when a unit came.
///
/// # Errors
/// [`DbError::Invalid`] for what can't have been read then.
pub(in crate::db) async fn on_coming(
    tx: &Tx<'_>,
    unit: UnitId,
    at: DateTime<Utc>,
    read: &Handover,
) -> Result<(), DbError> {
    registers(tx, at, &read.registers, START).await?;
    levels(tx, unit, at, &read.levels, START).await
}

/// Keeps what was read when a unit went. Its levels are of the last second in which it stood there:
/// at the instant itself it may stand elsewhere.
///
/// # Errors
/// [`DbError::Invalid`] for what can't have been read then.
pub(in crate::db) async fn on_going(
    tx: &Tx<'_>,
    unit: UnitId,
    at: DateTime<Utc>,
    read: &Handover,
) -> Result<(), DbError> {
    registers(tx, at, &read.registers, END).await?;
    levels(tx, unit, at - TimeDelta::seconds(1), &read.levels, END).await
}

/// Keeps what was read at the ends of a spell; what is read at the end of one that goes on is refused.
///
/// # Errors
/// [`DbError::Invalid`] for what can't have been read then.
pub(crate) async fn of_spell(
    tx: &Tx<'_>,
    unit: UnitId,
    span: Span,
    (at_start, at_end): (&Handover, &Handover),
) -> Result<(), DbError> {
    registers(tx, span.from(), &at_start.registers, START).await?;
    levels(tx, unit, span.from(), &at_start.levels, START).await?;
    if *at_end == Handover::default() {
        return Ok(());
    }
    let fix = "what was read at its end needs the end; give it, or leave out at_end";
    let to = span.to().ok_or_else(|| Faults::one(END.at, "required", fix))?;
    registers(tx, to, &at_end.registers, END).await?;
    levels(tx, unit, to, &at_end.levels, END).await
}

/// Takes registers as readings of that instant, all or none.
///
/// # Errors
/// [`DbError::Invalid`] for a meter that is not known, a value that its register can't show, or that
/// differs from what is stored.
pub(in crate::db) async fn registers(
    tx: &Tx<'_>,
    at: DateTime<Utc>,
    read: &[RegisterThen],
    fields: Fields,
) -> Result<(), DbError> {
    if read.is_empty() {
        return Ok(());
    }
    let ids: Vec<Uuid> = read.iter().map(|row| row.meter_id.0).collect();
    let meters = meter_known::by_ids(tx, &ids, at, at).await?;
    let of = |(index, row): (usize, &RegisterThen)| Row {
        index,
        meter: row.meter_id.0,
        at: at.timestamp(),
        register: row.register,
        source: Source::HAND,
    };
    let rows: Vec<Row> = read.iter().enumerate().map(of).collect();
    let mut rejected = Vec::new();
    let sheets = group(&rows, &meters, tx.now(), &mut rejected);
    refuse(&rejected, fields)?;
    // All of them were read at one instant.
    sql_query("select app.make_month($1)").bind::<Date, _>(at.date_naive()).execute(&mut tx.conn()).await?;
    refuse(&reading::store(tx, &sheets).await?.rejected, fields)
}

fn refuse(rejected: &[Rejected], fields: Fields) -> Result<(), DbError> {
    let mut faults = Faults::default();
    for bad in rejected {
        let pointer = match bad.field {
            Some("read_at") => fields.at.to_owned(),
            field => format!("{}/registers/{}/{}", fields.read, bad.index, field.unwrap_or("register")),
        };
        faults.add(pointer, bad.code, bad.detail.clone());
    }
    Ok(faults.or(())?)
}

/// Notes levels of that instant at the unit.
async fn levels(
    tx: &Tx<'_>,
    unit: UnitId,
    at: DateTime<Utc>,
    read: &[LevelThen],
    fields: Fields,
) -> Result<(), DbError> {
    for level in read {
        let gauge = level.gauge(at).checked(tx.now()).map_err(|found| of_instant(found, fields))?;
        measures::create(tx, unit, &gauge).await.map_err(|error| match error {
            DbError::Invalid(found) => of_instant(found, fields).into(),
            other => other,
        })?;
    }
    Ok(())
}

/// The faults of a level's note, which has its instant and its place from elsewhere.
fn of_instant(found: Faults, fields: Fields) -> Faults {
    let moved = found.0.into_iter().map(|fault| {
        let pointer = if fault.pointer == "/at" { fields.at } else { fields.read };
        Fault { pointer: pointer.to_owned(), ..fault }
    });
    Faults(moved.collect())
}
