//! `/v1/visits`.

use super::in_order;
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::service::visit::{self, Becomes, Keeping, Planned};
use crate::db::service::{Filter, day_key, place};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use domain::fault::Faults;
use domain::ids::{AccountId, PlaceId, RoutineId, SiteId, UnitId, VisitId};
use domain::service::visit::{Conflict, Moved, Visit, VisitState, When};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(plan_visit)
        .service(list_visits)
        .service(get_visit)
        .service(move_visit)
        .service(visit_done)
        .service(call_visit_off);
}

/// What is sent to plan a visit.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct VisitInput {
    /// At which site.
    site_id: Uuid,
    /// To which unit there; null for the whole site.
    #[serde(default)]
    unit_id: Option<Uuid>,
    /// The local day at the site.
    #[schema(example = "2026-03-16")]
    day: NaiveDate,
    /// From this local time; null with `to` when any time of the day will do.
    #[serde(default)]
    #[schema(value_type = Option<String>, example = "08:00:00")]
    from: Option<NaiveTime>,
    /// Until this local time.
    #[serde(default)]
    #[schema(value_type = Option<String>, example = "10:00:00")]
    to: Option<NaiveTime>,
    /// The account that makes it.
    #[serde(default)]
    technician_id: Option<Uuid>,
    /// What it is for.
    #[schema(example = json!(["Quarterly service"]))]
    purpose: Vec<String>,
    /// Recurring work of the unit that is to be done on it.
    #[serde(default)]
    routine_ids: Vec<Uuid>,
    /// Where the goods that this work takes along, as the unit's model has them, are kept for the
    /// visit; left out, none are.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    reserve_at: Option<Uuid>,
    /// The van that takes them along.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    van_id: Option<Uuid>,
}

impl VisitInput {
    fn parse(&self) -> Result<Visit, Faults> {
        let visit = Visit {
            site_id: SiteId(self.site_id),
            unit_id: self.unit_id.map(UnitId),
            when: When { day: self.day, from: self.from, to: self.to },
            technician_id: self.technician_id.map(AccountId),
            purpose: self.purpose.clone(),
            routine_ids: self.routine_ids.iter().copied().map(RoutineId).collect(),
            state: VisitState::Planned,
            moves: Vec::new(),
            event_id: None,
        };
        let mut faults = Faults::default();
        if self.van_id.is_some() && self.reserve_at.is_none() {
            faults.add("/reserve_at", "required", "say where the goods are kept that the van takes along");
        }
        faults.and(visit.checked())
    }

    fn keeping(&self) -> Option<Keeping> {
        let place_id = PlaceId(self.reserve_at?);
        Some(Keeping { place_id, van_id: self.van_id.map(PlaceId) })
    }
}

/// Where a visit is moved to.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct VisitMove {
    /// The local day at the site.
    #[schema(example = "2026-03-17")]
    day: NaiveDate,
    /// From this local time.
    #[serde(default)]
    #[schema(value_type = Option<String>, example = "08:00:00")]
    from: Option<NaiveTime>,
    /// Until this local time.
    #[serde(default)]
    #[schema(value_type = Option<String>, example = "10:00:00")]
    to: Option<NaiveTime>,
    /// The account that makes it then.
    #[serde(default)]
    technician_id: Option<Uuid>,
    /// Why it is moved.
    #[schema(example = "The customer asked for it", max_length = 500)]
    reason: String,
}

/// What was done at a visit.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct VisitDone {
    /// The service event that says so.
    #[serde(default)]
    event_id: Option<Uuid>,
}

/// Where a visit was before it was moved.
#[derive(Debug, Serialize, ToSchema)]
pub struct VisitMoved {
    /// The local day it was planned for.
    day: NaiveDate,
    /// From this local time.
    #[schema(value_type = Option<String>, example = "08:00:00")]
    from: Option<NaiveTime>,
    /// Until this local time.
    #[schema(value_type = Option<String>, example = "10:00:00")]
    to: Option<NaiveTime>,
    /// The account that was to make it.
    technician_id: Option<Uuid>,
    /// When it was moved.
    moved_at: DateTime<Utc>,
    /// Why.
    #[schema(example = "The bay was washing all morning")]
    reason: String,
}

