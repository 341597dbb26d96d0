//! Read-period facts of subjects.

use super::fact::{Of, amounts_of};
use super::schema::{period_fact, site};
use super::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::facts::Amounts;
use domain::water::statement::Statement;
use domain::zone::{day_bounds, day_start, parse_zone};
use serde_json::Value;
use uuid::Uuid;

/// A stored read period of a subject.
#[derive(Debug, Clone)]
pub struct StoredPeriod {
    /// The placement, or the site.
    pub subject_id: Uuid,
    /// The unit, for a placement.
    pub unit_id: Option<Uuid>,
    /// The site.
    pub site_id: Uuid,
    /// The zone of its site.
    pub zone: Tz,
    /// When it begins.
    pub from: DateTime<Utc>,
    /// When it ends.
    pub to: DateTime<Utc>,
    /// What was used.
    pub amounts: Amounts,
    /// The parts of its balance; `None` where it was computed before these were kept.
    pub statement: Option<Statement>,
    /// Steps in it that wait for a decision.
    pub open_exceptions: u32,
}

type Row = (Uuid, Option<Uuid>, Uuid, String, DateTime<Utc>, DateTime<Utc>, Value, i32, Option<Value>);

/// Periods that reach into the UTC days from `from` to `to`, in order.
///
/// # Errors
/// When the database fails.
pub async fn periods(tx: &Tx<'_>, of: Of, from: NaiveDate, to: NaiveDate) -> Result<Vec<StoredPeriod>, DbError> {
    let (from, to) = (day_start(Tz::UTC, from), day_bounds(Tz::UTC, to).1);
    let mut query = period_fact::table
        .inner_join(site::table.on(site::id.eq(period_fact::site_id)))
        .filter(period_fact::from_at.lt(to).and(period_fact::to_at.gt(from)))
        .select((
            period_fact::subject_id,
            period_fact::unit_id,
            period_fact::site_id,
            site::time_zone,
            period_fact::from_at,
            period_fact::to_at,
            period_fact::volumes,
            period_fact::open_exceptions,
            period_fact::statement,
        ))
        .order((period_fact::from_at, period_fact::subject_id))
        .into_boxed();
    query = match of {
        Of::Subject(id) => query.filter(period_fact::subject_id.eq(id)),
        Of::Unit(id) => query.filter(period_fact::unit_id.eq(id)),
        Of::Site(id) => query.filter(period_fact::site_id.eq(id)),
        Of::Customer(id) => query.filter(period_fact::customer_id.eq(id)),
    };
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    let stored = |(subject_id, unit_id, site_id, zone, from, to, volumes, open, statement): Row| {
        Ok(StoredPeriod {
            subject_id,
            unit_id,
            site_id,
            zone: parse_zone(&zone)?,
            from,
            to,
            amounts: amounts_of(&volumes),
            statement: statement.map(serde_json::from_value).transpose().map_err(DbError::internal)?,
            open_exceptions: u32::try_from(open).unwrap_or(0),
        })
    };
    rows.into_iter().map(stored).collect()
}
