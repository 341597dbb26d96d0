//! Reading exceptions: steps that do not count until a person has decided.

use super::schema::reading_exception;
use super::{DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::metering::step::ReadingException;
use uuid::Uuid;

/// The exceptions found in a meter's steps that end within a span.
#[derive(Debug)]
pub struct Found {
    /// The meter.
    pub meter_no: i32,
    /// The span, without its first instant and with its last.
    pub within: (DateTime<Utc>, DateTime<Utc>),
    /// What was found.
    pub exceptions: Vec<ReadingException>,
}

type Open = (Uuid, i32, DateTime<Utc>, String);

/// Makes the open exceptions of these meters within their spans be those found: new ones
/// open, and open ones that are no longer found are closed.
///
/// # Errors
/// When the database fails.
pub async fn sync(tx: &Tx<'_>, found: &[Found]) -> Result<(), DbError> {
    let open: Vec<Open> = reading_exception::table
        .filter(reading_exception::meter_no.eq_any(found.iter().map(|one| one.meter_no)))
        .filter(reading_exception::closed_at.is_null())
        .select((reading_exception::id, reading_exception::meter_no, reading_exception::to_at, reading_exception::kind))
        .load(&mut tx.conn())
        .await?;
    let gone: Vec<Uuid> = open.iter().filter(|open| is_gone(open, found)).map(|open| open.0).collect();
    if !gone.is_empty() {
        update(reading_exception::table.filter(reading_exception::id.eq_any(gone)))
            .set((reading_exception::closed_at.eq(tx.now()), reading_exception::ruling.eq("no_longer_there")))
            .execute(&mut tx.conn())
            .await?;
    }
    for one in found {
        for exception in &one.exceptions {
            open_one(tx, one.meter_no, exception).await?;
        }
    }
    Ok(())
}

/// Whether an open exception lies within a span in which it was not found again.
fn is_gone((_, meter_no, at, kind): &Open, found: &[Found]) -> bool {
    let ends_in = |one: &&Found| one.meter_no == *meter_no && one.within.0 < *at && *at <= one.within.1;
    let here = || found.iter().filter(ends_in);
    let again = |one: &Found| one.exceptions.iter().any(|found| found.to.at == *at && found.kind.as_str() == kind);
    here().next().is_some() && !here().any(again)
}

/// Opens an exception; one that is known stays as it is, but opens again if it had gone by
/// itself.
async fn open_one(tx: &Tx<'_>, meter_no: i32, exception: &ReadingException) -> Result<(), DbError> {
    insert_into(reading_exception::table)
        .values((
            reading_exception::id.eq(tx.new_id()),
            reading_exception::meter_no.eq(meter_no),
            reading_exception::from_at.eq(exception.from.at),
            reading_exception::to_at.eq(exception.to.at),
            reading_exception::kind.eq(exception.kind.as_str()),
            reading_exception::from_register.eq(exception.from.register),
            reading_exception::to_register.eq(exception.to.register),
            reading_exception::slip.eq(exception.suggestion.map(|likely| likely.slip.as_str())),
            reading_exception::likely_register.eq(exception.suggestion.and_then(|likely| likely.register)),
            reading_exception::opened_at.eq(tx.now()),
        ))
        .on_conflict_do_nothing()
        .execute(&mut tx.conn())
        .await?;
    let gone = reading_exception::meter_no
        .eq(meter_no)
        .and(reading_exception::to_at.eq(exception.to.at))
        .and(reading_exception::kind.eq(exception.kind.as_str()))
        .and(reading_exception::ruling.eq("no_longer_there"));
    update(reading_exception::table.filter(gone))
        .set((reading_exception::closed_at.eq(None::<DateTime<Utc>>), reading_exception::ruling.eq(None::<String>)))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}
