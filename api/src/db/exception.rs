//! Reading exceptions: steps that do not count until a person has decided.

use super::schema::reading_exception;
use super::{DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::metering::step::ReadingException;
use std::collections::HashSet;
use uuid::Uuid;

/// Makes the open exceptions of a meter, of steps ending within `from..=to`, be those `found`:
/// new ones open, and open ones that are no longer found are closed.
///
/// # Errors
/// When the database fails.
pub async fn sync(
    tx: &Tx<'_>,
    meter_no: i32,
    (from, to): (DateTime<Utc>, DateTime<Utc>),
    found: &[ReadingException],
) -> Result<(), DbError> {
    let open: Vec<(Uuid, DateTime<Utc>, String)> = reading_exception::table
        .filter(
            reading_exception::meter_no
                .eq(meter_no)
                .and(reading_exception::closed_at.is_null())
                .and(reading_exception::to_at.between(from, to)),
        )
        .select((reading_exception::id, reading_exception::to_at, reading_exception::kind))
        .load(&mut tx.conn())
        .await?;
    let still: HashSet<(DateTime<Utc>, &str)> =
        found.iter().map(|exception| (exception.to.at, exception.kind.as_str())).collect();
    let gone: Vec<Uuid> =
        open.iter().filter(|(_, at, kind)| !still.contains(&(*at, kind.as_str()))).map(|(id, _, _)| *id).collect();
    if !gone.is_empty() {
        update(reading_exception::table.filter(reading_exception::id.eq_any(gone)))
            .set((
                reading_exception::closed_at.eq(tx.now()),
                reading_exception::ruling.eq("no_longer_there"),
            ))
            .execute(&mut tx.conn())
            .await?;
    }
    for exception in found {
        open_one(tx, meter_no, exception).await?;
    }
    Ok(())
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
            reading_exception::suggestion.eq(exception.suggestion.map(|suggestion| suggestion.to_string())),
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
        .set((
            reading_exception::closed_at.eq(None::<DateTime<Utc>>),
            reading_exception::ruling.eq(None::<String>),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}
