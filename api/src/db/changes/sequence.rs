//! Gives lines of the change log their places, after the transactions that wrote them.
//!
//! One sequencer a dealer works at a time, under an advisory lock, in whatever process. It takes
//! the lines that its snapshot sees and that have no place yet, in the order in which they were
//! written, and numbers them on. A line whose transaction is slow is not seen and gets a later
//! number than those that overtook it: a reader who goes on from a number misses nothing, however
//! transactions interleave. What a transaction wrote after waiting for another's row is written,
//! and so numbered, after it: a record's revisions come in their order.
//!
//! Which lines have no place is looked for among transactions that may still have been running the
//! last time, by the snapshot's xmin; a restored database begins its transactions anew, so a mark
//! that lies ahead counts for nothing.

use super::{BEGINNING, SEALED, hash};
use crate::auth::Scope;
use crate::db::{Db, DbError, Tx, webhook};
use chrono::Utc;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Binary, Integer, Nullable, Text, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::change::shown_to_customers;
use domain::ids::DealerId;
use uuid::Uuid;

/// First half of the advisory lock's key: the letters "feed".
const LOCK_CLASS: i32 = 0x6665_6564;
/// Lines placed in one transaction.
const LINES_AT_ONCE: usize = 5_000;

#[derive(QueryableByName)]
struct Last {
    #[diesel(sql_type = BigInt)]
    seq: i64,
    #[diesel(sql_type = Binary)]
    hash: Vec<u8>,
    #[diesel(sql_type = BigInt)]
    below_xid: i64,
}

#[derive(QueryableByName)]
struct Unplaced {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    customer_id: Option<Uuid>,
    #[diesel(sql_type = Text)]
    record: String,
    #[diesel(sql_type = Text)]
    sealed: String,
    #[diesel(sql_type = BigInt)]
    xmin: i64,
}

impl Db {
    /// Gives every line of the dealer that is committed by now its place; how many got one.
    ///
    /// # Errors
    /// When the database fails; lines placed until then stay so.
    pub async fn sequence(&self, dealer: DealerId) -> Result<usize, DbError> {
        let scope = Scope::of_job(dealer);
        let mut placed = 0;
        loop {
            let now = self.write(&scope, Utc::now(), async |tx| place(tx).await).await?;
            placed += now;
            if now < LINES_AT_ONCE {
                return Ok(placed);
            }
        }
    }
}

async fn place(tx: &Tx<'_>) -> Result<usize, DbError> {
    let lock = "select pg_advisory_xact_lock($1, $2)";
    sql_query(lock)
        .bind::<Integer, _>(LOCK_CLASS)
        .bind::<Integer, _>(tx.scope().dealer().0)
        .execute(&mut tx.conn())
        .await?;
    // The lock is held: this snapshot sees all that the sequencer before has placed.
    let last: Option<Last> = sql_query("select seq, hash, below_xid from change_place order by seq desc limit 1")
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let last = last.unwrap_or_else(|| Last { seq: 0, hash: BEGINNING.to_vec(), below_xid: 0 });
    let unplaced = unplaced(tx, last.below_xid).await?;
    if unplaced.is_empty() {
        return Ok(0);
    }
    let after = last.seq;
    store(tx, last, &unplaced).await?;
    webhook::fan_out(tx, after).await?;
    Ok(unplaced.len())
}

async fn unplaced(tx: &Tx<'_>, below_xid: i64) -> Result<Vec<Unplaced>, DbError> {
    let sql = format!(
        "select c.id, c.customer_id, c.record, {SEALED} as sealed,
                pg_snapshot_xmin(pg_current_snapshot())::text::int8 as xmin
           from change c
          where c.xid >= case when $1 <= pg_snapshot_xmin(pg_current_snapshot())::text::int8 then $1 else 0 end
            and not exists (select from change_place p where p.dealer_id = c.dealer_id and p.change_id = c.id)
          order by c.line
          limit $2"
    );
    let most = i64::try_from(LINES_AT_ONCE).unwrap_or(i64::MAX);
    Ok(sql_query(sql).bind::<BigInt, _>(below_xid).bind::<BigInt, _>(most).load(&mut tx.conn()).await?)
}

async fn store(tx: &Tx<'_>, last: Last, lines: &[Unplaced]) -> Result<(), DbError> {
    // Cut off at the most: older transactions may have more lines than these.
    let all = lines.len() < LINES_AT_ONCE;
    let xmin = lines.first().map_or(last.below_xid, |line| line.xmin);
    let (mut before, mut hashes) = (last.hash, Vec::with_capacity(lines.len()));
    for line in lines {
        before = hash(&before, &line.sealed).to_vec();
        hashes.push(before.clone());
    }
    let customer = |line: &Unplaced| line.customer_id.filter(|_| shown_to_customers(&line.record));
    sql_query(
        "insert into change_place (seq, change_id, customer_id, hash, below_xid)
         select $1 + g.n, g.change_id, g.customer_id, g.hash, $5
           from unnest($2::uuid[], $3::uuid[], $4::bytea[]) with ordinality as g (change_id, customer_id, hash, n)",
    )
    .bind::<BigInt, _>(last.seq)
    .bind::<Array<SqlUuid>, _>(lines.iter().map(|line| line.id).collect::<Vec<_>>())
    .bind::<Array<Nullable<SqlUuid>>, _>(lines.iter().map(customer).collect::<Vec<_>>())
    .bind::<Array<Binary>, _>(hashes)
    .bind::<BigInt, _>(if all { xmin } else { last.below_xid })
    .execute(&mut tx.conn())
    .await?;
    Ok(())
}
