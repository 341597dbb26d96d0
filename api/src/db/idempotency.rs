//! Answers to creations, kept for a day under their Idempotency-Key.

use super::schema::idempotency;
use super::{DbError, Tx};
use chrono::Duration;
use diesel::prelude::*;
use diesel::{delete, insert_into, update};
use diesel_async::RunQueryDsl;
use serde::Serialize;
use serde_json::Value;
use sha2::{Digest, Sha256};
use uuid::Uuid;

/// How long a key is remembered.
const KEPT_HOURS: i64 = 24;

/// The answer to a creation.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Answer {
    /// The record's revision.
    pub(crate) revision: i32,
    /// The record as it was answered.
    pub(crate) body: Value,
}

impl Answer {
    /// The answer that shows `view`.
    pub(crate) fn of(revision: i32, view: &impl Serialize) -> Self {
        Self { revision, body: serde_json::to_value(view).unwrap_or(Value::Null) }
    }
}

/// Claims `key` for this request, or gives the answer it got before. While another transaction
/// holds the key, this waits for it.
pub(crate) async fn claim(tx: &Tx<'_>, key: &str, request: &[u8]) -> Result<Option<Answer>, DbError> {
    let account = account(tx);
    let hash = Sha256::digest(request).to_vec();
    let old = idempotency::table.filter(idempotency::created_at.lt(tx.now() - Duration::hours(KEPT_HOURS)));
    delete(old.filter(idempotency::account_id.eq(account))).execute(&mut tx.conn()).await?;
    let fresh = insert_into(idempotency::table)
        .values((
            idempotency::account_id.eq(account),
            idempotency::key.eq(key),
            idempotency::request_hash.eq(&hash),
            idempotency::created_at.eq(tx.now()),
        ))
        .on_conflict_do_nothing()
        .execute(&mut tx.conn())
        .await?;
    if fresh == 1 {
        return Ok(None);
    }
    let (kept_hash, etag, body): (Vec<u8>, Option<String>, Option<Value>) = idempotency::table
        .filter(idempotency::account_id.eq(account).and(idempotency::key.eq(key)))
        .select((idempotency::request_hash, idempotency::etag, idempotency::answer))
        .first(&mut tx.conn())
        .await?;
    if kept_hash != hash {
        return Err(DbError::refused("key_used", "This Idempotency-Key was used for another request; send a new one."));
    }
    let revision = etag.and_then(|text| text.parse().ok()).unwrap_or(1);
    Ok(body.map(|body| Answer { revision, body }))
}

/// Keeps the answer beside the claimed key.
pub(crate) async fn keep(tx: &Tx<'_>, key: &str, answer: &Answer) -> Result<(), DbError> {
    let row = idempotency::table.filter(idempotency::account_id.eq(account(tx)).and(idempotency::key.eq(key)));
    update(row)
        .set((
            idempotency::status.eq(201_i16),
            idempotency::answer.eq(&answer.body),
            idempotency::etag.eq(answer.revision.to_string()),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

fn account(tx: &Tx<'_>) -> Uuid {
    tx.scope().account().map_or(Uuid::nil(), |account| account.0)
}
