//! `/v1/units/{id}/placements`, `/v1/sites/{id}/placements`, and `/v1/placements` of all of them.

use super::answer::{self, Arranging, ChangedSince, Page, Paging, Problems, Sorting, SpanView};
use super::series::AskOf;
use super::service::in_order;
use super::table::{Kind, Tabled, listed, whole};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::placement::During;
use crate::db::{Db, Stored, Tx, placement};
use crate::extract::{Body, IdempotencyKey, IfMatch, instant, optional_instant};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::{MeterId, PlacementId, SiteId, UnitId};
use domain::placement::{Handover, LevelThen, NewPlacement, Placement, RegisterThen, Terms};
use domain::span::Span;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_placement)
        .service(list_placements)
        .service(list_site_placements)
        .service(list_placements_of_units)
        .service(end_placement);
}

/// What was read when a unit changed hands.
#[derive(Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
#[schema(as = Handover)]
pub struct HandoverBody {
    /// Registers, one a meter.
    registers: Vec<RegisterThenBody>,
    /// How full tanks and pit stood.
    levels: Vec<LevelThenBody>,
}

/// A register as it was read at a handover.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = HandoverRegister)]
pub struct RegisterThenBody {
    /// Of which meter.
    meter_id: Uuid,
    /// Its value as read, in counts of the meter's own unit.
    #[schema(example = 48210.0, minimum = 0)]
    register: f64,
}

/// How full a tank or pit stood at a handover.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = HandoverLevel)]
pub struct LevelThenBody {
    /// Which tank.
    #[schema(example = "clean tank", max_length = 60)]
    place: String,
    /// What was in it.
    #[schema(example = 800.0, minimum = 0)]
    volume_l: f64,
}

impl HandoverBody {
    pub(super) fn parse(&self) -> Result<Handover, Faults> {
        let register =
            |row: &RegisterThenBody| RegisterThen { meter_id: MeterId(row.meter_id), register: row.register };
        let level = |row: &LevelThenBody| LevelThen { place: row.place.clone(), volume_l: row.volume_l };
        let handover = Handover {
            registers: self.registers.iter().map(register).collect(),
            levels: self.levels.iter().map(level).collect(),
        };
        handover.checked()
    }
}

impl From<Handover> for HandoverBody {
    fn from(value: Handover) -> Self {
        let register = |row: RegisterThen| RegisterThenBody { meter_id: row.meter_id.0, register: row.register };
        let level = |row: LevelThen| LevelThenBody { place: row.place, volume_l: row.volume_l };
        Self {
            registers: value.registers.into_iter().map(register).collect(),
            levels: value.levels.into_iter().map(level).collect(),
        }
    }
}

/// What is sent to place a unit.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PlacementInput {
    /// At which site; the unit is its customer's to see from then on.
    site_id: Uuid,
    /// From when.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-01-12T09:30:00Z")]
    from: DateTime<Utc>,
    /// Until when, where that is known.
    #[serde(default, deserialize_with = "optional_instant")]
    #[schema(example = json!(null))]
    to: Option<DateTime<Utc>>,
    /// `sold`, `rented`, `loan` or `demo`.
    #[schema(example = "rented")]
    terms: String,
    /// What was read when it came.
    #[serde(default)]
    at_start: HandoverBody,
}

impl PlacementInput {
    pub(crate) fn parse(&self) -> Result<NewPlacement, Faults> {
        let mut faults = Faults::default();
        let new = NewPlacement {
            site_id: SiteId(self.site_id),
            span: faults.take_or("", Span::parse(self.from, self.to), Span::EVER),
            terms: faults.take_or("/terms", Terms::parse(&self.terms), Terms::Sold),
            at_start: faults.take_or("/at_start", self.at_start.parse(), Handover::default()),
        };
        faults.or(new)
    }
}

/// What is sent to end a placement.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PlacementEnd {
    /// When it ended; the unit is its customer's to see until then.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-06-30T16:00:00Z")]
    to: DateTime<Utc>,
    /// What was read when it went.
    #[serde(default)]
    at_end: HandoverBody,
}

/// A placement: a unit at a site from-to.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Placement)]
pub struct PlacementView {
    id: Uuid,
    /// Which unit.
    unit_id: Uuid,
    /// At which site.
    site_id: Uuid,
    /// Whose site that is.
    customer_id: Uuid,
    #[serde(flatten)]
    span: SpanView,
    /// `sold`, `rented`, `loan` or `demo`.
    #[schema(example = "rented")]
    terms: &'static str,
    /// What was read when it came.
    at_start: HandoverBody,
    /// What was read when it went; null until it is ended.
    at_end: Option<HandoverBody>,
    /// How often it was written; also its ETag.
    #[schema(example = 1)]
    revision: i32,
}

impl From<Stored<PlacementId, Placement>> for PlacementView {
    fn from(stored: Stored<PlacementId, Placement>) -> Self {
        let value = stored.value;
        Self {
            id: stored.id.0,
            unit_id: value.unit_id.0,
            site_id: value.site_id.0,
            customer_id: value.customer_id.0,
            span: value.span.into(),
            terms: value.terms.as_str(),
            at_start: value.at_start.into(),
            at_end: value.at_end.map(Into::into),
            revision: stored.revision,
        }
    }
}