impl From<Moved> for VisitMoved {
    fn from(moved: Moved) -> Self {
        let When { day, from, to } = moved.was;
        let technician_id = moved.technician_id.map(|account| account.0);
        Self { day, from, to, technician_id, moved_at: moved.at, reason: moved.reason }
    }
}

/// What stands against a visit.
#[derive(Debug, Serialize, ToSchema)]
pub struct VisitConflict {
    /// `technician_busy`, `unit_not_at_work` or `unit_away`.
    #[schema(example = "technician_busy")]
    kind: &'static str,
    /// The other visit of the same technician.
    #[serde(skip_serializing_if = "Option::is_none")]
    visit_id: Option<Uuid>,
    /// The state in which the unit is then.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "laid_up")]
    state: Option<&'static str>,
}

impl From<Conflict> for VisitConflict {
    fn from(conflict: Conflict) -> Self {
        match conflict {
            Conflict::TechnicianBusy(other) => Self { kind: "technician_busy", visit_id: Some(other.0), state: None },
            Conflict::UnitNotAtWork(state) => {
                Self { kind: "unit_not_at_work", visit_id: None, state: Some(state.as_str()) }
            }
            Conflict::UnitAway => Self { kind: "unit_away", visit_id: None, state: None },
        }
    }
}

/// A visit.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Visit)]
pub struct VisitView {
    id: Uuid,
    #[serde(flatten)]
    record: VisitInput,
    /// The IANA zone of the site.
    #[schema(example = "Europe/Vienna")]
    time_zone: &'static str,
    /// When it begins; the beginning of the day where no time is given.
    starts_at: DateTime<Utc>,
    /// When it ends.
    ends_at: DateTime<Utc>,
    /// `planned`, `done` or `called_off`.
    #[schema(example = "planned")]
    state: &'static str,
    /// The service event that says what was done.
    event_id: Option<Uuid>,
    /// Where it was before, the oldest first.
    moves: Vec<VisitMoved>,
    /// What stands against it; it can be planned all the same.
    conflicts: Vec<VisitConflict>,
    /// What is kept for it in stock, or was: `/v1/stock-reservations`.
    reservation_ids: Vec<Uuid>,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<Planned> for VisitView {
    fn from(planned: Planned) -> Self {
        let stamps = Stamps::from(&planned.kept.stored);
        let (id, visit) = (planned.kept.stored.id, planned.kept.stored.value);
        let (starts_at, ends_at) = visit.when.bounds(planned.zone);
        Self {
            id,
            record: VisitInput {
                site_id: visit.site_id.0,
                unit_id: visit.unit_id.map(|unit| unit.0),
                day: visit.when.day,
                from: visit.when.from,
                to: visit.when.to,
                technician_id: visit.technician_id.map(|account| account.0),
                purpose: visit.purpose,
                routine_ids: visit.routine_ids.into_iter().map(|id| id.0).collect(),
                reserve_at: None,
                van_id: None,
            },
            time_zone: planned.zone.name(),
            starts_at,
            ends_at,
            state: visit.state.as_str(),
            event_id: visit.event_id,
            moves: visit.moves.into_iter().map(Into::into).collect(),
            conflicts: planned.conflicts.into_iter().map(Into::into).collect(),
            reservation_ids: planned.goods.into_iter().map(|goods| goods.id).collect(),
            stamps,
        }
    }
}

/// Which visits.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListVisits {
    /// From this local day on.
    #[param(example = "2026-03-16")]
    from: Option<NaiveDate>,
    /// Up to, not including, this local day.
    #[param(example = "2026-03-23")]
    to: Option<NaiveDate>,
    /// Of this account.
    technician_id: Option<Uuid>,
}

impl ListVisits {
    fn parse(&self, of: &AskOf) -> Result<Filter, Problem> {
        in_order(self.from, self.to)?;
        Ok(Filter {
            of: of.parse()?,
            from: self.from.map(day_key),
            to: self.to.map(day_key),
            technician: self.technician_id.map(AccountId),
            ..Filter::default()
        })
    }
}

