//! `/v1/sites/{id}/rain-days` and `/v1/sites/{id}/rain-intakes`, and `/v1/rain-days` and `/v1/rain-intakes` of all sites.

use super::{
    Instants, LastInstant, LocalDays, NotedView, OfSite, Shape, Withdrawal, create, end, list, of_sites, withdraw,
};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::measures::rain::{self, Taken};
use crate::extract::{Body, IdempotencyKey, from_value, instant, optional_instant};
use crate::http::answer::{Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::series::AskOfSites;
use crate::http::table::{self, Tabled};
use crate::problem::{FaultBody, Kind, Problem};
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::fault::{Fault, Faults};
use domain::ids::{NoteId, SiteId};
use domain::measures::rain::{RainDay, RainIntake, RainSource};
use domain::span::Span;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

/// The routes of these resources.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_rain_days)
        .service(list_rain_days)
        .service(list_rain_days_of_sites)
        .service(withdraw_rain_day)
        .service(create_rain_intake)
        .service(list_rain_intakes)
        .service(list_rain_intakes_of_sites)
        .service(withdraw_rain_intake)
        .service(end_rain_intake);
}

/// What is sent of rain: days, at most 1000.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RainDaysInput {
    /// The days.
    #[schema(value_type = Vec<RainDayInput>, max_items = 1000)]
    rain_days: Vec<Value>,
}

/// Days that a batch may have.
const DAYS_MAX: usize = 1000;

/// What is sent of a rain day.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = RainDay)]
pub struct RainDayInput {
    /// The local day at the site.
    #[schema(example = "2026-03-02")]
    day: NaiveDate,
    /// Depth; 0 says that it did not rain.
    #[schema(example = 7.5, minimum = 0)]
    depth_mm: f64,
    /// `gauge` (at the site), `station` (nearby), `radar` or `model`.
    #[schema(example = "gauge")]
    source: String,
}

impl Shape for RainDayInput {
    type Note = RainDay;
    type Shown = Self;
    const OWN: &'static str = "day";

    fn parse(&self, _now: DateTime<Utc>) -> Result<RainDay, Faults> {
        let mut faults = Faults::default();
        let source = faults.take_or("/source", RainSource::parse(&self.source), RainSource::Gauge);
        faults.and(RainDay { day: self.day, depth_mm: self.depth_mm, source }.checked())
    }

    fn shown(note: &RainDay) -> Self {
        Self { day: note.day, depth_mm: note.depth_mm, source: note.source.as_str().to_owned() }
    }
}

/// What became of a batch of rain days.
#[derive(Debug, Serialize, ToSchema)]
pub struct RainDaysTaken {
    /// Days stored now.
    #[schema(example = 30)]
    accepted: usize,
    /// Days that were stored before, with the same depth.
    #[schema(example = 1)]
    known: usize,
    /// What is wrong with days not taken.
    rejected: Vec<RejectedRainDay>,
}

/// A fault of a rain day that was not taken.
#[derive(Debug, Serialize, ToSchema)]
pub struct RejectedRainDay {
    /// The day's place in the batch, from 0.
    #[schema(example = 17)]
    index: usize,
    #[serde(flatten)]
    fault: FaultBody,
}

impl RejectedRainDay {
    fn all(index: usize, faults: Faults) -> impl Iterator<Item = Self> {
        let at = move |mut fault: Fault| {
            fault.pointer = format!("/rain_days/{index}{}", fault.pointer);
            Self { index, fault: FaultBody::from(&fault) }
        };
        faults.0.into_iter().map(at)
    }
}

/// A batch: the days that can be taken with their places, and what is wrong with the others.
#[derive(Default)]
struct Batch {
    places: Vec<usize>,
    days: Vec<RainDay>,
    rejected: Vec<RejectedRainDay>,
}

impl Batch {
    fn parse(sent: &[Value], now: DateTime<Utc>) -> Result<Self, Problem> {
        if sent.len() > DAYS_MAX {
            return Err(Problem::new(
                Kind::TooLarge,
                format!("Send at most {DAYS_MAX} days at once; split the batch."),
            ));
        }
        let mut batch = Self::default();
        for (index, row) in sent.iter().enumerate() {
            match from_value::<RainDayInput>(row).and_then(|row| row.parse(now)) {
                Ok(day) => {
                    batch.places.push(index);
                    batch.days.push(day);
                }
                Err(faults) => batch.rejected.extend(RejectedRainDay::all(index, faults)),
            }
        }
        Ok(batch)
    }
}

/// The fault of a day that the stored ones don't allow.
fn refused(taken: Taken) -> Option<Faults> {
    match taken {
        Taken::Accepted | Taken::Known => None,
        Taken::Ahead => Some(Faults::one("/day", "future", "give a day that has begun at the site")),
        Taken::Differs { depth_mm } => {
            let fix = format!("the day has {depth_mm} mm already; withdraw that first, or leave this out");
            Some(Faults::one("/depth_mm", "conflict", fix))
        }
    }
}

/// Add rain days
///
/// At most 1000. Sending a day again is safe. A bad day is rejected with its reason and costs no
/// other one.
#[utoipa::path(tag = "measures", request_body = RainDaysInput,
    params(("id" = Uuid, Path, description = "The site's id")),
    responses((status = 200, description = "What became of each day", body = RainDaysTaken), Problems))]
