//! Visits in the database, each with what stands against it.

use super::{Filter, Kept, Keys, Record, create as keep, day_key, get, site_of, unknown, update_at};
use crate::db::error::known;
use crate::db::page::After;
use crate::db::range::{self, Range};
use crate::db::schema::{membership, placement, service_event, site, spell};
use crate::db::{DbError, Revision, Tx, unit};
use chrono::Duration;
use chrono_tz::Tz;
use diesel::dsl::exists;
use diesel::prelude::*;
use diesel::select;
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{AccountId, UnitId, VisitId};
use domain::service::visit::{Around, Conflict, Visit, VisitState, When, conflicts};
use domain::span::Span;
use domain::spell::{Spell, SpellState};
use std::collections::HashMap;
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
}

async fn keys(tx: &Tx<'_>, visit: &Visit) -> Result<Keys, DbError> {
    let site = site_of(tx, visit.site_id).await?;
    if let Some(id) = visit.unit_id {
        match unit::get(tx, id).await {
            Err(DbError::NotFound) => return Err(unknown("/unit_id")),
            found => found?,
        };
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
    if is_one { Ok(()) } else { Err(unknown("/technician_id")) }
}

/// Plans a visit.
///
/// # Errors
/// [`DbError::Invalid`] for a site, unit or technician outside the scope.
pub(crate) async fn create(tx: &Tx<'_>, new: &Visit) -> Result<Planned, DbError> {
    one(tx, keep(tx, keys(tx, new).await?, new).await?).await
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

/// Changes a planned visit that is still at revision `at`.
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

async fn one(tx: &Tx<'_>, kept: Kept<Visit>) -> Result<Planned, DbError> {
    planned(tx, vec![kept]).await?.pop().ok_or(DbError::NotFound)
}

/// Days around visits in which others can meet them: the widest two clocks can be apart.
const DAYS_AROUND: i64 = 2;
/// Visits of other people looked at for that, at most.
const VISITS_AROUND: i64 = 5000;

/// Visits with what stands against each.
async fn planned(tx: &Tx<'_>, rows: Vec<Kept<Visit>>) -> Result<Vec<Planned>, DbError> {
    let days = || rows.iter().map(|row| row.keys.at);
    let Some((first, last)) = days().min().zip(days().max()) else { return Ok(Vec::new()) };
    let around = Filter {
        from: Some(first - Duration::days(DAYS_AROUND)),
        to: Some(last + Duration::days(DAYS_AROUND)),
        ..Filter::default()
    };
    let others = super::list::<Visit>(tx, &around, &After::first(VISITS_AROUND)).await?;
    let zones = zones(tx).await?;
    let units: Vec<Uuid> = rows.iter().filter_map(|row| Some(row.keys.unit?.0)).collect();
    let (spells, stays) = (spells(tx, &units).await?, stays(tx, &units).await?);
    let zone = |visit: &Visit| zones.get(&visit.site_id.0).copied().unwrap_or(Tz::UTC);
    let visits: Vec<(VisitId, &Visit, Tz)> =
        others.iter().map(|kept| (VisitId(kept.stored.id), &kept.stored.value, zone(&kept.stored.value))).collect();
    let planned = |kept: Kept<Visit>| {
        let visit = &kept.stored.value;
        let stays: Vec<Span> = stays
            .iter()
            .filter(|stay| visit.unit_id == Some(stay.0) && stay.1 == visit.site_id.0)
            .map(|stay| stay.2)
            .collect();
        let none = Vec::new();
        let spells = visit.unit_id.and_then(|unit| spells.get(&unit)).unwrap_or(&none);
        let around = Around { visits: &visits, spells, stays: &stays };
        let found = conflicts(VisitId(kept.stored.id), visit, zone(visit), around);
        Planned { zone: zone(visit), conflicts: found, kept }
    };
    Ok(rows.into_iter().map(planned).collect())
}

async fn zones(tx: &Tx<'_>) -> Result<HashMap<Uuid, Tz>, DbError> {
    let rows: Vec<(Uuid, String)> = site::table.select((site::id, site::time_zone)).load(&mut tx.conn()).await?;
    rows.into_iter().map(|(id, zone)| Ok((id, known("time_zone", zone.parse().ok())?))).collect()
}

async fn spells(tx: &Tx<'_>, units: &[Uuid]) -> Result<HashMap<UnitId, Vec<Spell>>, DbError> {
    let rows: Vec<(Uuid, String, Option<String>, Range)> = spell::table
        .filter(spell::unit_id.eq_any(units))
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

async fn stays(tx: &Tx<'_>, units: &[Uuid]) -> Result<Vec<(UnitId, Uuid, Span)>, DbError> {
    let rows: Vec<(Uuid, Uuid, Range)> = placement::table
        .filter(placement::unit_id.eq_any(units))
        .select((placement::unit_id, placement::site_id, placement::valid))
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(|(unit, site, valid)| Ok((UnitId(unit), site, range::to_span(valid)?))).collect()
}
