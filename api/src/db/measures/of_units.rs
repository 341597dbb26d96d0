//! Notes of all units, in one list.

use super::{Note, Noted, Stamps, Window, noted, order, to_cursor};
use crate::db::page::After;
use crate::db::placement::{self, stood_with};
use crate::db::series::Of;
use crate::db::{DbError, Tx};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Bool, Nullable, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::UnitId;
use uuid::Uuid;

#[derive(QueryableByName)]
struct OfUnit {
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
}

/// The notes of units about instants, in order of time or as the page is sorted and each with its unit, one
/// more than the page holds: of units, and of those that stood with a customer and at sites then.
///
/// # Errors
/// [`DbError::Invalid`] for a cursor of another list.
pub(crate) async fn list<N: Note<Owner = UnitId>>(
    tx: &Tx<'_>,
    of: &Of,
    window: &Window,
    after: &After,
) -> Result<Vec<(UnitId, Noted<N>)>, DbError> {
    let (table, written) = (N::SEEN, N::WRITTEN);
    let (key, past) = order(after, ["n.at", "n.created_at", written])?;
    let among = of.among(tx).await?;
    // Whether a unit stood there then is asked of each note, so only notes of units that ever did are read.
    let units = placement::ever_there(tx, &among).await?;
    let stood = stood_with!("n", "at", "$8", "$9");
    let rows: Vec<(OfUnit, (Stamps, N::Row))> = sql_query(format!(
        "select n.*, n.at as begins, {written} as written from {table} n
          where ({key}, n.id) > ($1, $2) and ($3::uuid[] is null or n.unit_id = any ($3)) and {stood}
            and ($4::timestamptz is null or n.at >= $4) and ($5::timestamptz is null or n.at < $5)
            and ($6 or n.withdrawn_at is null) and ($10::timestamptz is null or {written} >= $10)
          order by {key}, n.id limit $7"
    ))
    .bind::<Timestamptz, _>(past)
    .bind::<SqlUuid, _>(after.key().1)
    .bind::<Nullable<Array<SqlUuid>>, _>(units)
    .bind::<Nullable<Timestamptz>, _>(window.from)
    .bind::<Nullable<Timestamptz>, _>(window.to)
    .bind::<Bool, _>(window.withdrawn)
    .bind::<BigInt, _>(after.ask())
    .bind::<Nullable<SqlUuid>, _>(among.customer)
    .bind::<Nullable<Array<SqlUuid>>, _>(&among.sites)
    .bind::<Nullable<Timestamptz>, _>(after.changed_since())
    .load(&mut tx.conn())
    .await?;
    rows.into_iter().map(|(of, row)| Ok((UnitId(of.unit_id), noted(row)?))).collect()
}

/// The sort text and id of a note in the cursors of such a list.
pub(crate) fn place<N>(after: &After, noted: &Noted<N>) -> (String, Uuid) {
    after.place_at(&to_cursor(noted.begins), noted.id.0, (noted.created_at, noted.changed_at))
}
