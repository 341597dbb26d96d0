//! The audit: who did what to which record, when, and from where.

use super::{Line, SEALED};
use crate::db::{Db, DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{BigInt, Binary, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use std::collections::HashMap;
use uuid::Uuid;

/// Which lines.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Of this person or program.
    pub account: Option<Uuid>,
    /// To this kind of record.
    pub record: Option<String>,
    /// To this record.
    pub record_id: Option<String>,
    /// Only this deed.
    pub verb: Option<String>,
    /// About this customer.
    pub customer: Option<Uuid>,
    /// From this instant on.
    pub from: Option<DateTime<Utc>>,
    /// Up to, not including, this instant.
    pub to: Option<DateTime<Utc>>,
}

/// A line with what seals it.
#[derive(Debug, Clone, QueryableByName)]
pub struct Sealed {
    /// The line.
    #[diesel(embed)]
    pub line: Line,
    /// SHA-256 of the hash of the line before it and `sealed`.
    #[diesel(sql_type = Binary)]
    pub hash: Vec<u8>,
    /// The line's text, as it is sealed.
    #[diesel(sql_type = Text)]
    pub sealed: String,
}

/// Lines before a place, or the newest, the newest first.
///
/// # Errors
/// When the database fails.
pub async fn before(tx: &Tx<'_>, filter: &Filter, before: i64, most: i64) -> Result<Vec<Sealed>, DbError> {
    let sql = format!(
        "select p.seq, c.id, c.at, c.account_id, c.request_id, c.address, c.record, c.record_id, c.revision, c.verb,
                c.customer_id, c.detail, p.hash, {SEALED} as sealed
           from change_place p
           join change c on c.dealer_id = p.dealer_id and c.id = p.change_id
          where p.seq < $1 and ($2 is null or c.account_id = $2) and ($3 is null or c.record = $3)
            and ($4 is null or c.record_id = $4) and ($5 is null or c.verb = $5)
            and ($6 is null or c.customer_id = $6) and ($7 is null or c.at >= $7) and ($8 is null or c.at < $8)
          order by p.seq desc
          limit $9"
    );
    Ok(sql_query(sql)
        .bind::<BigInt, _>(before)
        .bind::<Nullable<SqlUuid>, _>(filter.account)
        .bind::<Nullable<Text>, _>(&filter.record)
        .bind::<Nullable<Text>, _>(&filter.record_id)
        .bind::<Nullable<Text>, _>(&filter.verb)
        .bind::<Nullable<SqlUuid>, _>(filter.customer)
        .bind::<Nullable<Timestamptz>, _>(filter.from)
        .bind::<Nullable<Timestamptz>, _>(filter.to)
        .bind::<BigInt, _>(most)
        .load(&mut tx.conn())
        .await?)
}

/// The names of the programs among these.
///
/// # Errors
/// When the database fails.
pub async fn programs(tx: &Tx<'_>, ids: &[Uuid]) -> Result<HashMap<Uuid, String>, DbError> {
    use crate::db::schema::api_client;
    let known = api_client::table.filter(api_client::id.eq_any(ids)).select((api_client::id, api_client::name));
    let names: Vec<(Uuid, String)> = known.load(&mut tx.conn()).await?;
    Ok(names.into_iter().collect())
}

impl Db {
    /// The names of these accounts, for who may read the audit of what they did; programs have theirs
    /// from [`programs`].
    ///
    /// # Errors
    /// When the database fails.
    pub async fn names(&self, accounts: &[Uuid]) -> Result<HashMap<Uuid, String>, DbError> {
        use crate::db::schema::account;
        self.at_gate(async |mut conn| {
            let known = account::table.filter(account::id.eq_any(accounts)).select((account::id, account::name));
            let names: Vec<(Uuid, String)> = known.load(&mut conn).await?;
            Ok(names.into_iter().collect())
        })
        .await
    }
}
