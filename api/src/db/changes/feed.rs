//! The feed: what changed since a line that the reader has seen.

use super::{LINES, Line};
use crate::auth::Reach;
use crate::db::{DbError, Tx};
use diesel::dsl::sql;
use diesel::prelude::*;
use diesel::sql_types::{Array, BigInt, Bool, Nullable, Text, Uuid as SqlUuid};
use diesel::{select, sql_query};
use diesel_async::RunQueryDsl;
use domain::change::OF_PEOPLE;
use uuid::Uuid;

/// Places that one part looks at: who asks for a kind of record that is rare goes on from there.
const PLACES_MAX: i64 = 50_000;

/// From where a reader goes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum From {
    /// The first line there is.
    Beginning,
    /// Now: of what was, nothing is given.
    Newest,
    /// The line with this id, which the reader has.
    After(Uuid),
}

/// A part of the feed.
#[derive(Debug)]
pub struct Part {
    /// Its lines, in their order.
    pub lines: Vec<Line>,
    /// The line to go on after; none while the feed is empty.
    pub last: Option<Uuid>,
    /// Whether there are more already.
    pub more: bool,
}

#[derive(QueryableByName)]
struct At {
    #[diesel(sql_type = BigInt)]
    seq: i64,
    #[diesel(sql_type = SqlUuid)]
    change_id: Uuid,
}

/// Whether the scope is limited to chosen sites: it is shown no line, for none says at which site it is.
///
/// # Errors
/// When the database fails.
pub async fn is_limited(tx: &Tx<'_>) -> Result<bool, DbError> {
    Ok(select(sql::<Bool>("not app.all_sites()")).get_result(&mut tx.conn()).await?)
}

/// The lines after `from` that the scope sees, of these kinds of record, or of all; `None` for a
/// line that the scope knows nothing of.
///
/// # Errors
/// When the database fails.
pub async fn after(tx: &Tx<'_>, from: From, records: &[String], most: i64) -> Result<Option<Part>, DbError> {
    // First how far this part reaches, then what lies in it: nothing that comes meanwhile is
    // passed over.
    let newest = newest(tx).await?;
    let since = match from {
        From::Beginning => None,
        From::Newest => return Ok(Some(Part { lines: Vec::new(), last: newest.map(|at| at.change_id), more: false })),
        From::After(id) => match of(tx, id).await? {
            Some(at) => Some(at),
            None => return Ok(None),
        },
    };
    let (Some(newest), seq) = (newest, since.as_ref().map_or(0, |at| at.seq)) else {
        return Ok(Some(Part { lines: Vec::new(), last: None, more: false }));
    };
    let end = far(tx, seq).await?;
    let is_cut = end.is_some();
    let end = end.unwrap_or(newest);
    let mut lines = between(tx, (seq, end.seq), records, most + 1).await?;
    let most = usize::try_from(most).unwrap_or(usize::MAX);
    let is_full = lines.len() > most;
    lines.truncate(most);
    let last = match lines.last() {
        Some(last) if is_full => last.id,
        _ => end.change_id,
    };
    Ok(Some(Part { lines, last: Some(last), more: is_full || is_cut }))
}

/// A customer's people are held to their own places by row-level security; said here too, their
/// index serves.
fn own(tx: &Tx<'_>) -> Option<Uuid> {
    match tx.scope().reach() {
        Reach::Dealer => None,
        Reach::Customer(customer) => Some(customer.0),
    }
}

async fn newest(tx: &Tx<'_>) -> Result<Option<At>, DbError> {
    let sql = match own(tx) {
        None => "select seq, change_id from change_place where $1 is null order by seq desc limit 1",
        Some(_) => "select seq, change_id from change_place where customer_id = $1 order by seq desc limit 1",
    };
    Ok(sql_query(sql).bind::<Nullable<SqlUuid>, _>(own(tx)).get_result(&mut tx.conn()).await.optional()?)
}

/// Where a part ends that looks at the most places, when there are more of them after `seq`.
async fn far(tx: &Tx<'_>, seq: i64) -> Result<Option<At>, DbError> {
    // A dealer's places have no gaps; of a customer's people those count that they see.
    let sql = match own(tx) {
        None => "select seq, change_id from change_place where seq = $2 + $3 + 1 and $1 is null",
        Some(_) => {
            "select seq, change_id from change_place where customer_id = $1 and seq > $2 order by seq offset $3 limit 1"
        }
    };
    let at = sql_query(sql).bind::<Nullable<SqlUuid>, _>(own(tx)).bind::<BigInt, _>(seq).bind::<BigInt, _>(PLACES_MAX);
    Ok(at.get_result(&mut tx.conn()).await.optional()?)
}

async fn of(tx: &Tx<'_>, id: Uuid) -> Result<Option<At>, DbError> {
    let sql = "select seq, change_id from change_place where change_id = $1";
    Ok(sql_query(sql).bind::<SqlUuid, _>(id).get_result(&mut tx.conn()).await.optional()?)
}

async fn between(tx: &Tx<'_>, (from, to): (i64, i64), records: &[String], most: i64) -> Result<Vec<Line>, DbError> {
    let whose = if own(tx).is_some() { "and p.customer_id = $3" } else { "and $3 is null" };
    // What is about people stands in the audit.
    let (which, kinds): (_, Vec<&str>) = if records.is_empty() {
        ("and c.record <> all ($4)", OF_PEOPLE.to_vec())
    } else {
        let asked = records.iter().map(String::as_str).filter(|record| !OF_PEOPLE.contains(record));
        ("and c.record = any ($4)", asked.collect())
    };
    let sql = format!("{LINES} where p.seq > $1 and p.seq <= $2 {whose} {which} order by p.seq limit $5");
    Ok(sql_query(sql)
        .bind::<BigInt, _>(from)
        .bind::<BigInt, _>(to)
        .bind::<Nullable<SqlUuid>, _>(own(tx))
        .bind::<Array<Text>, _>(kinds)
        .bind::<BigInt, _>(most)
        .load(&mut tx.conn())
        .await?)
}
