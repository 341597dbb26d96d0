//! Visits in the database, each with what stands against it.

use super::{Filter, Kept, Keys, Record, Row, create as keep, day_key, event, get, site_of, update_at};
use crate::db::error::{known, named, unknown};
use crate::db::page::After;
use crate::db::range::{self, Range};
use crate::db::schema::{membership, placement, routine, service_event, site, spell};
use crate::db::stock::reservation::{self, StoredKept};
use crate::db::{DbError, Revision, Tx, unit, unit_model};
use chrono::{DateTime, Duration, Utc};
use chrono_tz::Tz;
use diesel::dsl::exists;
use diesel::prelude::*;
use diesel::sql_types::{Array, Timestamptz, Uuid as SqlUuid};
use diesel::{select, sql_query};
use diesel_async::RunQueryDsl;
use domain::fault::{Fault, Faults};
use domain::ids::{AccountId, ItemId, PlaceId, UnitId, VisitId};
use domain::service::visit::{Around, Conflict, Visit, VisitState, When, conflicts};
use domain::span::Span;
use domain::spell::{Spell, SpellState};
use domain::stock::kit::{KitLine, Reservation, of_tasks};
use domain::stock::movement::Event;
use std::collections::{BTreeSet, HashMap};
use uuid::Uuid;

impl Record for Visit {
    const TABLE: &'static str = "visit";
}

/// A visit with what stands against it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Planned {
    /// The visit.
    pub(crate) kept: Kept<Visit>,
    /// The zone of its site.
    pub(crate) zone: Tz,
    /// What stands against it.
    pub(crate) conflicts: Vec<Conflict>,
    /// Goods kept for it, or that were.
    pub(crate) goods: Vec<StoredKept>,
}

/// Where the goods of a visit's recurring work are kept for it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Keeping {
    /// At this place.
    pub(crate) place_id: PlaceId,
    /// The van that takes them along.
    pub(crate) van_id: Option<PlaceId>,
}

async fn keys(tx: &Tx<'_>, visit: &Visit) -> Result<Keys, DbError> {
    let site = site_of(tx, visit.site_id).await?;
    if let Some(id) = visit.unit_id {
        named("/unit_id", unit::get(tx, id).await)?;
    }
    known_technician(tx, visit.technician_id).await?;
    Ok(Keys {
        unit: visit.unit_id,
        site: Some(visit.site_id),
        customer: Some(site.customer_id),
        at: day_key(visit.when.day),
    })
}

async fn known_technician(tx: &Tx<'_>, account: Option<AccountId>) -> Result<(), DbError> {
    let Some(account) = account else { return Ok(()) };
    let person = membership::table.filter(
        membership::account_id.eq(account.0).and(membership::customer_id.is_null()).and(membership::ended_at.is_null()),
    );
    let is_one: bool = select(exists(person)).get_result(&mut tx.conn()).await?;
    if is_one { Ok(()) } else { Err(unknown("/technician_id").into()) }
}

/// The names of a visit's recurring work, which is its unit's.
async fn tasks(tx: &Tx<'_>, visit: &Visit) -> Result<Vec<String>, DbError> {
    let ids: Vec<Uuid> = visit.routine_ids.iter().map(|id| id.0).collect();
    let unit = visit.unit_id.map(|unit| unit.0).unwrap_or_default();
    let rows: Vec<(Uuid, String)> = routine::table
        .filter(routine::id.eq_any(&ids).and(routine::unit_id.eq(unit)).and(routine::ended_at.is_null()))
        .select((routine::id, routine::name))
        .load(&mut tx.conn())
        .await?;
    let mut faults = Faults::default();
    for (n, id) in ids.iter().enumerate() {
        if !rows.iter().any(|(found, _)| found == id) {
            faults.take::<()>("", Err(unknown(format!("/routine_ids/{n}"))));
        }
    }
    faults.or(())?;
    Ok(rows.into_iter().map(|(_, name)| name).collect())
}

