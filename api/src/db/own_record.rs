//! Records of which a dealer has one of its own, each kept as JSON in a table of its own; until somebody
//! sets it, what is usual counts.

use super::stamp::one_changed;
use super::{DbError, Revision, Stored, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Integer, Jsonb, Timestamptz};
use diesel_async::RunQueryDsl;
use domain::baseline::bills::FitLimits;
use domain::ids::DealerId;
use domain::measures::calibration::Limits;
use domain::report::rule::ReportRule;
use domain::report::style::ReportStyle;
use domain::risk::costs::RiskCosts;
use domain::risk::pooling::Pooling;
use domain::risk::sign::SignLimits;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

/// A record that a dealer has once.
pub trait OwnRecord: Serialize + DeserializeOwned {
    /// Its table, one row a dealer; what it is called in the change log.
    const TABLE: &'static str;
    /// The column that holds it.
    const COLUMN: &'static str;
}

macro_rules! own_records {
    ($($record:ty: $table:literal, $column:literal;)*) => {
        $(impl OwnRecord for $record {
            const TABLE: &'static str = $table;
            const COLUMN: &'static str = $column;
        })*
    };
}

own_records! {
    FitLimits: "fit_limits", "limits";
    Limits: "calibration_limits", "limits";
    ReportRule: "report_rule", "rule";
    ReportStyle: "report_style", "style";
    RiskCosts: "risk_cost", "figures";
    Pooling: "risk_pooling", "figures";
    SignLimits: "sign_limits", "figures";
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = Integer)]
    dealer_id: i32,
    #[diesel(sql_type = Integer)]
    revision: Revision,
    #[diesel(sql_type = Timestamptz)]
    created_at: DateTime<Utc>,
    #[diesel(sql_type = Timestamptz)]
    changed_at: DateTime<Utc>,
    #[diesel(sql_type = Jsonb)]
    record: Value,
}

fn columns<T: OwnRecord>() -> String {
    format!("dealer_id, revision, created_at, changed_at, {} as record", T::COLUMN)
}

impl<T: OwnRecord> TryFrom<Row> for Stored<DealerId, T> {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        Ok(Self {
            id: DealerId(row.dealer_id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: None,
            value: serde_json::from_value(row.record).map_err(DbError::internal)?,
        })
    }
}

/// The dealer's own record; none where nobody set it.
///
/// # Errors
/// When the database fails.
pub async fn find<T: OwnRecord>(tx: &Tx<'_>) -> Result<Option<Stored<DealerId, T>>, DbError> {
    let sql = format!("select {} from {}", columns::<T>(), T::TABLE);
    let row: Option<Row> = sql_query(sql).get_result(&mut tx.conn()).await.optional()?;
    row.map(TryInto::try_into).transpose()
}

/// Sets the record that is still at revision `at`, 0 where nobody set it yet.
///
/// # Errors
/// [`DbError::Stale`] at another revision.
pub async fn set_at<T: OwnRecord>(tx: &Tx<'_>, at: Revision, new: &T) -> Result<Stored<DealerId, T>, DbError> {
    let record = serde_json::to_value(new).map_err(DbError::internal)?;
    let (table, column, columns) = (T::TABLE, T::COLUMN, columns::<T>());
    let sql = if at == 0 {
        format!(
            "insert into {table} ({column}, created_at, changed_at) select $1, $2, $2 where $3 = 0
             on conflict do nothing returning {columns}"
        )
    } else {
        format!(
            "update {table} set {column} = $1, changed_at = $2, revision = $3 + 1 where revision = $3
             returning {columns}"
        )
    };
    let changed: Option<Row> = sql_query(sql)
        .bind::<Jsonb, _>(&record)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Integer, _>(at)
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || Ok(find::<T>(tx).await?.map_or(0, |now| now.revision))).await?;
    let verb = if at == 0 { "created" } else { "updated" };
    tx.logged(row.try_into()?, (T::TABLE, verb), None, record).await
}
