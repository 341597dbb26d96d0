//! Readings that came in by a link: stored, with their photos, and marked in their request, all
//! or nothing.

use crate::db::file::{self, Behind, FileHash, NewFile};
use crate::db::schema::{reading_request, reading_request_meter};
use crate::db::stamp::Change;
use crate::db::{DbError, Tx, reading};
use crate::readings::Taken;
use crate::readings::batch::Sheets;
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::update;
use diesel_async::RunQueryDsl;
use domain::asking::request::RequestState;
use domain::file::FileRecord;
use domain::ids::{CustomerId, ReadingRequestId};
use serde_json::json;
use std::collections::HashSet;
use uuid::Uuid;

/// A meter of a request, as it is shown to who was asked.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// Its place in the request, from 1.
    pub n: i16,
    /// Its number.
    pub meter_no: i32,
    /// Whether a photo of it was sent before.
    pub has_photo: bool,
    /// When its reading was taken.
    pub taken_at: Option<DateTime<Utc>>,
}

/// The meters of a request, in order.
///
/// # Errors
/// When the database fails.
pub async fn wanted(tx: &Tx<'_>, id: ReadingRequestId) -> Result<Vec<Wanted>, DbError> {
    type Row = (i16, i32, Option<Vec<u8>>, Option<DateTime<Utc>>);
    let rows: Vec<Row> = reading_request_meter::table
        .filter(reading_request_meter::request_id.eq(id.0))
        .order(reading_request_meter::n)
        .select((
            reading_request_meter::n,
            reading_request_meter::meter_no,
            reading_request_meter::photo_sha256,
            reading_request_meter::taken_at,
        ))
        .load(&mut tx.conn())
        .await?;
    let wanted = |(n, meter_no, photo, taken_at): Row| Wanted { n, meter_no, has_photo: photo.is_some(), taken_at };
    Ok(rows.into_iter().map(wanted).collect())
}

/// A meter's part of what was sent.
#[derive(Debug)]
pub struct Sent {
    /// Its place in the request; also its row in the batch of readings.
    pub n: i16,
    /// The meter.
    pub meter_id: Uuid,
    /// The instant of its reading in the batch; none when only its photo is kept.
    pub read_at: Option<DateTime<Utc>>,
    /// Its photo.
    pub photo: Option<NewFile>,
}

/// What became of it.
pub struct Kept {
    /// What became of the readings, by their rows.
    pub readings: Taken,
    /// Whether no reading is wanted any more.
    pub complete: bool,
}

/// Stores the readings of `sheets` and the photos of `sent`.
///
/// # Errors
/// A conflict when the request is over, or one of its readings was taken meanwhile.
pub async fn keep(tx: &Tx<'_>, id: ReadingRequestId, sheets: &Sheets, sent: &[Sent]) -> Result<Kept, DbError> {
    let customer = lock(tx, id).await?;
    let open: HashSet<i16> =
        wanted(tx, id).await?.iter().filter(|row| row.taken_at.is_none()).map(|row| row.n).collect();
    if sent.iter().any(|row| !open.contains(&row.n)) {
        return Err(DbError::refused(
            "sent_twice",
            "One of these readings was taken a moment ago; open the link again.",
        ));
    }
    let readings = reading::store(tx, sheets).await?;
    let refused: HashSet<usize> = readings.rejected.iter().map(|bad| bad.index).collect();
    let mut taken = 0;
    for row in sent {
        let stored = row.read_at.filter(|_| usize::try_from(row.n).is_ok_and(|n| !refused.contains(&n)));
        keep_row(tx, id, row, stored, customer).await?;
        taken += usize::from(stored.is_some());
    }
    let complete = taken == open.len();
    note(tx, id, customer, taken, complete).await?;
    Ok(Kept { readings, complete })
}

/// Locks the request and gives its customer, so that of two who send at once one waits.
async fn lock(tx: &Tx<'_>, id: ReadingRequestId) -> Result<CustomerId, DbError> {
    type Row = (Uuid, DateTime<Utc>, Option<DateTime<Utc>>, Option<DateTime<Utc>>);
    let (customer, expires_at, taken_at, ended_at): Row = reading_request::table
        .filter(reading_request::id.eq(id.0))
        .select((
            reading_request::customer_id,
            reading_request::expires_at,
            reading_request::taken_at,
            reading_request::ended_at,
        ))
        .for_update()
        .first(&mut tx.conn())
        .await?;
    if RequestState::at(tx.now(), taken_at, ended_at, expires_at) != RequestState::Open {
        return Err(DbError::refused("not_open", "The request is over; nothing more is taken by this link."));
    }
    Ok(CustomerId(customer))
}

async fn keep_row(
    tx: &Tx<'_>,
    id: ReadingRequestId,
    row: &Sent,
    stored: Option<DateTime<Utc>>,
    customer: CustomerId,
) -> Result<(), DbError> {
    let of_row = reading_request_meter::request_id.eq(id.0).and(reading_request_meter::n.eq(row.n));
    if let Some(photo) = &row.photo {
        let kept = file::keep(tx, photo).await?;
        update(reading_request_meter::table.filter(of_row))
            .set(reading_request_meter::photo_sha256.eq(kept.hash.bytes()))
            .execute(&mut tx.conn())
            .await?;
    }
    let Some(at) = stored else { return Ok(()) };
    let photo: Option<Vec<u8>> = update(reading_request_meter::table.filter(of_row))
        .set(reading_request_meter::taken_at.eq(tx.now()))
        .returning(reading_request_meter::photo_sha256)
        .get_result(&mut tx.conn())
        .await?;
    if let Some(photo) = photo {
        let behind = Behind { record: FileRecord::Reading, id: row.meter_id, at: Some(at), customer: Some(customer) };
        file::link(tx, &behind, FileHash::stored(&photo)?).await?;
    }
    Ok(())
}

/// Writes the request's new state, and the line of the change log.
async fn note(
    tx: &Tx<'_>,
    id: ReadingRequestId,
    customer: CustomerId,
    taken: usize,
    complete: bool,
) -> Result<(), DbError> {
    let revision: i32 = update(reading_request::table.filter(reading_request::id.eq(id.0)))
        .set((
            reading_request::taken_at.eq(complete.then(|| tx.now())),
            reading_request::changed_at.eq(tx.now()),
            reading_request::revision.eq(reading_request::revision + 1),
        ))
        .returning(reading_request::revision)
        .get_result(&mut tx.conn())
        .await?;
    tx.log(Change {
        record: "reading_request",
        record_id: id.to_string(),
        revision: Some(revision),
        verb: "updated",
        customer: Some(customer),
        detail: json!({ "taken": taken, "complete": complete }),
    })
    .await
}
