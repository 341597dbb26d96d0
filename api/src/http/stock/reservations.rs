//! `/v1/stock-reservations`: goods kept for planned visits. Closing one issues what was used; the
//! rest is free again where it was kept.

use super::kits::{LineInput, lines};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::stock::reservation::{self, Filter, Kept, StoredKept};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::service::in_order;
use crate::http::stock::movements::MovementInput;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::NaiveDate;
use domain::fault::Faults;
use domain::ids::{PlaceId, UnitId};
use domain::span;
use domain::stock::kit::Reservation;
use domain::stock::movement::{Event, Movement};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_reservation).service(list_reservations).service(get_reservation).service(close_reservation);
}

/// What is sent to keep goods for a visit.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReservationInput {
    /// The kit to keep; its lines as they are now.
    #[serde(default)]
    kit_id: Option<Uuid>,
    /// The unit it is meant for.
    #[serde(default)]
    unit_id: Option<Uuid>,
    /// Where it is kept.
    place_id: Uuid,
    /// The van that takes it along; left out when it is kept in the van already, or not known.
    #[serde(default)]
    van_id: Option<Uuid>,
    /// The day of the visit.
    #[schema(example = "2026-03-09")]
    planned_on: NaiveDate,
    /// What to keep in place of the kit's lines.
    #[serde(default)]
    lines: Vec<LineInput>,
}

impl ReservationInput {
    fn parse(&self) -> Result<Kept, Faults> {
        let mut faults = Faults::default();
        let planned_on = span::date(&mut faults, "/planned_on", self.planned_on);
        let lines = lines(&mut faults, "/lines", &self.lines);
        let (visit_id, place_id) = (None, PlaceId(self.place_id));
        faults.or(Kept {
            reservation: Reservation { visit_id, place_id, planned_on, lines },
            kit_id: self.kit_id,
            unit_id: self.unit_id.map(UnitId),
            van_id: self.van_id.map(PlaceId),
            used: None,
        })
    }
}

/// Goods kept for a visit.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = StockReservation)]
pub struct ReservationView {
    id: Uuid,
    /// The planned visit that it is kept for: it moves with it, and is closed with it.
    visit_id: Option<Uuid>,
    #[serde(flatten)]
    record: ReservationInput,
    /// What was used, once it is closed.
    used: Option<Vec<LineInput>>,
    /// What was kept and not used: it is free again.
    unused: Vec<LineInput>,
    /// What was used beyond what was kept.
    beyond: Vec<LineInput>,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<StoredKept> for ReservationView {
    fn from(stored: StoredKept) -> Self {
        let stamps = Stamps::from(&stored);
        let Kept { reservation, kit_id, unit_id, van_id, used } = stored.value;
        let shown = |lines: &[_]| lines.iter().map(LineInput::from).collect::<Vec<_>>();
        let closed = used.as_deref().map(|used| reservation.closed(used));
        let record = ReservationInput {
            kit_id,
            unit_id: unit_id.map(|unit| unit.0),
            place_id: reservation.place_id.0,
            van_id: van_id.map(|van| van.0),
            planned_on: reservation.planned_on,
            lines: shown(&reservation.lines),
        };
        Self {
            id: stored.id,
            visit_id: reservation.visit_id.map(|visit| visit.0),
            record,
            used: used.as_deref().map(shown),
            unused: closed.as_ref().map_or(Vec::new(), |closed| shown(&closed.unused)),
            beyond: closed.as_ref().map_or(Vec::new(), |closed| shown(&closed.beyond)),
            stamps,
        }
    }
}

/// What is sent to close a reservation.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Closing {
    /// What was used, each as a movement of kind `issued`; empty when nothing was.
    used: Vec<MovementInput>,
}

