//! `/v1/readings`: batches in.

use super::answer::Problems;
use crate::auth::{Caller, Role, perm};
use crate::db::{Db, meter_known, reading};
use crate::extract::collect;
use crate::problem::{FaultBody, Kind, Problem};
use crate::readings::batch::{Sheets, group};
use crate::readings::parse::{Media, Parsed, parse};
use crate::readings::{Rejected, Row, Taken};
use crate::server::Limits;
use crate::telemetry::Metrics;
use actix_web::web::{self, Data, Payload};
use actix_web::{HttpMessage, HttpRequest, HttpResponse, post};
use chrono::{DateTime, Utc};
use domain::reading::Source;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeSet, HashMap};
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(config: &mut ServiceConfig) {
    config.service(add_readings);
}

/// A batch of readings.
#[derive(Deserialize, ToSchema)]
#[expect(dead_code, reason = "it documents the body, which crate::readings::parse reads without copying it")]
pub struct ReadingsInput {
    /// The readings, at most 50,000.
    readings: Vec<ReadingInput>,
}

/// A reading as it is sent.
#[derive(Deserialize, ToSchema)]
#[expect(dead_code, reason = "it documents the body, which crate::readings::parse reads without copying it")]
pub struct ReadingInput {
    /// The meter.
    meter_id: Uuid,
    /// When it was read.
    #[schema(example = "2026-01-31T08:15:00+01:00")]
    read_at: DateTime<Utc>,
    /// What the register showed, in the meter's own unit.
    #[schema(example = 41237.5)]
    register: f64,
    /// `telemetry` (the default), `hand`, `customer` or `import`.
    source: Option<String>,
}

/// What became of a batch.
#[derive(Serialize, ToSchema)]
pub struct ReadingsTaken {
    /// Readings stored now.
    #[schema(example = 998)]
    accepted: usize,
    /// Readings that were stored before, with the same value.
    #[schema(example = 1)]
    known: usize,
    /// Readings not taken.
    rejected: Vec<RejectedReading>,
}

/// A reading that was not taken.
#[derive(Serialize, ToSchema)]
pub struct RejectedReading {
    /// Its place in the batch, from 0.
    #[schema(example = 17)]
    index: usize,
    #[serde(flatten)]
    fault: FaultBody,
}

impl From<Rejected> for RejectedReading {
    fn from(bad: Rejected) -> Self {
        let field = bad.field.map_or(String::new(), |field| format!("/{field}"));
        let pointer = format!("/readings/{}{field}", bad.index);
        Self { index: bad.index, fault: FaultBody { pointer, code: bad.code, detail: bad.detail } }
    }
}

/// Add readings
///
/// JSON, NDJSON (one reading a line) or CSV (columns meter_id, read_at, register and, if
/// wanted, source); at most 50,000 readings and 16 MiB. Sending a reading again is safe. A
/// bad reading is rejected with its reason and costs no other one.
#[utoipa::path(tag = "meters",
    request_body(content(
        (ReadingsInput = "application/json"), (ReadingInput = "application/x-ndjson"), (String = "text/csv"))),
    responses((status = 200, description = "What became of each reading", body = ReadingsTaken), Problems))]
#[post("/readings")]
async fn add_readings(
    request: HttpRequest,
    caller: Caller<perm::WriteReadings>,
    payload: Payload,
    db: Data<Db>,
    limits: Data<Limits>,
    metrics: Data<Metrics>,
) -> Result<HttpResponse, Problem> {
    let media = Media::of(request.content_type())?;
    let body = collect(&request, payload.into_inner(), limits.batch_bytes_max).await?;
    let by_customer = caller.role() == Role::CustomerReader;
    let parsed = in_background(move || parse(media, &body)).await??;
    let taken = take(&db, &caller, parsed, by_customer).await?;
    metrics.readings_stored(u64::try_from(taken.accepted).unwrap_or(u64::MAX));
    let Taken { accepted, known, rejected } = taken;
    let rejected = rejected.into_iter().map(RejectedReading::from).collect();
    Ok(HttpResponse::Ok().json(ReadingsTaken { accepted, known, rejected }))
}

/// Runs work that takes milliseconds of a core away from the threads that answer requests.
async fn in_background<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Problem> {
    web::block(work).await.map_err(|_cancelled| Problem::new(Kind::Busy, "The service is stopping; send it again."))
}

async fn take(
    db: &Db,
    caller: &Caller<perm::WriteReadings>,
    mut parsed: Parsed,
    by_customer: bool,
) -> Result<Taken, Problem> {
    if by_customer {
        parsed.rows.iter_mut().for_each(|row| row.source = Source::CUSTOMER);
    }
    let ids: BTreeSet<Uuid> = parsed.rows.iter().map(|row| row.meter).collect();
    let ids: Vec<Uuid> = ids.into_iter().collect();
    let (from, to) = span(&parsed.rows);
    let meters =
        db.read(caller.scope(), caller.now(), async |tx| meter_known::by_ids(tx, &ids, from, to).await).await?;
    let (sheets, mut rejected) = grouped(parsed, meters, caller.now()).await?;
    db.ensure_months(caller.scope(), caller.now(), &sheets.day).await?;
    let mut taken = db.write(caller.scope(), caller.now(), async |tx| reading::store(tx, &sheets).await).await?;
    taken.rejected.append(&mut rejected);
    taken.rejected.sort_by_key(|bad| bad.index);
    Ok(taken)
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
