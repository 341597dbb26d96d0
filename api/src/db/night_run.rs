//! The record of night runs, and the lock that keeps them one at a time for each dealer.

use super::schema::night_run;
use super::{Db, DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{DealerId, NightRunId};

/// What a night run did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Readings read.
    pub readings: u64,
    /// Subjects computed again.
    pub subjects: usize,
    /// Day facts written.
    pub days: usize,
    /// Month facts written.
    pub months: usize,
    /// Savings reports written.
    pub reports: usize,
    /// Reading exceptions found.
    pub exceptions: usize,
}

impl std::ops::Add for Counts {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        Self {
            readings: self.readings + other.readings,
            subjects: self.subjects + other.subjects,
            days: self.days + other.days,
            months: self.months + other.months,
            reports: self.reports + other.reports,
            exceptions: self.exceptions + other.exceptions,
        }
    }
}

/// First half of the advisory lock's key: the letters "nigh".
const LOCK_CLASS: i32 = 0x6e69_6768;

/// Held while a dealer's night run works; the server lets go when the connection ends, even
/// by a crash.
pub struct NightLock(tokio_postgres::Client);

impl NightLock {
    /// Lets go before the caller goes on: a connection that is dropped ends only some time later.
    ///
    /// # Errors
    /// When the database fails; the lock goes with the connection then.
    pub async fn release(self) -> Result<(), DbError> {
        Ok(self.0.batch_execute("select pg_advisory_unlock_all()").await?)
    }
}

impl Db {
    /// The dealer's lock, unless another run holds it.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn lock_night(&self, dealer: DealerId) -> Result<Option<NightLock>, DbError> {
        let client = self.app_login().open().await?;
        let row = client.query_one("select pg_try_advisory_lock($1, $2)", &[&LOCK_CLASS, &dealer.0]).await?;
        Ok(row.get::<_, bool>(0).then_some(NightLock(client)))
    }
}

/// Notes that a run begins.
///
/// # Errors
/// When the database fails.
pub async fn begin(tx: &Tx<'_>, as_of: DateTime<Utc>) -> Result<NightRunId, DbError> {
    let id = tx.new_id();
    insert_into(night_run::table)
        .values((night_run::id.eq(id), night_run::as_of.eq(as_of), night_run::started_at.eq(tx.now())))
        .execute(&mut tx.conn())
        .await?;
    Ok(NightRunId(id))
}

/// Notes how a run ended: with its counts, or with what went wrong.
///
/// # Errors
/// When the database fails.
pub async fn end(tx: &Tx<'_>, id: NightRunId, counts: Counts, error: Option<&str>) -> Result<(), DbError> {
    let whole = |number: usize| i32::try_from(number).unwrap_or(i32::MAX);
    update(night_run::table.filter(night_run::id.eq(id.0)))
        .set((
            night_run::finished_at.eq(Utc::now()),
            night_run::outcome.eq(if error.is_none() { "done" } else { "failed" }),
            night_run::readings.eq(i64::try_from(counts.readings).unwrap_or(i64::MAX)),
            night_run::subjects.eq(whole(counts.subjects)),
            night_run::days.eq(whole(counts.days)),
            night_run::months.eq(whole(counts.months)),
            night_run::reports.eq(whole(counts.reports)),
            night_run::exceptions.eq(whole(counts.exceptions)),
            night_run::error.eq(error),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

/// A run as it is noted.
#[derive(Debug, Clone, Queryable)]
pub struct StoredRun {
    /// The instant that it counts up to.
    pub as_of: DateTime<Utc>,
    /// When it began.
    pub started_at: DateTime<Utc>,
    /// When it ended.
    pub finished_at: Option<DateTime<Utc>>,
    /// How: `done` or `failed`.
    pub outcome: Option<String>,
}

/// The last runs, the newest first.
///
/// # Errors
/// When the database fails.
pub async fn last(tx: &Tx<'_>, most: i64) -> Result<Vec<StoredRun>, DbError> {
    Ok(night_run::table
        .select((night_run::as_of, night_run::started_at, night_run::finished_at, night_run::outcome))
        .order((night_run::started_at.desc(), night_run::id.desc()))
        .limit(most)
        .load(&mut tx.conn())
        .await?)
}

/// When the last run that ended well was for.
///
/// # Errors
/// When the database fails.
pub async fn last_done(tx: &Tx<'_>) -> Result<Option<DateTime<Utc>>, DbError> {
    Ok(night_run::table
        .filter(night_run::outcome.eq("done"))
        .select(diesel::dsl::max(night_run::as_of))
        .first(&mut tx.conn())
        .await?)
}
