//! What the next night run has to compute again.

use super::schema::touched;
use super::{DbError, Tx};
use chrono::NaiveDate;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use std::collections::BTreeMap;

/// Notes that figures of these meters between two UTC days are out of date.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn note(
    tx: &Tx<'_>,
    meter_nos: &[i32],
    from_day: NaiveDate,
    to_day: NaiveDate,
) -> Result<(), DbError> {
    if meter_nos.is_empty() {
        return Ok(());
    }
    insert_into(touched::table)
        .values((
            touched::id.eq(tx.new_id()),
            touched::meter_nos.eq(meter_nos),
            touched::from_day.eq(from_day.min(to_day)),
            touched::to_day.eq(to_day.max(from_day)),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

/// Notes the sheets of a batch, sorted by meter and day: one row for each span of days that
/// some of its meters have in common.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn note_groups(tx: &Tx<'_>, meter_no: &[i32], day: &[NaiveDate]) -> Result<(), DbError> {
    let mut spans: BTreeMap<(NaiveDate, NaiveDate), Vec<i32>> = BTreeMap::new();
    let sheets: Vec<(i32, NaiveDate)> = meter_no.iter().copied().zip(day.iter().copied()).collect();
    for of_meter in sheets.chunk_by(|a, b| a.0 == b.0) {
        if let (Some(first), Some(last)) = (of_meter.first(), of_meter.last()) {
            spans.entry((first.1, last.1)).or_default().push(first.0);
        }
    }
    for ((from, to), meters) in spans {
        note(tx, &meters, from, to).await?;
    }
    Ok(())
}
