//! `/v1/units/{id}/dosing-settings` and `/v1/units/{id}/draw-downs`: how dosing pumps were left, and
//! what they took in a draw-down test. `/v1/dosing-settings` and `/v1/draw-downs`: of all units.

use super::{Instants, NotedView, OfUnit, Shape, Withdrawal, create, list, of_units, withdraw};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::measures::dosing::{DosingSetting, PumpTest};
use crate::extract::{Body, IdempotencyKey, instant};
use crate::http::answer::{Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::table::{Kind, Tabled};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::dosing::draw_down::DrawDown;
use domain::dosing::pump::{Control, DosingPump, Setting};
use domain::fault::Faults;
use domain::ids::{ItemId, NoteId, UnitId};
use domain::span;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of these resources.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_dosing_setting)
        .service(list_dosing_settings)
        .service(list_dosing_settings_of_units)
        .service(withdraw_dosing_setting)
        .service(create_draw_down)
        .service(list_draw_downs)
        .service(list_draw_downs_of_units)
        .service(withdraw_draw_down);
}

/// What is sent of a dosing pump's setting.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = DosingSetting)]
pub struct DosingSettingInput {
    /// The consumable that it doses; a unit has one pump for each.
    item_id: Uuid,
    /// When it was left so, within a placement of the unit.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T07:30:00Z")]
    at: DateTime<Utc>,
    /// What it gives with both knobs full.
    #[schema(example = 25.0)]
    full_ml_per_min: f64,
    /// Length of the stroke, above 0 to 1; left out of a pump led by a pH controller.
    #[serde(default)]
    #[schema(example = 0.6)]
    stroke_share: Option<f64>,
    /// Strokes in a time, above 0 to 1; left out of a pump led by a pH controller.
    #[serde(default)]
    #[schema(example = 0.5)]
    speed_share: Option<f64>,
    /// Share of all time in which it runs, 0 to 1.
    #[schema(example = 0.3)]
    run_share: f64,
}

impl Shape for DosingSettingInput {
    type Note = DosingSetting;
    type Shown = Self;

    fn parse(&self, now: DateTime<Utc>) -> Result<DosingSetting, Faults> {
        let mut faults = Faults::default();
        let at = span::happened(&mut faults, "/at", self.at, now);
        faults.range("/run_share", self.run_share, 0.0, 1.0);
        let control = match (self.stroke_share, self.speed_share) {
            (Some(stroke_share), Some(speed_share)) => Control::Fixed(Setting { stroke_share, speed_share }),
            (None, None) => Control::ByPh,
            (stroke, _) => {
                let missing = if stroke.is_none() { "/stroke_share" } else { "/speed_share" };
                faults.add(missing, "required", "give both shares, or neither for a pump led by pH");
                Control::ByPh
            }
        };
        let pump = DosingPump { full_ml_per_min: self.full_ml_per_min, control }.checked();
        let (item_id, run_share) = (ItemId(self.item_id), self.run_share);
        Ok(DosingSetting { item_id, at, pump: faults.and(pump)?, run_share })
    }

    fn shown(note: &DosingSetting) -> Self {
        let setting = if let Control::Fixed(setting) = note.pump.control { Some(setting) } else { None };
        Self {
            item_id: note.item_id.0,
            at: note.at,
            full_ml_per_min: note.pump.full_ml_per_min,
            stroke_share: setting.map(|setting| setting.stroke_share),
            speed_share: setting.map(|setting| setting.speed_share),
            run_share: note.run_share,
        }
    }
}

/// What is sent of a draw-down test.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = DrawDownInput)]
pub struct DrawDownInput {
    /// The consumable that the pump doses.
    item_id: Uuid,
    /// When, within a placement of the unit.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T07:30:00Z")]
    at: DateTime<Utc>,
    /// Product that the pump took from the calibration cylinder.
    #[schema(example = 42.0)]
    taken_ml: f64,
    /// While it ran.
    #[schema(example = 300.0)]
    run_s: f64,
    /// Distance of two marks of the cylinder.
    #[schema(example = 1.0)]
    division_ml: f64,
}

/// A draw-down test.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = DrawDown)]
pub struct DrawDownShown {
    #[serde(flatten)]
    record: DrawDownInput,
    /// What the pump gave.
    #[schema(example = 8.4)]
    ml_per_min: f64,
    /// Its expanded uncertainty (k = 2) by the marks of the cylinder.
    #[schema(example = 0.16)]
    expanded_ml_per_min: f64,
}

impl Shape for DrawDownInput {
    type Note = PumpTest;
    type Shown = DrawDownShown;

    fn parse(&self, now: DateTime<Utc>) -> Result<PumpTest, Faults> {
        let mut faults = Faults::default();
        let at = span::happened(&mut faults, "/at", self.at, now);
        let test = DrawDown { taken_ml: self.taken_ml, run_s: self.run_s, division_ml: self.division_ml };
        Ok(PumpTest { item_id: ItemId(self.item_id), at, test: faults.and(test.checked())? })
    }

