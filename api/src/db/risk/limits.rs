//! From where on something is a sign of a process upset, as the dealer has set it.

use crate::db::error::known;
use crate::db::schema::sign_limits;
use crate::db::stamp::{Change, one_changed};
use crate::db::{DbError, Revision, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::risk::sign::SignLimits;
use serde_json::Value;

/// The limits with their revision: 0 as long as the usual ones count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StoredLimits {
    /// How often they were written.
    pub revision: Revision,
    /// When they were last written.
    pub changed_at: Option<DateTime<Utc>>,
    /// The limits.
    pub value: SignLimits,
}

/// The dealer's limits, else the usual ones.
///
/// # Errors
/// When the database fails.
pub async fn get(tx: &Tx<'_>) -> Result<StoredLimits, DbError> {
    let row: Option<(i32, DateTime<Utc>, Value)> = sign_limits::table
        .select((sign_limits::revision, sign_limits::changed_at, sign_limits::figures))
        .first(&mut tx.conn())
        .await
        .optional()?;
    let Some((revision, changed_at, figures)) = row else {
        return Ok(StoredLimits { revision: 0, changed_at: None, value: SignLimits::default() });
    };
    let value = known("figures", serde_json::from_value(figures).ok())?;
    Ok(StoredLimits { revision, changed_at: Some(changed_at), value })
}

/// Sets limits that are still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] at another revision.
pub async fn set_at(tx: &Tx<'_>, at: Revision, new: &SignLimits) -> Result<StoredLimits, DbError> {
    let figures = serde_json::to_value(new).map_err(DbError::internal)?;
    let values = (sign_limits::figures.eq(&figures), sign_limits::changed_at.eq(tx.now()));
    let changed: Option<i32> = if at == 0 {
        insert_into(sign_limits::table)
            .values((values, sign_limits::created_at.eq(tx.now())))
            .on_conflict_do_nothing()
            .returning(sign_limits::revision)
            .get_result(&mut tx.conn())
            .await
            .optional()?
    } else {
        update(sign_limits::table.filter(sign_limits::revision.eq(at)))
            .set((values, sign_limits::revision.eq(at + 1)))
            .returning(sign_limits::revision)
            .get_result(&mut tx.conn())
            .await
            .optional()?
    };
    let revision = one_changed(changed, async || get(tx).await.map(|now| now.revision)).await?;
    let line = Change {
        record: "sign_limits",
        record_id: tx.scope().dealer().to_string(),
        revision: Some(revision),
        verb: if revision == 1 { "created" } else { "updated" },
        customer: None,
        detail: figures,
    };
    tx.log(line).await?;
    Ok(StoredLimits { revision, changed_at: Some(tx.now()), value: *new })
}
