//! Notes of all sites, in one list.

use super::{Note, Noted, Stamps, Window, noted};
use crate::db::page::After;
use crate::db::series::Of;
use crate::db::{DbError, Tx};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Bool, Nullable, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::SiteId;
use uuid::Uuid;

#[derive(QueryableByName)]
struct OfSite {
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
}

/// The notes of sites that are withdrawn or else stay as they are, in the order in which they were noted down or as
/// the page is sorted and each with its site, one more than the page holds: of the customer of their time.
///
/// # Errors
/// When the database fails.
pub(crate) async fn list<N: Note<Owner = SiteId>>(
    tx: &Tx<'_>,
    of: &Of,
    window: &Window,
    after: &After,
) -> Result<Vec<(SiteId, Noted<N>)>, DbError> {
    let (table, time, written, among) = (N::SEEN, N::TIME, N::WRITTEN, of.among(tx).await?);
    let (past, order, at) = after.by_id(("n", "$9"), ("n.created_at", written));
    let rows: Vec<(OfSite, (Stamps, N::Row))> = sql_query(format!(
        "select n.*, lower({time}) as begins, {written} as written from {table} n
          where {past} and ($2::uuid[] is null or n.site_id = any ($2)) and ($3::uuid is null or n.customer_id = $3)
            and {time} && tstzrange($4, $5) and ($6 or n.withdrawn_at is null)
            and ($8::timestamptz is null or {written} >= $8)
          order by {order} limit $7"
    ))
    .bind::<SqlUuid, _>(after.key().1)
    .bind::<Nullable<Array<SqlUuid>>, _>(&among.sites)
    .bind::<Nullable<SqlUuid>, _>(among.customer)
    .bind::<Nullable<Timestamptz>, _>(window.from)
    .bind::<Nullable<Timestamptz>, _>(window.to)
    .bind::<Bool, _>(window.withdrawn)
    .bind::<BigInt, _>(after.ask())
    .bind::<Nullable<Timestamptz>, _>(after.changed_since())
    .bind::<Nullable<Timestamptz>, _>(at)
    .load(&mut tx.conn())
    .await?;
    rows.into_iter().map(|(of, row)| Ok((SiteId(of.site_id), noted(row)?))).collect()
}