    fn shown(note: &PumpTest) -> DrawDownShown {
        let DrawDown { taken_ml, run_s, division_ml } = note.test;
        DrawDownShown {
            record: Self { item_id: note.item_id.0, at: note.at, taken_ml, run_s, division_ml },
            ml_per_min: note.test.ml_per_min(),
            expanded_ml_per_min: note.test.expanded_ml_per_min(),
        }
    }
}

/// Add how a dosing pump was left
#[utoipa::path(tag = "measures", request_body = DosingSettingInput,
    params(("id" = Uuid, Path, description = "The unit's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The dosing setting", body = NotedView<DosingSettingInput>), Problems))]
#[post("/units/{id}/dosing-settings")]
async fn create_dosing_setting(
    caller: Caller<perm::WriteMeasures>,
    id: Path<UnitId>,
    key: IdempotencyKey,
    input: Body<DosingSettingInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List a unit's dosing settings
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The unit's id"), Instants, Sorting, Paging),
    responses((status = 200, description = "A page of dosing settings", content(
        (Page<NotedView<DosingSettingInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/units/{id}/dosing-settings")]
async fn list_dosing_settings(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<UnitId>,
    asked: Query<Instants>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, DosingSettingInput>(&request, &caller, (&db, &rates), *id, (asked.0, &sorting, &paging)).await
}

/// List dosing settings
///
/// Of all units within one's reach, oldest first; those of a customer or site are of units that stood there
/// then. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOf, Instants, Sorting, Paging),
    responses((status = 200, description = "A page of dosing settings", content(
        (Page<OfUnit<DosingSettingInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/dosing-settings")]
async fn list_dosing_settings_of_units(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOf>, Query<Instants>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    of_units::<_, DosingSettingInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for DosingSettingInput {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("item_id", Kind::Text),
        ("at", Kind::Instant),
        ("full_ml_per_min", Kind::Number),
        ("stroke_share", Kind::Number),
        ("speed_share", Kind::Number),
        ("run_share", Kind::Number),
    ];
}

/// Withdraw a wrong dosing setting
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The unit's id"), ("note_id" = Uuid, Path, description = "The dosing setting's id")),
    responses((status = 200, description = "The dosing setting, withdrawn", body = NotedView<DosingSettingInput>), Problems))]
#[post("/units/{id}/dosing-settings/{note_id}/withdraw")]
async fn withdraw_dosing_setting(
    caller: Caller<perm::WriteMeasures>,
    path: Path<(UnitId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, DosingSettingInput>(&db, &caller, *path, &input.0).await
}

/// Add a draw-down test of a dosing pump
#[utoipa::path(tag = "measures", request_body = DrawDownInput,
    params(("id" = Uuid, Path, description = "The unit's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The draw-down test", body = NotedView<DrawDownShown>), Problems))]
#[post("/units/{id}/draw-downs")]
async fn create_draw_down(
    caller: Caller<perm::WriteMeasures>,
    id: Path<UnitId>,
    key: IdempotencyKey,
    input: Body<DrawDownInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List a unit's draw-down tests
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The unit's id"), Instants, Sorting, Paging),
    responses((status = 200, description = "A page of draw-down tests", content(
        (Page<NotedView<DrawDownShown>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/units/{id}/draw-downs")]
async fn list_draw_downs(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<UnitId>,
    asked: Query<Instants>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, DrawDownInput>(&request, &caller, (&db, &rates), *id, (asked.0, &sorting, &paging)).await
}

/// List draw-down tests
///
/// Of all units within one's reach, oldest first; those of a customer or site are of units that stood there
/// then. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOf, Instants, Sorting, Paging),
    responses((status = 200, description = "A page of draw-down tests", content(
        (Page<OfUnit<DrawDownShown>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/draw-downs")]
async fn list_draw_downs_of_units(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOf>, Query<Instants>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    of_units::<_, DrawDownInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for DrawDownShown {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("item_id", Kind::Text),
        ("at", Kind::Instant),
        ("taken_ml", Kind::Number),
        ("run_s", Kind::Number),
        ("division_ml", Kind::Number),
        ("ml_per_min", Kind::Number),
        ("expanded_ml_per_min", Kind::Number),
    ];
}

/// Withdraw a wrong draw-down test
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The unit's id"), ("note_id" = Uuid, Path, description = "The draw-down test's id")),
    responses((status = 200, description = "The draw-down test, withdrawn", body = NotedView<DrawDownShown>), Problems))]
#[post("/units/{id}/draw-downs/{note_id}/withdraw")]
async fn withdraw_draw_down(
    caller: Caller<perm::WriteMeasures>,
    path: Path<(UnitId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, DrawDownInput>(&db, &caller, *path, &input.0).await
}
