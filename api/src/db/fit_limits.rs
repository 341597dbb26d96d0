//! What a dealer asks of bills that a baseline is made of, where it asks anything: one record a dealer.

use super::schema::fit_limits;
use super::stamp::one_changed;
use super::{DbError, Revision, Stored, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::baseline::bills::FitLimits;
use domain::ids::DealerId;
use serde_json::{Value, json};

#[derive(Queryable, Selectable)]
#[diesel(table_name = fit_limits)]
struct Row {
    dealer_id: i32,
    limits: Value,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
}

impl TryFrom<Row> for Stored<DealerId, FitLimits> {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        Ok(Self {
            id: DealerId(row.dealer_id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: None,
            value: serde_json::from_value(row.limits).map_err(DbError::internal)?,
        })
    }
}

/// The dealer's own limits; none where nobody set them.
///
/// # Errors
/// When the database fails.
pub async fn get(tx: &Tx<'_>) -> Result<Option<Stored<DealerId, FitLimits>>, DbError> {
    let row: Option<Row> = fit_limits::table.select(Row::as_select()).first(&mut tx.conn()).await.optional()?;
    row.map(TryInto::try_into).transpose()
}

/// Sets the limits that are still at revision `at`, 0 where nobody set them yet.
///
/// # Errors
/// [`DbError::Stale`] at another revision.
pub async fn set_at(tx: &Tx<'_>, at: Revision, new: &FitLimits) -> Result<Stored<DealerId, FitLimits>, DbError> {
    let current = get(tx).await?.map_or(0, |stored| stored.revision);
    if current != at {
        return Err(DbError::Stale { current });
    }
    let limits = json!(new);
    let row: Option<Row> = if at == 0 {
        let stamps = (fit_limits::created_at.eq(tx.now()), fit_limits::changed_at.eq(tx.now()));
        insert_into(fit_limits::table)
            .values((fit_limits::limits.eq(&limits), stamps))
            .on_conflict_do_nothing()
            .returning(Row::as_returning())
            .get_result(&mut tx.conn())
            .await
            .optional()?
    } else {
        update(fit_limits::table.filter(fit_limits::revision.eq(at)))
            .set((fit_limits::limits.eq(&limits), fit_limits::changed_at.eq(tx.now()), fit_limits::revision.eq(at + 1)))
            .returning(Row::as_returning())
            .get_result(&mut tx.conn())
            .await
            .optional()?
    };
    let row = one_changed(row, async || Ok(get(tx).await?.map_or(0, |stored| stored.revision))).await?;
    let verb = if at == 0 { "created" } else { "updated" };
    tx.logged(row.try_into()?, ("fit_limits", verb), None, limits).await
}
