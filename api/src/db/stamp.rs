//! What every mutable record carries, and the one change log that every write adds to.

use super::schema::change;
use super::{DbError, Tx};
use crate::auth::Reach;
use chrono::{DateTime, Utc};
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::ids::CustomerId;
use serde_json::Value;
use std::fmt;
use std::sync::atomic::Ordering;
use uuid::Uuid;

/// How often a record was written: its ETag.
pub type Revision = i32;

/// A record with the stamps of its storage.
#[derive(Debug, Clone, PartialEq)]
pub struct Stored<Id, T> {
    /// Its public id.
    pub id: Id,
    /// How often it was written.
    pub revision: Revision,
    /// When it was first written.
    pub created_at: DateTime<Utc>,
    /// When it was last written.
    pub changed_at: DateTime<Utc>,
    /// When it was retired, if it was.
    pub ended_at: Option<DateTime<Utc>>,
    /// The record itself.
    pub value: T,
}

impl<Id, T> Stored<Id, T> {
    /// Whether it is at revision `at` and retired already: retiring it again changes nothing.
    pub(in crate::db) fn retired_at(&self, at: Revision) -> bool {
        self.revision == at && self.ended_at.is_some()
    }
}

/// One line of the change log.
pub(in crate::db) struct Change<'a> {
    pub(in crate::db) record: &'a str,
    pub(in crate::db) record_id: String,
    pub(in crate::db) revision: Option<Revision>,
    pub(in crate::db) verb: &'a str,
    /// Whose record it is: the customer who may see this line.
    pub(in crate::db) customer: Option<CustomerId>,
    pub(in crate::db) detail: Value,
}

/// Lines written by one statement.
const LINES_AT_ONCE: usize = 1000;

#[derive(Insertable)]
#[diesel(table_name = change)]
struct Line<'a> {
    id: Uuid,
    at: DateTime<Utc>,
    account_id: Option<Uuid>,
    request_id: Option<Uuid>,
    address: Option<String>,
    record: &'a str,
    record_id: String,
    revision: Option<Revision>,
    verb: &'a str,
    customer_id: Option<Uuid>,
    detail: Value,
}

impl<'a> Line<'a> {
    fn of(tx: &Tx<'_>, change: Change<'a>) -> Self {
        let scope = tx.scope();
        let customer = match scope.reach() {
            Reach::Customer(own) => Some(own),
            Reach::Dealer => change.customer,
        };
        Self {
            id: tx.new_id(),
            at: tx.now(),
            account_id: scope.account().map(|account| account.0),
            request_id: scope.request(),
            address: scope.address().map(|address| address.to_canonical().to_string()),
            record: change.record,
            record_id: change.record_id,
            revision: change.revision,
            verb: change.verb,
            customer_id: customer.map(|customer| customer.0),
            detail: change.detail,
        }
    }
}

impl Tx<'_> {
    /// A new id; ids made later sort later.
    pub(in crate::db) fn new_id(&self) -> Uuid {
        Uuid::now_v7()
    }

    /// Adds a line to the dealer's change log, in this transaction.
    pub(in crate::db) async fn log(&self, line: Change<'_>) -> Result<(), DbError> {
        self.log_all(vec![line]).await
    }

    /// Adds lines to the dealer's change log, in their order.
    pub(in crate::db) async fn log_all(&self, lines: Vec<Change<'_>>) -> Result<(), DbError> {
        let mut lines = lines.into_iter();
        loop {
            let rows: Vec<_> = lines.by_ref().take(LINES_AT_ONCE).map(|line| Line::of(self, line)).collect();
            if rows.is_empty() {
                return Ok(());
            }
            insert_into(change::table).values(rows).execute(&mut self.conn()).await?;
            self.logged.store(true, Ordering::Relaxed);
        }
    }
}

impl Tx<'_> {
    /// Adds the line of a record's write to the change log, and gives the record back.
    pub(in crate::db) async fn logged<Id: fmt::Display, T>(
        &self,
        stored: Stored<Id, T>,
        (record, verb): (&str, &str),
        customer: Option<CustomerId>,
        detail: Value,
    ) -> Result<Stored<Id, T>, DbError> {
        let (record_id, revision) = (stored.id.to_string(), Some(stored.revision));
        self.log(Change { record, record_id, revision, verb, customer, detail }).await?;
        Ok(stored)
    }
}

/// The row that a guarded update changed. None means that the record is at another revision,
/// or not there at all, and `revision_now` tells which.
pub(in crate::db) async fn one_changed<R>(
    changed: Option<R>,
    revision_now: impl AsyncFnOnce() -> Result<Revision, DbError>,
) -> Result<R, DbError> {
    match changed {
        Some(row) => Ok(row),
        None => Err(DbError::Stale { current: revision_now().await? }),
    }
}
