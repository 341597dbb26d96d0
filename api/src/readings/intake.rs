//! The one way by which readings come in, whoever sends them: rows to day sheets, each row
//! checked against its meter.

use super::batch::{Sheets, group};
use super::parse::Parsed;
use super::{Rejected, Row, Taken};
use crate::auth::Scope;
use crate::db::{Db, meter_known, reading};
use crate::problem::{Kind, Problem};
use actix_web::web;
use chrono::{DateTime, Utc};
use std::collections::{BTreeSet, HashMap};
use uuid::Uuid;

/// Checks a batch and makes its day sheets; what can't be taken is listed. The months of the
/// sheets have their partitions then.
///
/// # Errors
/// When the database fails or the service is stopping.
pub async fn prepare(
    db: &Db,
    scope: &Scope,
    now: DateTime<Utc>,
    parsed: Parsed,
) -> Result<(Sheets, Vec<Rejected>), Problem> {
    let ids: BTreeSet<Uuid> = parsed.rows.iter().map(|row| row.meter).collect();
    let ids: Vec<Uuid> = ids.into_iter().collect();
    let (from, to) = span(&parsed.rows);
    let meters = db.read(scope, now, async |tx| meter_known::by_ids(tx, &ids, from, to).await).await?;
    let (sheets, rejected) = grouped(parsed, meters, now).await?;
    db.ensure_months(scope, now, &sheets.day).await?;
    Ok((sheets, rejected))
}

/// Takes a batch.
///
/// # Errors
/// As [`prepare`].
pub async fn take(db: &Db, scope: &Scope, now: DateTime<Utc>, parsed: Parsed) -> Result<Taken, Problem> {
    let (sheets, mut rejected) = prepare(db, scope, now, parsed).await?;
    let mut taken = db.write(scope, now, async |tx| reading::store(tx, &sheets).await).await?;
    taken.rejected.append(&mut rejected);
    taken.rejected.sort_by_key(|bad| bad.index);
    Ok(taken)
}

/// Runs work that takes milliseconds of a core away from the threads that answer requests.
///
/// # Errors
/// When the service is stopping.
pub async fn in_background<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Problem> {
    web::block(work).await.map_err(|_cancelled| Problem::new(Kind::Busy, "The service is stopping; send it again."))
}

async fn grouped(
    parsed: Parsed,
    meters: HashMap<Uuid, meter_known::KnownMeter>,
    now: DateTime<Utc>,
) -> Result<(Sheets, Vec<Rejected>), Problem> {
    in_background(move || {
        let Parsed { rows, mut rejected } = parsed;
        (group(&rows, &meters, now, &mut rejected), rejected)
    })
    .await
}

/// The first and last instant of a batch.
fn span(rows: &[Row]) -> (DateTime<Utc>, DateTime<Utc>) {
    let at = |seconds: Option<i64>| seconds.and_then(|at| DateTime::from_timestamp(at, 0)).unwrap_or_default();
    (at(rows.iter().map(|row| row.at).min()), at(rows.iter().map(|row| row.at).max()))
}
