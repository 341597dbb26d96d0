//! `/v1/units/{id}/spells`, and `/v1/spells` of all units.

use super::answer::{self, Arranging, ChangedSince, Page, Paging, Problems, Sorting, SpanView};
use super::placements::{HandoverBody, Lasting};
use super::series::AskOf;
use super::table::{Kind, Tabled, listed, whole};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::{Db, DbError, Stored, Tx, read_then, spell};
use crate::extract::{Body, IdempotencyKey, IfMatch, instant, optional_instant};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::{SpellId, UnitId};
use domain::placement::Handover;
use domain::span::Span;
use domain::spell::{Spell, SpellState};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_spell).service(list_spells).service(list_spells_of_units).service(update_spell);
}

/// What is sent of a spell.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SpellInput {
    /// `planned`, `starting`, `running`, `bypassed`, `stopped`, `laid_up`, `workshop` or `out_of_use`.
    #[schema(example = "bypassed")]
    state: String,
    /// Why.
    #[serde(default)]
    #[schema(example = "Transfer pump out for repair", max_length = 500)]
    reason: Option<String>,
    /// From when; the spell that goes on until then ends there.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T07:00:00Z")]
    from: DateTime<Utc>,
    /// Until when, where that is known.
    #[serde(default, deserialize_with = "optional_instant")]
    #[schema(example = "2026-03-16T07:00:00Z")]
    to: Option<DateTime<Utc>>,
    /// Registers and levels read when it began. They become readings and levels, and are shown there.
    #[serde(default)]
    at_start: HandoverBody,
    /// The same when it ended.
    #[serde(default)]
    at_end: HandoverBody,
}

/// A spell with what was read at its ends.
struct SpellRead {
    spell: Spell,
    at_start: Handover,
    at_end: Handover,
}

impl SpellRead {
    async fn keep(&self, tx: &Tx<'_>, unit: UnitId) -> Result<(), DbError> {
        read_then::of_spell(tx, unit, self.spell.span, (&self.at_start, &self.at_end)).await
    }
}

impl SpellInput {
    pub(crate) fn parse(&self) -> Result<Spell, Faults> {
        let mut faults = Faults::default();
        let spell = Spell {
            state: faults.take_or("/state", SpellState::parse(&self.state), SpellState::Planned),
            reason: self.reason.clone(),
            span: faults.take_or("", Span::parse(self.from, self.to), Span::EVER),
        };
        faults.and(spell.checked())
    }

    /// The spell with what was read at its ends.
    fn read(&self) -> Result<SpellRead, Faults> {
        let mut faults = Faults::default();
        let at_start = faults.take_or("/at_start", self.at_start.parse(), Handover::default());
        let at_end = faults.take_or("/at_end", self.at_end.parse(), Handover::default());
        let spell = faults.and(self.parse())?;
        Ok(SpellRead { spell, at_start, at_end })
    }
}

impl From<&Spell> for SpellInput {
    fn from(value: &Spell) -> Self {
        let Spell { state, reason, span } = value;
        Self {
            state: state.as_str().to_owned(),
            reason: reason.clone(),
            from: span.from(),
            to: span.to(),
            at_start: HandoverBody::default(),
            at_end: HandoverBody::default(),
        }
    }
}

/// A spell: a dated state of a unit.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Spell)]
pub struct SpellView {
    id: Uuid,
    /// The state.
    #[schema(example = "bypassed")]
    state: &'static str,
    /// Why.
    #[schema(example = "Membrane on order")]
    reason: Option<String>,
    #[serde(flatten)]
    span: SpanView,
    /// How often it was written.
    #[schema(example = 1)]
    revision: i32,
}

impl From<Stored<SpellId, Spell>> for SpellView {
    fn from(stored: Stored<SpellId, Spell>) -> Self {
        let Spell { state, reason, span } = stored.value;
        Self { id: stored.id.0, state: state.as_str(), reason, span: span.into(), revision: stored.revision }
    }
}

/// A spell, and the unit that it is of.
#[derive(Debug, Serialize, ToSchema)]
pub struct SpellOfUnit {
    /// The unit.
    unit_id: Uuid,
    #[serde(flatten)]
    spell: SpellView,
}

/// Which spells.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct InState {
    /// Only those of this state: `planned`, `starting`, `running`, `bypassed`, `stopped`, `laid_up`, `workshop` or
    /// `out_of_use`.
    #[param(example = "bypassed")]
    state: Option<String>,
}

