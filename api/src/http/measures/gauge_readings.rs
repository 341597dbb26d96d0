//! `/v1/units/{id}/gauge-readings`, and `/v1/gauge-readings` of all of them.

use super::{Instants, NotedView, OfUnit, Shape, Withdrawal, create, list, of_units, withdraw};
use crate::auth::{Caller, Reach, perm};
use crate::db::Db;
use crate::extract::{Body, IdempotencyKey, instant};
use crate::http::answer::{Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::table::{Kind as Column, Tabled};
use crate::problem::{Kind, Problem};
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::{NoteId, UnitId};
use domain::measures::gauge::{Gauge, GaugeReading, GaugeUnit};
use domain::measures::sample::Qualifier;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_gauge_reading)
        .service(list_gauge_readings)
        .service(withdraw_gauge_reading)
        .service(list_gauge_readings_of_units);
}

/// What is sent of a gauge reading.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = GaugeReading)]
pub struct GaugeReadingInput {
    /// When it was read, within a placement of the unit.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T07:30:00Z")]
    at: DateTime<Utc>,
    /// `level`, `pressure`, `temperature`, `vacuum` or `current`.
    #[schema(example = "level")]
    gauge: String,
    /// `<` or `>` where the pointer stood at the end of the scale: less or more than the value. Such a
    /// reading is kept, and no figure rests on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = json!(null))]
    qualifier: Option<String>,
    /// What it showed.
    #[schema(example = 1850.0)]
    value: f64,
    /// A level's `l` or `mm`, a pressure's or vacuum's `kpa`, a temperature's `degc`, a current's `a`.
    #[schema(example = "l")]
    unit: String,
    /// Which tank, pump or line. Pressures of the places `before media` and `after media`, read within
    /// 15 minutes of each other while the unit runs, or of `across media`, tell how clogged media are.
    #[serde(default)]
    #[schema(example = "Clean tank", max_length = 60)]
    place: Option<String>,
}

impl Shape for GaugeReadingInput {
    type Note = GaugeReading;
    type Shown = Self;

    fn parse(&self, now: DateTime<Utc>) -> Result<GaugeReading, Faults> {
        let mut faults = Faults::default();
        let gauge = faults.take("/gauge", Gauge::parse(&self.gauge));
        let unit = faults.take("/unit", GaugeUnit::parse(&self.unit));
        // Without a scale the value can't be judged, but the rest can.
        let scale = gauge.zip(unit).map(|(gauge, unit)| (gauge, unit, self.value));
        let (gauge, unit, value) = scale.unwrap_or((Gauge::Level, GaugeUnit::L, 0.0));
        let qualifier = self.qualifier.as_deref().map(Qualifier::parse).transpose();
        let qualifier = faults.take_or("/qualifier", qualifier, None);
        faults.and(GaugeReading { at: self.at, gauge, qualifier, value, unit, place: self.place.clone() }.checked(now))
    }

    fn shown(note: &GaugeReading) -> Self {
        Self {
            at: note.at,
            gauge: note.gauge.as_str().to_owned(),
            qualifier: note.qualifier.map(|side| side.as_str().to_owned()),
            value: note.value,
            unit: note.unit.as_str().to_owned(),
            place: note.place.clone(),
        }
    }
}

/// Add a gauge reading
///
/// A customer's people enter levels.
#[utoipa::path(tag = "measures", request_body = GaugeReadingInput,
    params(("id" = Uuid, Path, description = "The unit's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The gauge reading", body = NotedView<GaugeReadingInput>), Problems))]
#[post("/units/{id}/gauge-readings")]
async fn create_gauge_reading(
    caller: Caller<perm::WriteGauges>,
    id: Path<UnitId>,
    key: IdempotencyKey,
    input: Body<GaugeReadingInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let levels_only = caller.scope().reach() != Reach::Dealer;
    if levels_only && input.0.gauge != Gauge::Level.as_str() {
        let fix = "Enter levels; the dealer's people enter what other gauges show.";
        return Err(Problem::at(Kind::NotAllowed, "/gauge", "levels_only", fix));
    }
    create(&db, &caller, &key, *id, &input.0).await
}

/// List a unit's gauge readings
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The unit's id"), Instants, Sorting, Paging),
    responses((status = 200, description = "A page of gauge readings", content(
        (Page<NotedView<GaugeReadingInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/units/{id}/gauge-readings")]
async fn list_gauge_readings(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<UnitId>,
    asked: Query<Instants>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, GaugeReadingInput>(&request, &caller, (&db, &rates), *id, (asked.0, &sorting, &paging)).await
}

/// List gauge readings
///
/// Of all units within one's reach, oldest first; those of a customer or site are of units that stood there
/// then. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOf, Instants, Sorting, Paging),
    responses((status = 200, description = "A page of gauge readings", content(
        (Page<OfUnit<GaugeReadingInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/gauge-readings")]
async fn list_gauge_readings_of_units(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOf>, Query<Instants>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    of_units::<_, GaugeReadingInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for GaugeReadingInput {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("at", Column::Instant),
        ("gauge", Column::Text),
        ("qualifier", Column::Text),
        ("value", Column::Number),
        ("unit", Column::Text),
        ("place", Column::Text),
    ];
}

/// Withdraw a wrong gauge reading
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The unit's id"), ("note_id" = Uuid, Path, description = "The gauge reading's id")),
    responses((status = 200, description = "The gauge reading, withdrawn", body = NotedView<GaugeReadingInput>), Problems))]
#[post("/units/{id}/gauge-readings/{note_id}/withdraw")]
async fn withdraw_gauge_reading(
    caller: Caller<perm::WriteGauges>,
    path: Path<(UnitId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, GaugeReadingInput>(&db, &caller, *path, &input.0).await
}