/// Plans a visit, and keeps the goods of its recurring work where that is asked for.
///
/// # Errors
/// [`DbError::Invalid`] for a site, unit, technician, work or place outside the scope, or when the
/// work takes nothing along.
pub(crate) async fn create(tx: &Tx<'_>, new: &Visit, keeping: Option<Keeping>) -> Result<Planned, DbError> {
    let (keys, tasks) = (keys(tx, new).await?, tasks(tx, new).await?);
    let kept = keep(tx, keys, new).await?;
    if let Some(keeping) = keeping {
        keep_goods(tx, &kept, &tasks, keeping).await?;
    }
    one(tx, kept).await
}

async fn keep_goods(tx: &Tx<'_>, visit: &Kept<Visit>, tasks: &[String], keeping: Keeping) -> Result<(), DbError> {
    let value = &visit.stored.value;
    let model = match value.unit_id {
        Some(id) => unit::get(tx, id).await?.unit.value.model_id,
        None => None,
    };
    let kits = match model {
        Some(id) => unit_model::get(tx, id).await?.value.template.kits,
        None => Vec::new(),
    };
    let lines = of_tasks(&kits, &tasks.iter().map(String::as_str).collect::<Vec<_>>());
    if lines.is_empty() {
        let fix =
            "the unit's model names no item of the stock for this work; leave it out, or keep goods by themselves";
        return Err(Faults::one("/reserve_at", "nothing_to_keep", fix).into());
    }
    let reservation = Reservation {
        visit_id: Some(VisitId(visit.stored.id)),
        place_id: keeping.place_id,
        planned_on: value.when.day,
        lines,
    };
    let (unit_id, van_id) = (value.unit_id, keeping.van_id);
    let new = reservation::Kept { reservation, kit_id: None, unit_id, van_id, used: None };
    reservation::create(tx, &new).await.map(drop).map_err(at_the_place)
}

/// The place of a reservation is the visit's `reserve_at`.
fn at_the_place(error: DbError) -> DbError {
    let DbError::Invalid(found) = error else { return error };
    let moved = found.0.into_iter().map(|fault| match fault.pointer.as_str() {
        "/place_id" => Fault { pointer: "/reserve_at".to_owned(), ..fault },
        _ => fault,
    });
    Faults(moved.collect()).into()
}

/// One visit.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn find(tx: &Tx<'_>, id: VisitId) -> Result<Planned, DbError> {
    one(tx, get(tx, id.0).await?).await
}

/// Visits in order of their days, one more than the page holds.
///
/// # Errors
/// [`DbError::Invalid`] for a cursor of another list.
pub(crate) async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<Planned>, DbError> {
    planned(tx, super::list(tx, filter, after).await?).await
}

/// What may become of a visit that is planned.
#[derive(Debug, Clone)]
pub(crate) enum Becomes {
    /// It is moved, or given to somebody else.
    Moved(When, Option<AccountId>, String),
    /// It was made, as that service event says.
    Done(Option<Uuid>),
    /// It is called off.
    CalledOff,
}

/// Changes a planned visit that is still at revision `at`. What is kept for it moves with it; when
/// it was made or called off, what was not used is free again.
///
/// # Errors
/// [`DbError::Refused`] for one that was made or called off, [`DbError::Invalid`] for a technician
/// or service event outside the scope, [`DbError::Stale`] at another revision,
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn change(tx: &Tx<'_>, id: VisitId, at: Revision, becomes: &Becomes) -> Result<Planned, DbError> {
    let old = get::<Visit>(tx, id.0).await?;
    if old.stored.revision != at {
        return Err(DbError::Stale { current: old.stored.revision });
    }
    if old.stored.value.state != VisitState::Planned {
        let detail =
            format!("The visit is {} already; plan another.", old.stored.value.state.as_str().replace('_', " "));
        return Err(DbError::refused("not_planned", detail));
    }
    let visit = old.stored.value;
    let new = match becomes {
        Becomes::Moved(when, technician, reason) => visit.moved(*when, *technician, reason, tx.now())?,
        Becomes::Done(event) => {
            made_at_its_unit(tx, &visit, *event).await?;
            Visit { state: VisitState::Done, event_id: *event, ..visit }
        }
        Becomes::CalledOff => Visit { state: VisitState::CalledOff, ..visit },
    };
    for goods in reservation::of_visits(tx, &[id.0]).await?.iter().filter(|goods| goods.ended_at.is_none()) {
        match becomes {
            Becomes::Moved(when, ..) => reservation::replan(tx, goods, when.day).await?,
            Becomes::Done(event) => reservation::end(tx, goods, &used(tx, *event, goods).await?).await?,
            Becomes::CalledOff => reservation::end(tx, goods, &[]).await?,
        };
    }
    one(tx, update_at(tx, id.0, at, keys(tx, &new).await?, &new).await?).await
}