#[post("/sites/{id}/rain-days")]
async fn create_rain_days(
    caller: Caller<perm::WriteMeasures>,
    id: Path<SiteId>,
    input: Body<RainDaysInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let Batch { places, days, mut rejected } = Batch::parse(&input.0.rain_days, caller.now())?;
    let taken = db.write(caller.scope(), caller.now(), async |tx| rain::add(tx, *id, &days).await).await?;
    let refusals = places.into_iter().zip(&taken).filter_map(|(index, taken)| Some((index, refused(*taken)?)));
    rejected.extend(refusals.flat_map(|(index, faults)| RejectedRainDay::all(index, faults)));
    rejected.sort_by_key(|bad| bad.index);
    let count = |what: Taken| taken.iter().filter(|taken| **taken == what).count();
    let (accepted, known) = (count(Taken::Accepted), count(Taken::Known));
    Ok(HttpResponse::Ok().json(RainDaysTaken { accepted, known, rejected }))
}

/// List a site's rain days
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The site's id"), LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of rain days", content(
        (Page<NotedView<RainDayInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/rain-days")]
async fn list_rain_days(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<SiteId>,
    asked: Query<LocalDays>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, RainDayInput>(&request, &caller, (&db, &rates), *id, ((&asked.0).into(), &sorting, &paging)).await
}

/// List rain days
///
/// Of all sites within one's reach, in the order in which they were noted down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOfSites, LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of rain days", content(
        (Page<OfSite<RainDayInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/rain-days")]
async fn list_rain_days_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOfSites>, Query<LocalDays>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let asked = Instants::from(&asked.0);
    of_sites::<_, RainDayInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for RainDayInput {
    const COLUMNS: &'static [(&'static str, table::Kind)] =
        &[("day", table::Kind::Day), ("depth_mm", table::Kind::Number), ("source", table::Kind::Text)];
}

/// Withdraw a wrong rain day
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The rain day's id")),
    responses((status = 200, description = "The rain day, withdrawn", body = NotedView<RainDayInput>), Problems))]
#[post("/sites/{id}/rain-days/{note_id}/withdraw")]
async fn withdraw_rain_day(
    caller: Caller<perm::WriteMeasures>,
    path: Path<(SiteId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, RainDayInput>(&db, &caller, *path, &input.0).await
}

/// What is sent of a stretch in which the diverter led to the pit.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = RainIntake)]
pub struct RainIntakeInput {
    /// From when; the stretch that goes on until then ends there.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T07:00:00Z")]
    from: DateTime<Utc>,
    /// Until when, where that is known.
    #[serde(default, deserialize_with = "optional_instant")]
    #[schema(example = "2026-03-02T17:00:00Z")]
    to: Option<DateTime<Utc>>,
}

impl Shape for RainIntakeInput {
    type Note = RainIntake;
    type Shown = Self;
    const OWN: &'static str = "from";

    fn parse(&self, _now: DateTime<Utc>) -> Result<RainIntake, Faults> {
        Span::parse(self.from, self.to).map(RainIntake)
    }

    fn shown(note: &RainIntake) -> Self {
        Self { from: note.0.from(), to: note.0.to() }
    }
}

/// Say when the diverter led to the pit
///
/// Rain of other times is led away; a site without a diverter needs none of these.
#[utoipa::path(tag = "measures", request_body = RainIntakeInput,
    params(("id" = Uuid, Path, description = "The site's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The rain intake", body = NotedView<RainIntakeInput>), Problems))]
#[post("/sites/{id}/rain-intakes")]
async fn create_rain_intake(
    caller: Caller<perm::WriteMeasures>,
    id: Path<SiteId>,
    key: IdempotencyKey,
    input: Body<RainIntakeInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List a site's rain intakes
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The site's id"), Instants, Sorting, Paging),
    responses((status = 200, description = "A page of rain intakes", content(
        (Page<NotedView<RainIntakeInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/rain-intakes")]
async fn list_rain_intakes(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<SiteId>,
    asked: Query<Instants>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, RainIntakeInput>(&request, &caller, (&db, &rates), *id, (asked.0, &sorting, &paging)).await
}

/// List rain intakes
///
/// Of all sites within one's reach, in the order in which they were noted down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOfSites, Instants, Sorting, Paging),
    responses((status = 200, description = "A page of rain intakes", content(
        (Page<OfSite<RainIntakeInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/rain-intakes")]
async fn list_rain_intakes_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOfSites>, Query<Instants>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    of_sites::<_, RainIntakeInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for RainIntakeInput {
    const COLUMNS: &'static [(&'static str, table::Kind)] =
        &[("from", table::Kind::Instant), ("to", table::Kind::Instant)];
}

/// Withdraw a wrong rain intake
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The rain intake's id")),
    responses((status = 200, description = "The rain intake, withdrawn", body = NotedView<RainIntakeInput>), Problems))]
#[post("/sites/{id}/rain-intakes/{note_id}/withdraw")]
async fn withdraw_rain_intake(
    caller: Caller<perm::WriteMeasures>,
    path: Path<(SiteId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, RainIntakeInput>(&db, &caller, *path, &input.0).await
}

/// End a rain intake that goes on
#[utoipa::path(tag = "measures", request_body = LastInstant,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The rain intake's id")),
    responses((status = 200, description = "The rain intake, ended", body = NotedView<RainIntakeInput>), Problems))]
#[post("/sites/{id}/rain-intakes/{note_id}/end")]
async fn end_rain_intake(
    caller: Caller<perm::WriteMeasures>,
    path: Path<(SiteId, NoteId)>,
    input: Body<LastInstant>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    end::<_, RainIntakeInput>(&db, &caller, *path, input.0.to).await
}
