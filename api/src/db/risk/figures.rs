//! Figures that a dealer sets for its forecasts; the usual ones count until then.

use crate::db::error::known;
use crate::db::stamp::{Change, one_changed};
use crate::db::{DbError, Revision, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Integer, Jsonb, Timestamptz};
use diesel_async::RunQueryDsl;
use domain::risk::costs::RiskCosts;
use domain::risk::pooling::Pooling;
use domain::risk::sign::SignLimits;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

/// A kind of figures.
pub trait Figures: Copy + Default + Serialize + DeserializeOwned {
    /// Its table: one row a dealer.
    const TABLE: &'static str;
}

impl Figures for RiskCosts {
    const TABLE: &'static str = "risk_cost";
}

impl Figures for Pooling {
    const TABLE: &'static str = "risk_pooling";
}

impl Figures for SignLimits {
    const TABLE: &'static str = "sign_limits";
}

/// Figures with their revision: 0 as long as the usual ones count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StoredFigures<T> {
    /// How often they were written.
    pub revision: Revision,
    /// When they were last written.
    pub changed_at: Option<DateTime<Utc>>,
    /// The figures.
    pub value: T,
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = Integer)]
    revision: Revision,
    #[diesel(sql_type = Timestamptz)]
    changed_at: DateTime<Utc>,
    #[diesel(sql_type = Jsonb)]
    figures: Value,
}

/// The dealer's figures, else the usual ones.
///
/// # Errors
/// When the database fails.
pub async fn get<T: Figures>(tx: &Tx<'_>) -> Result<StoredFigures<T>, DbError> {
    let sql = format!("select revision, changed_at, figures from {}", T::TABLE);
    let row: Option<Row> = sql_query(sql).get_result(&mut tx.conn()).await.optional()?;
    let Some(row) = row else {
        return Ok(StoredFigures { revision: 0, changed_at: None, value: T::default() });
    };
    let value = known("figures", serde_json::from_value(row.figures).ok())?;
    Ok(StoredFigures { revision: row.revision, changed_at: Some(row.changed_at), value })
}

/// Sets figures that are still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] at another revision.
pub async fn set_at<T: Figures>(tx: &Tx<'_>, at: Revision, new: &T) -> Result<StoredFigures<T>, DbError> {
    let figures = serde_json::to_value(new).map_err(DbError::internal)?;
    let sql = if at == 0 {
        format!(
            "insert into {} (figures, created_at, changed_at) select $1, $2, $2 where $3 = 0
             on conflict do nothing returning revision, changed_at, figures",
            T::TABLE
        )
    } else {
        format!(
            "update {} set figures = $1, changed_at = $2, revision = $3 + 1 where revision = $3
             returning revision, changed_at, figures",
            T::TABLE
        )
    };
    let changed: Option<Row> = sql_query(sql)
        .bind::<Jsonb, _>(&figures)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Integer, _>(at)
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get::<T>(tx).await.map(|now| now.revision)).await?;
    tx.log(Change {
        record: T::TABLE,
        record_id: tx.scope().dealer().to_string(),
        revision: Some(row.revision),
        verb: if row.revision == 1 { "created" } else { "updated" },
        customer: None,
        detail: figures,
    })
    .await?;
    Ok(StoredFigures { revision: row.revision, changed_at: Some(row.changed_at), value: *new })
}
