//! The change log as it is read: in one order that is given after commit, and sealed by a chain of
//! hashes. [`sequence`] gives the order; the feed, the audit and the webhooks follow it.

pub mod audit;
pub mod feed;
pub mod sequence;
pub mod verify;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{BigInt, Integer, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use serde_json::Value;
use sha2::{Digest, Sha256};
use uuid::Uuid;

/// A line of the change log at its place.
#[derive(Debug, Clone, QueryableByName)]
pub struct Line {
    /// Its place in the dealer's feed, from 1 without gaps.
    #[diesel(sql_type = BigInt)]
    pub seq: i64,
    /// Its id: the cursor.
    #[diesel(sql_type = SqlUuid)]
    pub id: Uuid,
    /// The instant of the request or job.
    #[diesel(sql_type = Timestamptz)]
    pub at: DateTime<Utc>,
    /// Who; none for the service itself.
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub account_id: Option<Uuid>,
    /// In which request.
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub request_id: Option<Uuid>,
    /// From which IP address.
    #[diesel(sql_type = Nullable<Text>)]
    pub address: Option<String>,
    /// What kind of record.
    #[diesel(sql_type = Text)]
    pub record: String,
    /// Which one.
    #[diesel(sql_type = Text)]
    pub record_id: String,
    /// Its revision since then.
    #[diesel(sql_type = Nullable<Integer>)]
    pub revision: Option<i32>,
    /// What was done.
    #[diesel(sql_type = Text)]
    pub verb: String,
    /// Whose record it was then.
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub customer_id: Option<Uuid>,
    /// What else is said of it.
    #[diesel(sql_type = Jsonb)]
    pub detail: Value,
}

/// Lines with their places; a condition on `p` follows.
pub(in crate::db) const LINES: &str = "
select p.seq, c.id, c.at, c.account_id, c.request_id, c.address, c.record, c.record_id, c.revision, c.verb,
       c.customer_id, c.detail
  from change_place p
  join change c on c.dealer_id = p.dealer_id and c.id = p.change_id";

/// A line's text, as it is sealed: a JSON array as PostgreSQL writes it. It never changes, or every
/// chain breaks.
const SEALED: &str = "json_build_array(c.id, to_char(c.at at time zone 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS.US\"Z\"'), \
   c.account_id, c.request_id, c.address, c.record, c.record_id, c.revision, c.verb, c.customer_id, c.detail)::text";

/// What the first line's hash is made with.
const BEGINNING: [u8; 32] = [0; 32];

/// The hash of a line: SHA-256 of the hash before it and its text.
fn hash(before: &[u8], sealed: &str) -> [u8; 32] {
    Sha256::new_with_prefix(before).chain_update(sealed.as_bytes()).finalize().into()
}
