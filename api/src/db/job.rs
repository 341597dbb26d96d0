//! Work to be done outside a request. A job is wanted in the transaction that needs it, once for
//! each name; whoever takes one up has it to itself until its time is up.

use super::schema::job;
use super::stamp::Change;
use super::{DbError, Tx};
use chrono::{DateTime, Duration, Utc};
use diesel::prelude::*;
use diesel::sql_types::{BigInt, SmallInt, Text, Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, sql_query, update};
use diesel_async::RunQueryDsl;
use domain::ids::JobId;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use uuid::Uuid;

/// A job that was taken up.
#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    /// Its id.
    pub id: JobId,
    /// Which kind.
    pub kind: String,
    /// What it needs to know.
    pub payload: Value,
    /// How often it was taken up, this time included.
    pub tries: i16,
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = diesel::sql_types::Jsonb)]
    payload: Value,
    #[diesel(sql_type = SmallInt)]
    tries: i16,
}

/// A job that this version does not know how to do.
#[derive(Debug, thiserror::Error)]
#[error("no job of the kind {0} is known here")]
struct UnknownKind(String);

/// Says that a kind of job is not known: a later version wanted it.
#[must_use]
pub fn unknown(kind: &str) -> DbError {
    DbError::internal(UnknownKind(kind.to_owned()))
}

/// What a job needs to know.
///
/// # Errors
/// When it was written by a version that says it otherwise.
pub fn payload<T: DeserializeOwned>(job: &Job) -> Result<T, DbError> {
    serde_json::from_value(job.payload.clone()).map_err(DbError::internal)
}

/// How often a job is tried before it is given up: with the pauses below, over 29 hours.
const TRIES_MOST: i16 = 12;
/// The first pause, doubled with each try.
const PAUSE_MINUTES: i64 = 1;
/// The longest pause.
const PAUSE_MINUTES_MAX: i64 = 12 * 60;
/// How long somebody who took a job up has for it, before another may.
const LEASE_MINUTES: i64 = 5;

/// Wants a job done at once. Gives whether it is a new one: one of that kind and name that was
/// wanted before, done or not, is not wanted again.
///
/// # Errors
/// When the database fails.
pub async fn want(tx: &Tx<'_>, kind: &str, once: &str, payload: &Value) -> Result<bool, DbError> {
    let made = insert_into(job::table)
        .values((
            job::id.eq(tx.new_id()),
            job::kind.eq(kind),
            job::once.eq(once),
            job::payload.eq(payload),
            job::due_at.eq(tx.now()),
            job::created_at.eq(tx.now()),
        ))
        .on_conflict_do_nothing()
        .execute(&mut tx.conn())
        .await?;
    Ok(made == 1)
}

/// Wants a job again that was given up: somebody asked for it once more. Gives whether there was such.
///
/// # Errors
/// When the database fails.
pub async fn want_again(tx: &Tx<'_>, kind: &str, once: &str) -> Result<bool, DbError> {
    let of_name = job::kind.eq(kind).and(job::once.eq(once));
    let given_up = update(job::table.filter(of_name.and(job::given_up_at.is_not_null()).and(job::done_at.is_null())))
        .set((job::given_up_at.eq(None::<DateTime<Utc>>), job::tries.eq(0_i16), job::due_at.eq(tx.now())))
        .execute(&mut tx.conn())
        .await?;
    Ok(given_up > 0)
}

const TAKE_UP: &str = "
update job set tries = job.tries + 1, due_at = $2
 where (job.dealer_id, job.id) in (
   select dealer_id, id from job
    where done_at is null and given_up_at is null and due_at <= $1
    order by due_at
    limit $3
      for update skip locked)
returning job.id, job.kind, job.payload, job.tries";

/// Takes up to `most` jobs up that are due; nobody else gets them for five minutes.
///
/// # Errors
/// When the database fails.
pub async fn take_up(tx: &Tx<'_>, most: i64) -> Result<Vec<Job>, DbError> {
    let rows: Vec<Row> = sql_query(TAKE_UP)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Timestamptz, _>(tx.now() + Duration::minutes(LEASE_MINUTES))
        .bind::<BigInt, _>(most)
        .load(&mut tx.conn())
        .await?;
    let job = |row: Row| Job { id: JobId(row.id), kind: row.kind, payload: row.payload, tries: row.tries };
    Ok(rows.into_iter().map(job).collect())
}

/// Notes that a job is done.
///
/// # Errors
/// When the database fails.
pub async fn done(tx: &Tx<'_>, job: &Job) -> Result<(), DbError> {
    update(job::table.filter(job::id.eq(job.id.0)))
        .set((job::done_at.eq(tx.now()), job::last_error.eq(None::<&str>)))
        .execute(&mut tx.conn())
        .await?;
    log(tx, job, json!({ "kind": job.kind, "outcome": "done" })).await
}

/// The change log's line of a job that came to an end; its tries stand in the job itself.
async fn log(tx: &Tx<'_>, job: &Job, detail: Value) -> Result<(), DbError> {
    let (record_id, verb) = (job.id.to_string(), "updated");
    tx.log(Change { record: "job", record_id, revision: None, verb, customer: None, detail }).await
}

/// Notes that a job failed. It is tried again after a pause that doubles, unless trying is
/// `hopeless` or it was tried often enough: then it is given up. Gives when it is tried again.
///
/// # Errors
/// When the database fails.
pub async fn failed(tx: &Tx<'_>, job: &Job, error: &str, hopeless: bool) -> Result<Option<DateTime<Utc>>, DbError> {
    let again = (!hopeless && job.tries < TRIES_MOST).then(|| tx.now() + pause(job.tries));
    let row = update(job::table.filter(job::id.eq(job.id.0)));
    let noted = (job::last_error.eq(error), job::given_up_at.eq(again.is_none().then(|| tx.now())));
    match again {
        Some(again) => row.set((noted, job::due_at.eq(again))).execute(&mut tx.conn()).await?,
        None => row.set(noted).execute(&mut tx.conn()).await?,
    };
    if again.is_none() {
        log(tx, job, json!({ "kind": job.kind, "outcome": "given_up", "error": error })).await?;
    }
    Ok(again)
}

fn pause(tries: i16) -> Duration {
    let doublings = u32::try_from(tries.saturating_sub(1)).unwrap_or(0).min(20);
    Duration::minutes((PAUSE_MINUTES << doublings).min(PAUSE_MINUTES_MAX))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_double_up_to_half_a_day() {
        let minutes: Vec<_> = (1..=TRIES_MOST).map(|tries| pause(tries).num_minutes()).collect();
        assert_eq!(minutes, [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 720, 720]);
    }
}