async fn made_at_its_unit(tx: &Tx<'_>, visit: &Visit, event: Option<Uuid>) -> Result<(), DbError> {
    let Some(event) = event else { return Ok(()) };
    let found: Option<Uuid> = service_event::table
        .filter(service_event::id.eq(event))
        .select(service_event::unit_id)
        .first(&mut tx.conn())
        .await
        .optional()?;
    let unit = found.ok_or_else(|| unknown("/event_id"))?;
    if visit.unit_id.is_some_and(|own| own.0 != unit) {
        return Err(Faults::one("/event_id", "other_unit", "the service event is of another unit").into());
    }
    Ok(())
}

/// What an event took of goods that were kept, from where they were.
async fn used(tx: &Tx<'_>, id: Option<Uuid>, goods: &StoredKept) -> Result<Vec<KitLine>, DbError> {
    let Some(id) = id else { return Ok(Vec::new()) };
    let event = event::get(tx, id).await?.value;
    let places = [Some(goods.value.reservation.place_id), goods.value.van_id];
    let taken: Vec<KitLine> = event
        .issues()
        .filter(|(_, one)| match one.event {
            Event::Issued { from_place_id, .. } => places.contains(&Some(from_place_id)),
            _ => false,
        })
        .map(|(_, one)| KitLine { item_id: one.item_id, quantity: one.quantity })
        .collect();
    Ok(goods.value.reservation.used_of(&taken))
}

/// The items that are kept for visits, or were.
pub(crate) fn items_of(visits: &[Planned]) -> BTreeSet<ItemId> {
    let lines = visits.iter().flat_map(|visit| &visit.goods).flat_map(|goods| &goods.value.reservation.lines);
    lines.map(|line| line.item_id).collect()
}

async fn one(tx: &Tx<'_>, kept: Kept<Visit>) -> Result<Planned, DbError> {
    planned(tx, vec![kept]).await?.pop().ok_or(DbError::NotFound)
}

/// Days around a visit in which another can meet it: the widest two clocks can be apart.
const DAYS_AROUND: i64 = 2;

/// Planned visits of some technicians about some days.
const OTHERS: &str = "
select distinct on (v.at, v.id) v.*
  from unnest($1::uuid[], $2::timestamptz[], $3::timestamptz[]) as asked (technician_id, from_at, to_at)
  join visit v on v.technician_id = asked.technician_id and v.at between asked.from_at and asked.to_at
 where v.state = 'planned'
 order by v.at, v.id";

/// The planned visits that may meet some others: those of the same technicians about the same days.
async fn others(tx: &Tx<'_>, rows: &[Kept<Visit>]) -> Result<Vec<Kept<Visit>>, DbError> {
    let asked = rows.iter().filter(|row| row.stored.value.state == VisitState::Planned);
    let asked: BTreeSet<(AccountId, DateTime<Utc>)> =
        asked.filter_map(|row| Some((row.stored.value.technician_id?, row.keys.at))).collect();
    if asked.is_empty() {
        return Ok(Vec::new());
    }
    let days = |off: i64| asked.iter().map(|(_, day)| *day + Duration::days(off)).collect::<Vec<_>>();
    let found: Vec<Row> = sql_query(OTHERS)
        .bind::<Array<SqlUuid>, _>(asked.iter().map(|(technician, _)| technician.0).collect::<Vec<_>>())
        .bind::<Array<Timestamptz>, _>(days(-DAYS_AROUND))
        .bind::<Array<Timestamptz>, _>(days(DAYS_AROUND))
        .load(&mut tx.conn())
        .await?;
    found.into_iter().map(super::kept).collect()
}