/// When what is of a unit from-to goes on.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Lasting {
    /// Those that have not ended by this instant.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-01-01T00:00:00Z")]
    from: Option<DateTime<Utc>>,
    /// Those that begin before this instant.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-02-01T00:00:00Z")]
    to: Option<DateTime<Utc>>,
    /// Those that go on at this instant.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-01-15T12:00:00Z")]
    at: Option<DateTime<Utc>>,
}

impl Lasting {
    pub(super) fn parse(&self, of: &AskOf) -> Result<During, Problem> {
        in_order(self.from, self.to)?;
        Ok(During { of: of.parse()?, from: self.from, to: self.to, at: self.at })
    }
}

/// Place a unit
///
/// A unit stands at one site at a time: end its placement before it goes elsewhere.
#[utoipa::path(tag = "units", request_body = PlacementInput,
    params(("id" = Uuid, Path, description = "The unit's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The placement", body = PlacementView), Problems))]
#[post("/units/{id}/placements")]
async fn create_placement(
    caller: Caller<perm::WriteUnits>,
    id: Path<UnitId>,
    key: IdempotencyKey,
    input: Body<PlacementInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &(*id, &input.0), async |tx| {
        let stored = placement::create(tx, *id, &new).await?;
        Ok((stored.revision, PlacementView::from(stored)))
    })
    .await
}

/// List a unit's placements
///
/// All of them on one page, oldest first, or as a table (`Accept`); a customer sees its own.
#[utoipa::path(tag = "units", params(("id" = Uuid, Path, description = "The unit's id"), ChangedSince, Arranging),
    responses((status = 200, description = "The placements", content(
        (Page<PlacementView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/units/{id}/placements")]
async fn list_placements(
    request: HttpRequest,
    caller: Caller<perm::ReadUnits>,
    id: Path<UnitId>,
    since: Query<ChangedSince>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| placement::list(tx, *id).await).await?;
    whole(&request, &caller, &rates, since.of(rows), PlacementView::from)
}

/// List the placements at a site
///
/// Every unit that stands or stood there, all on one page, oldest first, or as a table (`Accept`); a customer sees its
/// own.
#[utoipa::path(tag = "units", params(("id" = Uuid, Path, description = "The site's id"), ChangedSince, Arranging),
    responses((status = 200, description = "The placements", content(
        (Page<PlacementView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/placements")]
async fn list_site_placements(
    request: HttpRequest,
    caller: Caller<perm::ReadUnits>,
    id: Path<SiteId>,
    since: Query<ChangedSince>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| placement::at_site(tx, *id).await).await?;
    whole(&request, &caller, &rates, since.of(rows), PlacementView::from)
}

/// List placements
///
/// Of all units within one's reach, in the order in which they were noted down; a customer sees its own. As a table
/// (`Accept`), all of them.
#[utoipa::path(tag = "units", params(AskOf, Lasting, Sorting, Paging),
    responses((status = 200, description = "A page of placements", content(
        (Page<PlacementView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/placements")]
async fn list_placements_of_units(
    request: HttpRequest,
    caller: Caller<perm::ReadUnits>,
    (of, asked): (Query<AskOf>, Query<Lasting>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (during, after) = (asked.parse(&of)?, paging.sorted(&sorting, "created")?);
    let read = async move |tx: &Tx<'_>, after: &After| placement::everywhere(tx, &during, after).await;
    let key = |after: &After, row: &Stored<PlacementId, Placement>| after.place(row, "", row.id.0);
    listed(&request, &caller, (&db, &rates), after, read, (key, PlacementView::from)).await
}

impl Tabled for PlacementView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("unit_id", Kind::Text),
        ("site_id", Kind::Text),
        ("customer_id", Kind::Text),
        ("from", Kind::Instant),
        ("to", Kind::Instant),
        ("terms", Kind::Text),
        ("at_start", Kind::Text),
        ("at_end", Kind::Text),
        ("revision", Kind::Whole),
    ];
}

/// End a placement
///
/// Once, when the unit has gone, with what was read then.
#[utoipa::path(tag = "units", request_body = PlacementEnd,
    params(("id" = Uuid, Path, description = "The unit's id"), ("placement_id" = Uuid, Path, description = "The placement's id"),
        ("If-Match" = String, Header, description = "Revision of the placement at your last read")),
    responses((status = 200, description = "The placement as it is now", body = PlacementView), Problems))]
#[post("/units/{id}/placements/{placement_id}/end")]
async fn end_placement(
    caller: Caller<perm::WriteUnits>,
    ids: Path<(UnitId, PlacementId)>,
    at: IfMatch,
    input: Body<PlacementEnd>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let mut faults = Faults::default();
    let at_end = faults.take_or("/at_end", input.0.at_end.parse(), Handover::default());
    let at_end = faults.or(at_end)?;
    let to = input.0.to;
    let stored =
        db.write(caller.scope(), caller.now(), async |tx| placement::end(tx, *ids, at.0, to, &at_end).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &PlacementView::from(stored)))
}
