//! `/v1/units/{id}/calibrations`, and `/v1/calibrations` of all of them.

use super::{Instants, NotedView, OfUnit, Shape, Withdrawal, create, list, of_units, withdraw};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::extract::{Body, IdempotencyKey, instant};
use crate::http::answer::{Page, Paging, Problems, Sorting};
use crate::http::calibration_limits::LimitsInput;
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::table::{Kind, Tabled};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::fault::Faults;
use domain::ids::{ComponentId, NoteId, UnitId};
use domain::measures::calibration::{Calibration, Limits, Point, Probe, Verdict, nernst_mv_per_ph};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_calibration)
        .service(list_calibrations)
        .service(withdraw_calibration)
        .service(list_calibrations_of_units);
}

/// What is sent of a calibration: a probe in known standards, as found and as left.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Calibration)]
pub struct CalibrationInput {
    /// When, within a placement of the unit.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T07:30:00Z")]
    at: DateTime<Utc>,
    /// `ph` in two buffers, `orp` in a standard, or `dissolved_oxygen` in air saturated with water.
    #[schema(example = "ph")]
    probe: String,
    /// The probe among the unit's components.
    #[serde(default)]
    #[schema(example = json!(null))]
    component_id: Option<Uuid>,
    /// Temperature of the standards.
    #[schema(example = 22.5)]
    temperature_c: f64,
    /// Pressure of the air, for dissolved oxygen; sea level when left out.
    #[serde(default)]
    #[schema(example = json!(null))]
    pressure_kpa: Option<f64>,
    /// As it was found.
    as_found: Vec<PointInput>,
    /// As it was left; left out when nothing was adjusted.
    #[serde(default)]
    as_left: Option<Vec<PointInput>>,
}

/// What a probe showed in one standard.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = CalibrationPoint)]
pub struct PointInput {
    /// The pH of the buffer, or the millivolts of the standard, at its temperature; none for air.
    #[serde(default)]
    #[schema(example = 7.0)]
    standard: Option<f64>,
    /// What was shown: pH, millivolts or milligrams a litre.
    #[schema(example = 7.05)]
    shown: f64,
    /// What a pH probe gave, in millivolts.
    #[serde(default)]
    #[schema(example = -3.0)]
    mv: Option<f64>,
    /// Lot of the standard.
    #[serde(default)]
    #[schema(example = "B7-2207", max_length = 60)]
    lot: Option<String>,
    /// Last day on which the standard is good.
    #[serde(default)]
    #[schema(example = "2027-01-31")]
    expires_on: Option<NaiveDate>,
}

impl From<&PointInput> for Point {
    fn from(sent: &PointInput) -> Self {
        let PointInput { standard, shown, mv, lot, expires_on } = sent.clone();
        Self { standard, shown, mv, lot, expires_on }
    }
}

impl From<&Point> for PointInput {
    fn from(point: &Point) -> Self {
        let Point { standard, shown, mv, lot, expires_on } = point.clone();
        Self { standard, shown, mv, lot, expires_on }
    }
}

/// What a check says of a probe.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = CalibrationVerdict)]
pub struct VerdictView {
    /// Shown less true, point by point: pH, millivolts, or percent of saturation.
    #[schema(example = json!([0.04, -0.02]))]
    errors: Vec<f64>,
    /// Of a pH probe.
    #[schema(example = -57.8)]
    slope_mv_per_ph: Option<f64>,
    /// The same in percent of the Nernst slope at that temperature.
    #[schema(example = 98.6)]
    slope_pct: Option<f64>,
    /// Of a pH probe at pH 7.
    #[schema(example = -3.0)]
    offset_mv: Option<f64>,
    /// Whether it is within the limits.
    #[schema(example = true)]
    good: bool,
}

impl From<Verdict> for VerdictView {
    fn from(verdict: Verdict) -> Self {
        let Verdict { errors, slope_mv_per_ph, slope_pct, offset_mv, good } = verdict;
        Self { errors, slope_mv_per_ph, slope_pct, offset_mv, good }
    }
}