impl Closing {
    fn parse(&self) -> Result<Vec<Movement>, Faults> {
        let mut faults = Faults::default();
        let mut used = Vec::new();
        for (n, sent) in self.used.iter().enumerate() {
            let Some((movement, _)) = faults.take(&format!("/used/{n}"), sent.parse()) else { continue };
            if !matches!(movement.event, Event::Issued { .. }) {
                faults.add(format!("/used/{n}/kind"), "not_issued", "give what was used as issued");
            }
            used.push(movement);
        }
        faults.or(used)
    }
}

/// Which reservations.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListReservations {
    /// Kept at this place, or taken along by this van.
    place_id: Option<Uuid>,
    /// For visits on this day or later.
    #[param(example = "2026-03-01")]
    from: Option<NaiveDate>,
    /// For visits before this day.
    #[param(example = "2026-04-01")]
    to: Option<NaiveDate>,
    /// Whether to give closed ones too.
    #[serde(default)]
    #[param(required = false)]
    closed: bool,
}

impl ListReservations {
    fn parse(&self, of: &AskOf) -> Result<Filter, Problem> {
        in_order(self.from, self.to)?;
        let place = self.place_id.map(PlaceId);
        Ok(Filter { of: of.parse()?, place, from: self.from, to: self.to, closed: self.closed })
    }
}

/// Keep goods for a visit
#[utoipa::path(tag = "stock", request_body = ReservationInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The reservation", body = ReservationView), Problems))]
#[post("/stock-reservations")]
async fn create_reservation(
    caller: Caller<perm::WriteStock>,
    key: IdempotencyKey,
    input: Body<ReservationInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = reservation::create(tx, &new).await?;
        Ok((stored.revision, ReservationView::from(stored)))
    })
    .await
}

/// List what is kept for visits
///
/// In the order in which it was first kept; that of a customer or site is for units that stand there now. As a
/// table (`Accept`), all of it.
#[utoipa::path(tag = "stock", params(AskOf, ListReservations, Sorting, Paging),
    responses((status = 200, description = "A page of reservations", content(
        (Page<ReservationView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/stock-reservations")]
async fn list_reservations(
    request: HttpRequest,
    caller: Caller<perm::ReadStock>,
    (of, asked): (Query<AskOf>, Query<ListReservations>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (asked.parse(&of)?, paging.sorted(&sorting, "created")?);
    let read = async move |tx: &Tx<'_>, after: &After| reservation::list(tx, &filter, after).await;
    let key = |after: &After, row: &StoredKept| after.place(row, "", row.id);
    listed(&request, &caller, (&db, &rates), after, read, (key, ReservationView::from)).await
}

impl Tabled for ReservationView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("visit_id", Kind::Text),
        ("kit_id", Kind::Text),
        ("unit_id", Kind::Text),
        ("place_id", Kind::Text),
        ("van_id", Kind::Text),
        ("planned_on", Kind::Day),
        ("lines", Kind::Text),
        ("used", Kind::Text),
        ("unused", Kind::Text),
        ("beyond", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a reservation
#[utoipa::path(tag = "stock", params(("id" = Uuid, Path, description = "The reservation's id")),
    responses((status = 200, description = "The reservation", body = ReservationView), Problems))]
#[get("/stock-reservations/{id}")]
async fn get_reservation(
    caller: Caller<perm::ReadStock>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| reservation::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &ReservationView::from(stored)))
}

/// Close a reservation
///
/// What was used is issued in the same step; what was not is free again.
#[utoipa::path(tag = "stock", request_body = Closing,
    params(("id" = Uuid, Path, description = "The reservation's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The reservation, closed", body = ReservationView), Problems))]
#[post("/stock-reservations/{id}/close")]
async fn close_reservation(
    caller: Caller<perm::WriteStock>,
    id: Path<Uuid>,
    at: IfMatch,
    input: Body<Closing>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let used = input.0.parse()?;
    let stored =
        db.write(caller.scope(), caller.now(), async |tx| reservation::close(tx, *id, at.0, &used).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &ReservationView::from(stored)))
}
