//! Reading exceptions as the night run finds them: steps that do not count until a person has
//! decided.

use super::schema::reading_exception;
use super::{DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Array, Integer, Timestamptz};
use diesel::{insert_into, sql_query, update};
use diesel_async::RunQueryDsl;
use domain::metering::step::ReadingException;
use std::collections::HashSet;
use uuid::Uuid;

/// The instants at which steps end that a fold has judged: after the first, up to the last,
/// and before the end of its days.
#[derive(Debug, Clone, Copy)]
pub struct Judged {
    /// From the instant at which the first day begins.
    pub from: DateTime<Utc>,
    /// Up to, not including, the instant at which the last day ends.
    pub to: DateTime<Utc>,
    /// Later than this, where the meter came then.
    pub after: Option<DateTime<Utc>>,
    /// Up to and including this, where it left.
    pub until: Option<DateTime<Utc>>,
}

impl Judged {
    /// Whether a step that ends at `at` was judged.
    #[must_use]
    pub fn contains(&self, at: DateTime<Utc>) -> bool {
        (self.from..self.to).contains(&at)
            && self.after.is_none_or(|after| at > after)
            && self.until.is_none_or(|until| at <= until)
    }
}

/// Makes the open exceptions of a meter, of the steps judged, be those `found`: new ones open,
/// and open ones that are no longer found are closed.
///
/// # Errors
/// When the database fails.
pub async fn sync(tx: &Tx<'_>, meter_no: i32, judged: Judged, found: &[ReadingException]) -> Result<(), DbError> {
    let open: Vec<(Uuid, DateTime<Utc>, String)> = reading_exception::table
        .filter(
            reading_exception::meter_no
                .eq(meter_no)
                .and(reading_exception::closed_at.is_null())
                .and(reading_exception::to_at.between(judged.from, judged.to)),
        )
        .select((reading_exception::id, reading_exception::to_at, reading_exception::kind))
        .load(&mut tx.conn())
        .await?;
    let still: HashSet<(DateTime<Utc>, &str)> =
        found.iter().map(|exception| (exception.to.at, exception.kind.as_str())).collect();
    let gone =
        |(_, at, kind): &&(Uuid, DateTime<Utc>, String)| judged.contains(*at) && !still.contains(&(*at, kind.as_str()));
    let gone: Vec<Uuid> = open.iter().filter(gone).map(|(id, _, _)| *id).collect();
    if !gone.is_empty() {
        update(reading_exception::table.filter(reading_exception::id.eq_any(gone)))
            .set((reading_exception::closed_at.eq(tx.now()), reading_exception::ruling.eq(NO_LONGER_THERE)))
            .execute(&mut tx.conn())
            .await?;
    }
    for exception in found {
        open_one(tx, meter_no, exception).await?;
    }
    Ok(())
}

/// How an exception ended that went by itself.
pub(in crate::db) const NO_LONGER_THERE: &str = "no_longer_there";

/// Opens an exception, or brings one that is known up to date: found again, it is open,
/// whatever was ruled until now. Only an acceptance stays, for a step that a person accepted
/// while this was computed.
async fn open_one(tx: &Tx<'_>, meter_no: i32, exception: &ReadingException) -> Result<(), DbError> {
    use reading_exception as e;
    let found = (
        e::from_at.eq(exception.from.at),
        e::from_register.eq(exception.from.register),
        e::to_register.eq(exception.to.register),
        e::slip.eq(exception.suggestion.map(|likely| likely.slip.as_str())),
        e::likely_register.eq(exception.suggestion.and_then(|likely| likely.register)),
        e::amount_if_accepted.eq(exception.amount_if_accepted),
    );
    let (to_at, kind) = (e::to_at.eq(exception.to.at), e::kind.eq(exception.kind.as_str()));
    let added = insert_into(e::table)
        .values((e::id.eq(tx.new_id()), e::meter_no.eq(meter_no), to_at, kind, e::opened_at.eq(tx.now()), found))
        .on_conflict_do_nothing()
        .execute(&mut tx.conn())
        .await?;
    if added == 0 {
        let known = e::meter_no.eq(meter_no).and(to_at).and(kind).and(e::ruling.is_distinct_from("accept"));
        let open = (e::closed_at.eq(None::<DateTime<Utc>>), e::ruling.eq(None::<String>), e::ruled_by.eq(None::<Uuid>));
        update(e::table.filter(known)).set((found, open)).execute(&mut tx.conn()).await?;
    }
    Ok(())
}

/// Closes the open exceptions of these meters whose step they measured nothing in any more.
///
/// # Errors
/// When the database fails.
pub async fn close_unmeasured(tx: &Tx<'_>, meters: &[i32]) -> Result<(), DbError> {
    sql_query(
        "update reading_exception e set closed_at = $2, ruling = 'no_longer_there'
          where e.meter_no = any ($1) and e.closed_at is null
            and not exists (select from meter_holding h where h.meter_no = e.meter_no
              and h.valid && tstzrange(e.from_at, e.to_at))",
    )
    .bind::<Array<Integer>, _>(meters)
    .bind::<Timestamptz, _>(tx.now())
    .execute(&mut tx.conn())
    .await?;
    Ok(())
}