/// Plan a visit
///
/// What stands against it is shown in the answer; it is planned all the same. Goods that are kept for
/// it move with it, and are free again when it is called off, or made without using them.
#[utoipa::path(tag = "visits", request_body = VisitInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The visit", body = VisitView), Problems))]
#[post("/visits")]
async fn plan_visit(
    caller: Caller<perm::WriteVisits>,
    key: IdempotencyKey,
    input: Body<VisitInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let planned = visit::create(tx, &new, input.0.keeping()).await?;
        Ok((planned.kept.stored.revision, VisitView::from(planned)))
    })
    .await
}

/// List visits by day
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "visits", params(ListVisits, AskOf, Sorting, Paging),
    responses((status = 200, description = "A page of visits", content(
        (Page<VisitView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/visits")]
async fn list_visits(
    request: HttpRequest,
    caller: Caller<perm::ReadVisits>,
    (asked, of): (Query<ListVisits>, Query<AskOf>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (asked.parse(&of)?, paging.sorted(&sorting, "day")?);
    let read = async move |tx: &Tx<'_>, after: &After| visit::list(tx, &filter, after).await;
    let key = |after: &After, planned: &Planned| place(after, &planned.kept);
    listed(&request, &caller, (&db, &rates), after, read, (key, VisitView::from)).await
}

impl Tabled for VisitView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("site_id", Kind::Text),
        ("unit_id", Kind::Text),
        ("day", Kind::Day),
        ("from", Kind::Text),
        ("to", Kind::Text),
        ("technician_id", Kind::Text),
        ("purpose", Kind::Text),
        ("routine_ids", Kind::Text),
        ("time_zone", Kind::Text),
        ("starts_at", Kind::Instant),
        ("ends_at", Kind::Instant),
        ("state", Kind::Text),
        ("event_id", Kind::Text),
        ("moves", Kind::Text),
        ("conflicts", Kind::Text),
        ("reservation_ids", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a visit
#[utoipa::path(tag = "visits", params(("id" = Uuid, Path, description = "The visit's id")),
    responses((status = 200, description = "The visit", body = VisitView), Problems))]
#[get("/visits/{id}")]
async fn get_visit(caller: Caller<perm::ReadVisits>, id: Path<VisitId>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let planned = db.read(caller.scope(), caller.now(), async |tx| visit::find(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, planned.kept.stored.revision, &VisitView::from(planned)))
}

/// Changes a planned visit.
async fn changed(
    db: &Db,
    caller: &Caller<perm::WriteVisits>,
    (id, at): (VisitId, IfMatch),
    becomes: &Becomes,
) -> Result<HttpResponse, Problem> {
    let change = async |tx: &Tx<'_>| visit::change(tx, id, at.0, becomes).await;
    let planned = db.write(caller.scope(), caller.now(), change).await?;
    Ok(answer::record(StatusCode::OK, planned.kept.stored.revision, &VisitView::from(planned)))
}

/// Move a visit, or give it to somebody else
///
/// Where it was before stays readable in `moves`.
#[utoipa::path(tag = "visits", request_body = VisitMove,
    params(("id" = Uuid, Path, description = "The visit's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The visit as it is now", body = VisitView), Problems))]
#[post("/visits/{id}/move")]
async fn move_visit(
    caller: Caller<perm::WriteVisits>,
    id: Path<VisitId>,
    at: IfMatch,
    input: Body<VisitMove>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let VisitMove { day, from, to, technician_id, reason } = input.0;
    let becomes = Becomes::Moved(When { day, from, to }, technician_id.map(AccountId), reason);
    changed(&db, &caller, (*id, at), &becomes).await
}

/// Say that a visit was made
#[utoipa::path(tag = "visits", request_body = VisitDone,
    params(("id" = Uuid, Path, description = "The visit's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The visit as it is now", body = VisitView), Problems))]
#[post("/visits/{id}/done")]
async fn visit_done(
    caller: Caller<perm::WriteVisits>,
    id: Path<VisitId>,
    at: IfMatch,
    input: Body<VisitDone>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    changed(&db, &caller, (*id, at), &Becomes::Done(input.0.event_id)).await
}

/// Call a visit off
#[utoipa::path(tag = "visits",
    params(("id" = Uuid, Path, description = "The visit's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The visit as it is now", body = VisitView), Problems))]
#[post("/visits/{id}/call-off")]
async fn call_visit_off(
    caller: Caller<perm::WriteVisits>,
    id: Path<VisitId>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    changed(&db, &caller, (*id, at), &Becomes::CalledOff).await
}
