//! What failures cost, as the dealer reckons.

use crate::db::error::known;
use crate::db::schema::risk_cost;
use crate::db::stamp::{Change, one_changed};
use crate::db::{DbError, Revision, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::risk::costs::RiskCosts;
use serde_json::Value;

/// The costs with their revision: 0 as long as the usual ones count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StoredCosts {
    /// How often they were written.
    pub revision: Revision,
    /// When they were last written.
    pub changed_at: Option<DateTime<Utc>>,
    /// The costs.
    pub value: RiskCosts,
}

/// The dealer's costs, else the usual ones.
///
/// # Errors
/// When the database fails.
pub async fn get(tx: &Tx<'_>) -> Result<StoredCosts, DbError> {
    let row: Option<(i32, DateTime<Utc>, Value)> = risk_cost::table
        .select((risk_cost::revision, risk_cost::changed_at, risk_cost::figures))
        .first(&mut tx.conn())
        .await
        .optional()?;
    let Some((revision, changed_at, figures)) = row else {
        return Ok(StoredCosts { revision: 0, changed_at: None, value: RiskCosts::default() });
    };
    let value = known("figures", serde_json::from_value(figures).ok())?;
    Ok(StoredCosts { revision, changed_at: Some(changed_at), value })
}

/// Sets costs that are still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] at another revision.
pub async fn set_at(tx: &Tx<'_>, at: Revision, new: &RiskCosts) -> Result<StoredCosts, DbError> {
    let figures = serde_json::to_value(new).map_err(DbError::internal)?;
    let values = (risk_cost::figures.eq(&figures), risk_cost::changed_at.eq(tx.now()));
    let changed: Option<i32> = if at == 0 {
        insert_into(risk_cost::table)
            .values((values, risk_cost::created_at.eq(tx.now())))
            .on_conflict_do_nothing()
            .returning(risk_cost::revision)
            .get_result(&mut tx.conn())
            .await
            .optional()?
    } else {
        update(risk_cost::table.filter(risk_cost::revision.eq(at)))
            .set((values, risk_cost::revision.eq(at + 1)))
            .returning(risk_cost::revision)
            .get_result(&mut tx.conn())
            .await
            .optional()?
    };
    let revision = one_changed(changed, async || get(tx).await.map(|now| now.revision)).await?;
    let line = Change {
        record: "risk_cost",
        record_id: tx.scope().dealer().to_string(),
        revision: Some(revision),
        verb: if revision == 1 { "created" } else { "updated" },
        customer: None,
        detail: figures,
    };
    tx.log(line).await?;
    Ok(StoredCosts { revision, changed_at: Some(tx.now()), value: *new })
}
