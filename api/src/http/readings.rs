//! `/v1/readings`: batches in, and a meter's readings back.

use super::answer::Problems;
use crate::auth::{Caller, Reach, perm};
use crate::db::{Db, Tx, meter_known, reading};
use crate::extract::collect;
use crate::http::routing::Routes;
use crate::problem::{FaultBody, Kind, Problem};
use crate::readings::intake::{in_background, take};
use crate::readings::parse::{Media, parse};
use crate::readings::{Rejected, Taken};
use crate::server::Limits;
use crate::telemetry::Metrics;
use actix_web::web::{Data, Path, Payload, Query};
use actix_web::{HttpMessage, HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::ids::MeterId;
use domain::reading::Source;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(add_readings).service(list_readings);
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
    #[schema(example = "telemetry")]
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
    let by_customer = caller.scope().reach() != Reach::Dealer;
    let mut parsed = in_background(move || parse(media, &body)).await??;
    if by_customer {
        parsed.rows.iter_mut().for_each(|row| row.source = Source::CUSTOMER);
    }
    let taken = take(&db, caller.scope(), caller.now(), parsed).await?;
    metrics.readings_stored(u64::try_from(taken.accepted).unwrap_or(u64::MAX));
    let Taken { accepted, known, rejected } = taken;
    let rejected = rejected.into_iter().map(RejectedReading::from).collect();
    Ok(HttpResponse::Ok().json(ReadingsTaken { accepted, known, rejected }))
}

/// Which readings of a meter.
#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListReadings {
    /// From this instant on.
    #[param(example = "2026-01-01T00:00:00Z")]
    from: DateTime<Utc>,
    /// Up to, not including, this instant.
    #[param(example = "2026-02-01T00:00:00Z")]
    to: DateTime<Utc>,
    /// How many at most, 1 to 10,000.
    #[param(minimum = 1, maximum = 10_000, default = 1000)]
    limit: Option<usize>,
}

/// A reading as it is stored.
#[derive(Serialize, ToSchema)]
pub struct ReadingView {
    /// When it was read.
    read_at: DateTime<Utc>,
    /// What the register showed, in the meter's own unit.
    #[schema(example = 41237.5)]
    register: f64,
    /// `telemetry`, `hand`, `customer` or `import`.
    #[schema(example = "hand")]
    source: &'static str,
}

/// A meter's readings in order.
#[derive(Serialize, ToSchema)]
pub struct Readings {
    /// The readings.
    items: Vec<ReadingView>,
    /// Send it as `from` for the rest; null when that was all.
    next_from: Option<DateTime<Utc>>,
}

/// Most readings in one answer.
const READINGS_MAX: usize = 10_000;

/// Get a meter's readings
///
/// In time order, from `from` up to `to`; go on at `next_from` when there are more than `limit`.
#[utoipa::path(tag = "meters", params(("id" = Uuid, Path, description = "The meter's id"), ListReadings),
    responses((status = 200, description = "The readings", body = Readings), Problems))]
#[get("/meters/{id}/readings")]
async fn list_readings(
    caller: Caller<perm::ReadReadings>,
    id: Path<MeterId>,
    asked: Query<ListReadings>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let limit = asked.limit.unwrap_or(1000);
    if !(1..=READINGS_MAX).contains(&limit) {
        return Err(Problem::at(Kind::Invalid, "/limit", "out_of_range", "Give a limit from 1 to 10,000."));
    }
    if asked.from > asked.to {
        return Err(Problem::at(Kind::Invalid, "/to", "before_from", "Give a `to` after `from`."));
    }
    let span = (asked.from, asked.to);
    let read = async |tx: &Tx<'_>| reading::between(tx, meter_known::number(tx, *id).await?, span, limit + 1).await;
    let mut found = db.read(caller.scope(), caller.now(), read).await?;
    let next_from = found.get(limit).map(|next| next.at);
    found.truncate(limit);
    Ok(HttpResponse::Ok().json(Readings { items: found.iter().map(ReadingView::from).collect(), next_from }))
}

impl From<&reading::Reading> for ReadingView {
    fn from(stored: &reading::Reading) -> Self {
        Self { read_at: stored.at, register: stored.register, source: stored.source.as_str() }
    }
}