/// Visits with what stands against each, and what is kept for it.
async fn planned(tx: &Tx<'_>, rows: Vec<Kept<Visit>>) -> Result<Vec<Planned>, DbError> {
    let days = || rows.iter().map(|row| row.keys.at);
    let Some((first, last)) = days().min().zip(days().max()) else { return Ok(Vec::new()) };
    let others = others(tx, &rows).await?;
    let zones = zones(tx, rows.iter().chain(&others)).await?;
    let units: Vec<Uuid> = rows.iter().filter_map(|row| Some(row.keys.unit?.0)).collect();
    let around = Duration::days(DAYS_AROUND);
    let around = range::of_span(Span::parse(first - around, Some(last + around))?);
    let (spells, stays) = (spells(tx, &units, around).await?, stays(tx, &units, around).await?);
    let ids: Vec<Uuid> = rows.iter().map(|row| row.stored.id).collect();
    let goods = reservation::of_visits(tx, &ids).await?;
    let zone = |visit: &Visit| zones.get(&visit.site_id.0).copied().unwrap_or(Tz::UTC);
    let visits: Vec<(VisitId, &Visit, Tz)> =
        others.iter().map(|kept| (VisitId(kept.stored.id), &kept.stored.value, zone(&kept.stored.value))).collect();
    let planned = |kept: Kept<Visit>| {
        let (id, visit) = (VisitId(kept.stored.id), &kept.stored.value);
        let stays: Vec<Span> = stays
            .iter()
            .filter(|stay| visit.unit_id == Some(stay.0) && stay.1 == visit.site_id.0)
            .map(|stay| stay.2)
            .collect();
        let none = Vec::new();
        let spells = visit.unit_id.and_then(|unit| spells.get(&unit)).unwrap_or(&none);
        let around = Around { visits: &visits, spells, stays: &stays };
        let found = conflicts(id, visit, zone(visit), around);
        let its = goods.iter().filter(|goods| goods.value.reservation.visit_id == Some(id));
        Planned { zone: zone(visit), conflicts: found, goods: its.cloned().collect(), kept }
    };
    Ok(rows.into_iter().map(planned).collect())
}

/// The zones of the sites that visits are at.
async fn zones(tx: &Tx<'_>, of: impl Iterator<Item = &Kept<Visit>>) -> Result<HashMap<Uuid, Tz>, DbError> {
    let sites: BTreeSet<Uuid> = of.map(|kept| kept.stored.value.site_id.0).collect();
    let rows: Vec<(Uuid, String)> =
        site::table.filter(site::id.eq_any(sites)).select((site::id, site::time_zone)).load(&mut tx.conn()).await?;
    rows.into_iter().map(|(id, zone)| Ok((id, known("time_zone", zone.parse().ok())?))).collect()
}

async fn spells(tx: &Tx<'_>, units: &[Uuid], around: Range) -> Result<HashMap<UnitId, Vec<Spell>>, DbError> {
    let rows: Vec<(Uuid, String, Option<String>, Range)> = spell::table
        .filter(spell::unit_id.eq_any(units).and(spell::valid.overlaps_with(around)))
        .select((spell::unit_id, spell::state, spell::reason, spell::valid))
        .load(&mut tx.conn())
        .await?;
    let mut found: HashMap<UnitId, Vec<Spell>> = HashMap::new();
    for (unit, state, reason, valid) in rows {
        let state = known("state", SpellState::from_name(&state))?;
        found.entry(UnitId(unit)).or_default().push(Spell { state, reason, span: range::to_span(valid)? });
    }
    Ok(found)
}

async fn stays(tx: &Tx<'_>, units: &[Uuid], around: Range) -> Result<Vec<(UnitId, Uuid, Span)>, DbError> {
    let rows: Vec<(Uuid, Uuid, Range)> = placement::table
        .filter(placement::unit_id.eq_any(units).and(placement::valid.overlaps_with(around)))
        .select((placement::unit_id, placement::site_id, placement::valid))
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(|(unit, site, valid)| Ok((UnitId(unit), site, range::to_span(valid)?))).collect()
}