/// A calibration as it is shown, with what it says.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = CalibrationShown)]
pub struct CalibrationShown {
    #[serde(flatten)]
    record: CalibrationInput,
    /// What the probe was as found.
    found: VerdictView,
    /// What it was as left.
    left: VerdictView,
    /// The ideal slope of a pH probe at that temperature; falling, in millivolts a pH.
    #[schema(example = 58.7)]
    nernst_mv_per_ph: f64,
    /// How far it might be off on that day.
    limits: LimitsInput,
}

impl Shape for CalibrationInput {
    type Note = Calibration;
    type Shown = CalibrationShown;

    fn parse(&self, now: DateTime<Utc>) -> Result<Calibration, Faults> {
        let mut faults = Faults::default();
        let Some(probe) = faults.take("/probe", Probe::parse(&self.probe)) else { return Err(faults) };
        let points = |sent: &[PointInput]| sent.iter().map(Point::from).collect();
        let calibration = Calibration {
            at: self.at,
            probe,
            component_id: self.component_id.map(ComponentId),
            temperature_c: self.temperature_c,
            pressure_kpa: self.pressure_kpa,
            found: points(&self.as_found),
            left: self.as_left.as_deref().map(points),
            limits: Limits::default(),
        };
        calibration.checked(now)
    }

    fn shown(note: &Calibration) -> CalibrationShown {
        let points = |points: &[Point]| points.iter().map(PointInput::from).collect();
        let record = Self {
            at: note.at,
            probe: note.probe.as_str().to_owned(),
            component_id: note.component_id.map(|id| id.0),
            temperature_c: note.temperature_c,
            pressure_kpa: note.pressure_kpa,
            as_found: points(&note.found),
            as_left: note.left.as_deref().map(points),
        };
        CalibrationShown {
            record,
            found: note.as_found().into(),
            left: note.as_left().into(),
            nernst_mv_per_ph: nernst_mv_per_ph(note.temperature_c),
            limits: LimitsInput::from(&note.limits),
        }
    }
}

/// Add a calibration
///
/// When the probe was found out of its limits, the samples since its last good check are marked
/// as in doubt.
#[utoipa::path(tag = "measures", request_body = CalibrationInput,
    params(("id" = Uuid, Path, description = "The unit's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The calibration", body = NotedView<CalibrationShown>), Problems))]
#[post("/units/{id}/calibrations")]
async fn create_calibration(
    caller: Caller<perm::WriteMeasures>,
    id: Path<UnitId>,
    key: IdempotencyKey,
    input: Body<CalibrationInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List a unit's calibrations
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The unit's id"), Instants, Sorting, Paging),
    responses((status = 200, description = "A page of calibrations", content(
        (Page<NotedView<CalibrationShown>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/units/{id}/calibrations")]
async fn list_calibrations(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<UnitId>,
    asked: Query<Instants>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, CalibrationInput>(&request, &caller, (&db, &rates), *id, (asked.0, &sorting, &paging)).await
}

/// List calibrations
///
/// Of all units within one's reach, oldest first; those of a customer or site are of units that stood there
/// then. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOf, Instants, Sorting, Paging),
    responses((status = 200, description = "A page of calibrations", content(
        (Page<OfUnit<CalibrationShown>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/calibrations")]
async fn list_calibrations_of_units(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOf>, Query<Instants>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    of_units::<_, CalibrationInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for CalibrationShown {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("at", Kind::Instant),
        ("probe", Kind::Text),
        ("component_id", Kind::Text),
        ("temperature_c", Kind::Number),
        ("pressure_kpa", Kind::Number),
        ("as_found", Kind::Text),
        ("as_left", Kind::Text),
        ("found", Kind::Text),
        ("left", Kind::Text),
        ("nernst_mv_per_ph", Kind::Number),
        ("limits", Kind::Text),
    ];
}

/// Withdraw a wrong calibration
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The unit's id"), ("note_id" = Uuid, Path, description = "The calibration's id")),
    responses((status = 200, description = "The calibration, withdrawn", body = NotedView<CalibrationShown>), Problems))]
#[post("/units/{id}/calibrations/{note_id}/withdraw")]
async fn withdraw_calibration(
    caller: Caller<perm::WriteMeasures>,
    path: Path<(UnitId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, CalibrationInput>(&db, &caller, *path, &input.0).await
}
