//! Notes that hold from-to. One that goes on ends where the next of its kind begins, or when
//! somebody says so; its end is all that is ever changed of it.

use super::owner::{Owner, Place};
use super::{Note, Noted, changed, get};
use crate::db::stamp::Change;
use crate::db::{DbError, Tx};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{NoteId, SiteId};
use domain::span::Span;
use serde_json::json;
use std::borrow::Cow;
use std::fmt::Display;
use uuid::Uuid;

/// SQL of when such a note was last written: its end may be later than the rest, and is not written once it is
/// withdrawn. In these words there is an index.
pub(in crate::db) const WRITTEN: &str = "(case when withdrawn_at is not null then withdrawn_at \
    when end_noted_at is not null then end_noted_at else created_at end)";

/// A note of a site with a beginning, and an end or none: its column `valid`.
pub(crate) trait Dated: Note<Owner = SiteId> {
    /// A bound: an instant or a local day.
    type Bound: Copy + Display;
    /// SQL types of the range and of its bounds.
    const RANGE: (&'static str, &'static str);
    /// SQL of its kind: of one kind, one holds at a time.
    const KIND: &'static str;

    /// Its kind.
    fn kind(&self) -> Cow<'_, str>;

    /// When it begins, and when it ends if that is known.
    fn bounds(&self) -> (Self::Bound, Option<Self::Bound>);

    /// The same with that end.
    fn ended(self, to: Self::Bound) -> Result<Self, Faults>;
}

#[derive(QueryableByName)]
struct Ended {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
}

/// Ends the one of its kind that goes on where `new` begins, and has what rested on it from then
/// on computed again.
pub(super) async fn end_running<N: Dated>(tx: &Tx<'_>, site: SiteId, place: &Place, new: &N) -> Result<(), DbError> {
    let (table, kind, (range, bound)) = (N::TABLE, N::KIND, N::RANGE);
    let from = new.bounds().0.to_string();
    let ended: Vec<Ended> = sql_query(format!(
        "update {table} set valid = {range}(lower(valid), $2::{bound}), end_noted_at = $4
          where site_id = $1 and {kind} = $3 and upper_inf(valid) and lower(valid) < $2::{bound}
            and withdrawn_at is null
         returning id"
    ))
    .bind::<SqlUuid, _>(site.0)
    .bind::<Text, _>(&from)
    .bind::<Text, _>(new.kind().as_ref())
    .bind::<Timestamptz, _>(tx.now())
    .load(&mut tx.conn())
    .await?;
    for Ended { id } in ended {
        site.touch(tx, Span::parse(new.span(place.zone).from(), None)?).await?;
        tx.log(Change {
            record: table,
            record_id: id.to_string(),
            revision: None,
            verb: "updated",
            customer: place.customer,
            detail: json!({ "site_id": site, "to": from }),
        })
        .await?;
    }
    Ok(())
}

/// Ends a note that goes on.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, [`DbError::Refused`] for one that has an end or is
/// withdrawn, [`DbError::Invalid`] for an end that is not after its beginning.
pub(crate) async fn end<N: Dated>(tx: &Tx<'_>, site: SiteId, id: NoteId, to: N::Bound) -> Result<Noted<N>, DbError> {
    let old = get::<N>(tx, site, id).await?;
    if old.withdrawn.is_some() || old.value.bounds().1.is_some() {
        return Err(DbError::refused("ended_already", "It has an end, or is withdrawn; withdraw it and note another."));
    }
    let place = site.place(tx, old.begins).await?;
    let went_on = old.value.span(place.zone);
    old.value.ended(to)?;
    let (table, (range, bound)) = (N::TABLE, N::RANGE);
    let ended = sql_query(format!(
        "update {table} set valid = {range}(lower(valid), $2::{bound}), end_noted_at = $3
          where id = $1 and upper_inf(valid)"
    ))
    .bind::<SqlUuid, _>(id.0)
    .bind::<Text, _>(to.to_string())
    .bind::<Timestamptz, _>(tx.now())
    .execute(&mut tx.conn())
    .await?;
    // Nothing to update: another transaction ended it meanwhile.
    if ended == 0 {
        return Err(DbError::Collided);
    }
    let noted = get::<N>(tx, site, id).await?;
    changed(tx, site, went_on, &place, &noted, "updated").await?;
    Ok(noted)
}