impl InState {
    fn parse(&self) -> Result<Option<SpellState>, Faults> {
        let mut faults = Faults::default();
        let state = self.state.as_deref().and_then(|name| faults.take("/state", SpellState::parse(name)));
        faults.or(state)
    }
}

/// Say in which state a unit is
///
/// A unit has one state at a time. The one that goes on until then ends where this begins;
/// it does not come back at this one's end.
#[utoipa::path(tag = "units", request_body = SpellInput,
    params(("id" = Uuid, Path, description = "The unit's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The spell", body = SpellView), Problems))]
#[post("/units/{id}/spells")]
async fn create_spell(
    caller: Caller<perm::WriteUnits>,
    id: Path<UnitId>,
    key: IdempotencyKey,
    input: Body<SpellInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.read()?;
    answer::create(&db, &caller, &key, &(*id, &input.0), async |tx| {
        let stored = spell::create(tx, *id, &new.spell).await?;
        new.keep(tx, *id).await?;
        Ok((stored.revision, SpellView::from(stored)))
    })
    .await
}

/// List a unit's spells
///
/// All of them on one page, oldest first; or as a table (`Accept`).
#[utoipa::path(tag = "units", params(("id" = Uuid, Path, description = "The unit's id"), ChangedSince, Arranging),
    responses((status = 200, description = "The spells", content(
        (Page<SpellView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/units/{id}/spells")]
async fn list_spells(
    request: HttpRequest,
    caller: Caller<perm::ReadUnits>,
    id: Path<UnitId>,
    since: Query<ChangedSince>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| spell::list(tx, *id).await).await?;
    whole(&request, &caller, &rates, since.of(rows), SpellView::from)
}

/// List spells
///
/// Of all units within one's reach, in the order in which they were noted down; those of a customer or site are of
/// units that stood there at some time of the spell. As a table (`Accept`), all of them.
#[utoipa::path(tag = "units", params(AskOf, InState, Lasting, Sorting, Paging),
    responses((status = 200, description = "A page of spells", content(
        (Page<SpellOfUnit> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/spells")]
async fn list_spells_of_units(
    request: HttpRequest,
    caller: Caller<perm::ReadUnits>,
    (of, states, asked): (Query<AskOf>, Query<InState>, Query<Lasting>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (during, state, after) = (asked.parse(&of)?, states.parse()?, paging.sorted(&sorting, "created")?);
    let read = async move |tx: &Tx<'_>, after: &After| spell::everywhere(tx, (&during, state), after).await;
    let key = |after: &After, (_, row): &(UnitId, Stored<SpellId, Spell>)| after.place(row, "", row.id.0);
    let view = |(unit, row): (UnitId, Stored<SpellId, Spell>)| SpellOfUnit { unit_id: unit.0, spell: row.into() };
    listed(&request, &caller, (&db, &rates), after, read, (key, view)).await
}

impl Tabled for SpellOfUnit {
    const FIRST: &'static [(&'static str, Kind)] = &[("unit_id", Kind::Text)];
    const COLUMNS: &'static [(&'static str, Kind)] = SpellView::COLUMNS;
}

impl Tabled for SpellView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("state", Kind::Text),
        ("reason", Kind::Text),
        ("from", Kind::Instant),
        ("to", Kind::Instant),
        ("revision", Kind::Whole),
    ];
}

/// Correct a spell
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one. For what was entered
/// wrongly; a state that begins is a new spell. The change log keeps what it was.
#[utoipa::path(tag = "units", request_body = SpellInput,
    params(("id" = Uuid, Path, description = "The unit's id"), ("spell_id" = Uuid, Path, description = "The spell's id"),
        ("If-Match" = String, Header, description = "The spell's revision, as an ETag")),
    responses((status = 200, description = "The spell as it is now", body = SpellView), Problems))]
#[patch("/units/{id}/spells/{spell_id}")]
async fn update_spell(
    caller: Caller<perm::WriteUnits>,
    path: Path<(UnitId, SpellId)>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (unit, id) = *path;
    let current = db.read(caller.scope(), caller.now(), async |tx| spell::get(tx, unit, id).await).await?;
    let new = answer::patched(&SpellInput::from(&current.value), &patch.0)?.read()?;
    let work = async |tx: &Tx<'_>| {
        let stored = spell::update_at(tx, unit, id, at.0, &new.spell).await?;
        new.keep(tx, unit).await?;
        Ok::<_, DbError>(stored)
    };
    let stored = db.write(caller.scope(), caller.now(), work).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &SpellView::from(stored)))
}
