//! `/v1/units/{id}/volume-events`, and `/v1/volume-events` of all of them.

use super::{Instants, NotedView, OfUnit, Shape, Withdrawal, create, list, of_units, withdraw};
use crate::auth::{Caller, perm};
use crate::db::Db;
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
use domain::fault::Faults;
use domain::ids::{NoteId, UnitId};
use domain::measures::volume_event::{Happened, Load, VolumeEvent};
use domain::units::Litres;
use domain::water::storage::VolumeEventKind;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_volume_event)
        .service(list_volume_events)
        .service(withdraw_volume_event)
        .service(list_volume_events_of_units);
}

/// What is sent of a volume event.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = VolumeEvent)]
pub struct VolumeEventInput {
    /// When, within a placement of the unit.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T07:30:00Z")]
    at: DateTime<Utc>,
    /// `first_fill`, `refill`, `drain`, `hand_fill` (by hose, to make up) or `hauled`.
    #[schema(example = "hauled")]
    kind: String,
    /// How much.
    #[schema(example = 4000.0, minimum = 0)]
    volume_l: f64,
    /// Relative standard uncertainty of the volume.
    #[serde(default)]
    #[schema(example = 0.05, default = 0.0, minimum = 0, maximum = 1)]
    u_share: f64,
    /// Whether a meter of the unit's balance counted this water too.
    #[serde(default)]
    #[schema(example = false, default = false)]
    passed_a_meter: bool,
    /// The papers of a hauled load.
    #[serde(default)]
    load: Option<LoadBody>,
    /// What else there is to say.
    #[serde(default)]
    #[schema(example = "Pit pumped out before the clean-out", max_length = 500)]
    note: Option<String>,
}

/// The papers of a load that a truck took away.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Load)]
pub struct LoadBody {
    /// Who took it.
    #[schema(example = "Valley Tankers", max_length = 120)]
    hauler: String,
    /// The number of its ticket or manifest.
    #[schema(example = "M-20417", max_length = 60)]
    ticket: String,
    /// Where it went.
    #[schema(example = "Municipal works, bay 3", max_length = 200)]
    destination: String,
    /// The class of waste that its generator declared.
    #[schema(example = "Oily wash water", max_length = 60)]
    waste_class: String,
}

impl From<LoadBody> for Load {
    fn from(body: LoadBody) -> Self {
        let LoadBody { hauler, ticket, destination, waste_class } = body;
        Self { hauler, ticket, destination, waste_class }
    }
}

impl From<Load> for LoadBody {
    fn from(load: Load) -> Self {
        let Load { hauler, ticket, destination, waste_class } = load;
        Self { hauler, ticket, destination, waste_class }
    }
}

impl Shape for VolumeEventInput {
    type Note = VolumeEvent;
    type Shown = Self;

    fn parse(&self, now: DateTime<Utc>) -> Result<VolumeEvent, Faults> {
        let mut faults = Faults::default();
        let happened = Happened::parse(&self.kind, self.load.clone().map(Into::into));
        let event = VolumeEvent {
            at: self.at,
            happened: faults.take_or("", happened, Happened::InPlace(VolumeEventKind::Refill)),
            volume: Litres(self.volume_l),
            u_share: self.u_share,
            passed_a_meter: self.passed_a_meter,
            note: self.note.clone(),
        };
        faults.and(event.checked(now))
    }

    fn shown(note: &VolumeEvent) -> Self {
        Self {
            at: note.at,
            kind: note.happened.kind().to_owned(),
            volume_l: note.volume.0,
            u_share: note.u_share,
            passed_a_meter: note.passed_a_meter,
            load: note.happened.papers().cloned().map(Into::into),
            note: note.note.clone(),
        }
    }
}

/// Add a volume event
///
/// Water that enters or leaves at once: fills, drains and hauled loads.
#[utoipa::path(tag = "measures", request_body = VolumeEventInput,
    params(("id" = Uuid, Path, description = "The unit's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The volume event", body = NotedView<VolumeEventInput>), Problems))]
#[post("/units/{id}/volume-events")]
async fn create_volume_event(
    caller: Caller<perm::WriteMeasures>,
    id: Path<UnitId>,
    key: IdempotencyKey,
    input: Body<VolumeEventInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List a unit's volume events
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The unit's id"), Instants, Sorting, Paging),
    responses((status = 200, description = "A page of volume events", content(
        (Page<NotedView<VolumeEventInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/units/{id}/volume-events")]
async fn list_volume_events(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<UnitId>,
    asked: Query<Instants>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, VolumeEventInput>(&request, &caller, (&db, &rates), *id, (asked.0, &sorting, &paging)).await
}

/// List volume events
///
/// Of all units within one's reach, oldest first; those of a customer or site are of units that stood there
/// then. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOf, Instants, Sorting, Paging),
    responses((status = 200, description = "A page of volume events", content(
        (Page<OfUnit<VolumeEventInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/volume-events")]
async fn list_volume_events_of_units(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOf>, Query<Instants>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    of_units::<_, VolumeEventInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for VolumeEventInput {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("at", Kind::Instant),
        ("kind", Kind::Text),
        ("volume_l", Kind::Number),
        ("u_share", Kind::Number),
        ("passed_a_meter", Kind::Text),
        ("load", Kind::Text),
        ("note", Kind::Text),
    ];
}

/// Withdraw a wrong volume event
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The unit's id"), ("note_id" = Uuid, Path, description = "The volume event's id")),
    responses((status = 200, description = "The volume event, withdrawn", body = NotedView<VolumeEventInput>), Problems))]
#[post("/units/{id}/volume-events/{note_id}/withdraw")]
async fn withdraw_volume_event(
    caller: Caller<perm::WriteMeasures>,
    path: Path<(UnitId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, VolumeEventInput>(&db, &caller, *path, &input.0).await
}
