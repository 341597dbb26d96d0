//! Reading exceptions as the night run finds them: steps that do not count until a person has
//! decided.

use super::schema::reading_exception;
use super::stamp::Change;
use super::{DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Array, Integer, Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, sql_query, update};
use diesel_async::RunQueryDsl;
use domain::metering::step::ReadingException;
use serde_json::{Value, json};
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
        update(reading_exception::table.filter(reading_exception::id.eq_any(&gone)))
            .set((
                reading_exception::closed_at.eq(tx.now()),
                reading_exception::ruling.eq(NO_LONGER_THERE),
                reading_exception::changed_at.eq(tx.now()),
            ))
            .execute(&mut tx.conn())
            .await?;
    }
    let mut lines: Vec<_> =
        gone.into_iter().map(|id| line(id, "closed", json!({ "ruling": NO_LONGER_THERE }))).collect();
    for one in found {
        for exception in &one.exceptions {
            lines.extend(open_one(tx, one.meter_no, exception).await?);
        }
    }
    tx.log_all(lines).await
}

/// A line of the change log, which the dealer alone sees: nobody has decided yet.
fn line(id: Uuid, verb: &'static str, detail: Value) -> Change<'static> {
    let record_id = id.to_string();
    Change { record: "reading_exception", record_id, revision: None, verb, customer: None, detail }
}

/// Whether an open exception lies within a span in which it was not found again.
fn is_gone((_, meter_no, at, kind): &Open, found: &[Found]) -> bool {
    let ends_in = |one: &&Found| one.meter_no == *meter_no && one.within.0 < *at && *at <= one.within.1;
    let here = || found.iter().filter(ends_in);
    let again = |one: &Found| one.exceptions.iter().any(|found| found.to.at == *at && found.kind.as_str() == kind);
    here().next().is_some() && !here().any(again)
}

/// How an exception ended that went by itself.
pub(in crate::db) const NO_LONGER_THERE: &str = "no_longer_there";

/// Opens an exception, or brings one that is known up to date: found again, it is open,
/// whatever was ruled until now. Only an acceptance stays, for a step that a person accepted
/// while this was computed; one that is open and as it was is not written. Gives the line of one that was not open.
async fn open_one(
    tx: &Tx<'_>,
    meter_no: i32,
    exception: &ReadingException,
) -> Result<Option<Change<'static>>, DbError> {
    use reading_exception as e;
    let slip = exception.suggestion.map(|likely| likely.slip.as_str());
    let likely = exception.suggestion.and_then(|likely| likely.register);
    let found = (
        e::from_at.eq(exception.from.at),
        e::from_register.eq(exception.from.register),
        e::to_register.eq(exception.to.register),
        e::slip.eq(slip),
        e::likely_register.eq(likely),
        e::amount_if_accepted.eq(exception.amount_if_accepted),
        e::changed_at.eq(tx.now()),
    );
    let (to_at, kind) = (e::to_at.eq(exception.to.at), e::kind.eq(exception.kind.as_str()));
    let id = tx.new_id();
    let added = insert_into(e::table)
        .values((e::id.eq(id), e::meter_no.eq(meter_no), to_at, kind, e::opened_at.eq(tx.now()), found))
        .on_conflict_do_nothing()
        .execute(&mut tx.conn())
        .await?;
    let opened = if added == 0 {
        let known = e::meter_no.eq(meter_no).and(to_at).and(kind).and(e::ruling.is_distinct_from("accept"));
        let again = e::table.filter(known).filter(e::closed_at.is_not_null()).select(e::id);
        let again: Option<Uuid> = again.first(&mut tx.conn()).await.optional()?;
        let open = (e::closed_at.eq(None::<DateTime<Utc>>), e::ruling.eq(None::<String>), e::ruled_by.eq(None::<Uuid>));
        let otherwise = e::closed_at
            .is_not_null()
            .or(e::from_at.is_distinct_from(exception.from.at))
            .or(e::from_register.is_distinct_from(exception.from.register))
            .or(e::to_register.is_distinct_from(exception.to.register))
            .or(e::slip.is_distinct_from(slip))
            .or(e::likely_register.is_distinct_from(likely))
            .or(e::amount_if_accepted.is_distinct_from(exception.amount_if_accepted));
        update(e::table.filter(known.and(otherwise))).set((found, open)).execute(&mut tx.conn()).await?;
        again
    } else {
        Some(id)
    };
    let detail = json!({ "meter_number": meter_no, "kind": exception.kind.as_str(), "from_at": exception.from.at,
        "to_at": exception.to.at });
    Ok(opened.map(|id| line(id, "opened", detail)))
}

#[derive(QueryableByName)]
struct Gone {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
}

/// Closes the open exceptions of these meters whose step they measured nothing in any more.
///
/// # Errors
/// When the database fails.
pub async fn close_unmeasured(tx: &Tx<'_>, meters: &[i32]) -> Result<(), DbError> {
    let gone: Vec<Gone> = sql_query(
        "update reading_exception e set closed_at = $2, changed_at = $2, ruling = 'no_longer_there'
          where e.meter_no = any ($1) and e.closed_at is null
            and not exists (select from meter_holding h where h.meter_no = e.meter_no
              and h.valid && tstzrange(e.from_at, e.to_at))
         returning e.id",
    )
    .bind::<Array<Integer>, _>(meters)
    .bind::<Timestamptz, _>(tx.now())
    .load(&mut tx.conn())
    .await?;
    let closed = |gone: Gone| line(gone.id, "closed", json!({ "ruling": NO_LONGER_THERE }));
    tx.log_all(gone.into_iter().map(closed).collect()).await
}
