//! Walks the chain of hashes over the change log, and names the first place at which it breaks.

use super::{BEGINNING, SEALED, hash};
use crate::auth::Scope;
use crate::db::{Db, DbError, Tx};
use chrono::Utc;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{BigInt, Binary, Nullable, Text, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::DealerId;
use std::fmt;
use uuid::Uuid;

/// Lines read at once.
const LINES_AT_ONCE: i64 = 5_000;

/// What a walk along a dealer's chain came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Walked {
    /// Lines whose hash fits.
    pub lines: i64,
    /// The hash of the last of them: kept elsewhere, it shows later whether the end was cut off.
    pub head: [u8; 32],
    /// The first break.
    pub broken: Option<Broken>,
    /// Lines of the log that should have a place and have none.
    pub left_out: i64,
}

/// Where a chain breaks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Broken {
    /// The place.
    pub seq: i64,
    /// The line that stands there or stood there, if that is known.
    pub change: Option<Uuid>,
    /// What is wrong.
    pub why: Why,
}

/// What is wrong at a break.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// The place is missing.
    NoPlace,
    /// The line is missing.
    NoLine,
    /// The line, or the hash beside it, is not what was sealed.
    Differs,
    /// The chain is whole, but ends before a line that was known, or another stands there.
    NotAsKnown,
}

impl fmt::Display for Why {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NoPlace => "its place is missing",
            Self::NoLine => "the line itself is missing",
            Self::Differs => "it is not what was sealed",
            Self::NotAsKnown => "the hash known from before is not found there",
        })
    }
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = BigInt)]
    seq: i64,
    #[diesel(sql_type = SqlUuid)]
    change_id: Uuid,
    #[diesel(sql_type = Binary)]
    hash: Vec<u8>,
    #[diesel(sql_type = Nullable<Text>)]
    sealed: Option<String>,
}

#[derive(QueryableByName)]
struct Count {
    #[diesel(sql_type = BigInt)]
    count: i64,
}

impl Db {
    /// Walks a dealer's chain from its beginning; `known` is a place and its hash from an earlier
    /// walk, which must still be there.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn walk_changes(&self, dealer: DealerId, known: Option<(i64, [u8; 32])>) -> Result<Walked, DbError> {
        let scope = Scope::of_job(dealer);
        let mut walked = Walked { lines: 0, head: BEGINNING, broken: None, left_out: 0 };
        loop {
            let rows = self.read(&scope, Utc::now(), async |tx| rows(tx, walked.lines).await).await?;
            if rows.is_empty() {
                break;
            }
            for row in rows {
                walked.broken = walked.step(&row, known);
                if walked.broken.is_some() {
                    return Ok(walked);
                }
            }
        }
        if let Some((seq, _)) = known.filter(|(seq, _)| *seq > walked.lines) {
            walked.broken = Some(Broken { seq, change: None, why: Why::NotAsKnown });
        }
        walked.left_out = self.read(&scope, Utc::now(), async |tx| left_out(tx).await).await?;
        Ok(walked)
    }
}

impl Walked {
    /// Whether nothing is wrong with it.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.broken.is_none() && self.left_out == 0
    }

    /// Goes on by one line, unless it is broken.
    fn step(&mut self, row: &Row, known: Option<(i64, [u8; 32])>) -> Option<Broken> {
        let seq = self.lines + 1;
        let broken = |why| Some(Broken { seq, change: Some(row.change_id), why });
        if row.seq != seq {
            return Some(Broken { seq, change: None, why: Why::NoPlace });
        }
        let Some(sealed) = &row.sealed else { return broken(Why::NoLine) };
        let found = hash(&self.head, sealed);
        if row.hash != found {
            return broken(Why::Differs);
        }
        if known.is_some_and(|(at, hash)| at == seq && hash != found) {
            return broken(Why::NotAsKnown);
        }
        (self.lines, self.head) = (seq, found);
        None
    }
}

async fn rows(tx: &Tx<'_>, after: i64) -> Result<Vec<Row>, DbError> {
    let sql = format!(
        "select p.seq, p.change_id, p.hash, case when c.id is not null then {SEALED} end as sealed
           from change_place p
           left join change c on c.dealer_id = p.dealer_id and c.id = p.change_id
          where p.seq > $1
          order by p.seq
          limit $2"
    );
    Ok(sql_query(sql).bind::<BigInt, _>(after).bind::<BigInt, _>(LINES_AT_ONCE).load(&mut tx.conn()).await?)
}

/// Lines of transactions that all sequencers after have passed.
async fn left_out(tx: &Tx<'_>) -> Result<i64, DbError> {
    let sql = "select count(*) as count from change c
                where c.xid < coalesce((select below_xid from change_place order by seq desc limit 1), 0)
                  and not exists (select from change_place p where p.dealer_id = c.dealer_id and p.change_id = c.id)";
    let row: Count = sql_query(sql).get_result(&mut tx.conn()).await?;
    Ok(row.count)
}
