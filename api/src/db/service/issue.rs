//! What service events take from stock: a line of the ledger for each of their lines that names a
//! place, and one that gives it back when a correction says otherwise.

use crate::db::error::named;
use crate::db::schema::event_issue;
use crate::db::stock::{billing, item, ledger, movement, place};
use crate::db::{DbError, Tx};
use diesel::dsl::max;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::accounts::billed_item::BilledKind;
use domain::fault::Faults;
use domain::ids::{ItemId, MovementId};
use domain::service::event::{Line, LineKind, ServiceEvent};
use domain::stock::movement::{Event, Movement};
use std::collections::BTreeSet;
use uuid::Uuid;

/// Looks for the items and places that lines name: an item is given in its own unit.
///
/// # Errors
/// [`DbError::Invalid`] with every fault found.
pub(super) async fn known(tx: &Tx<'_>, lines: &[Line]) -> Result<(), DbError> {
    let mut faults = Faults::default();
    for (n, line) in lines.iter().enumerate() {
        match line_known(tx, line).await {
            Err(DbError::Invalid(found)) => faults.take::<()>(&format!("/lines/{n}"), Err(found)),
            found => Some(found?),
        };
    }
    Ok(faults.or(())?)
}

async fn line_known(tx: &Tx<'_>, line: &Line) -> Result<(), DbError> {
    let Some(id) = line.item_id else { return Ok(()) };
    let item = named("/item_id", item::get(tx, ItemId(id)).await)?.value.item;
    if item.unit.as_str() != line.unit.as_str() {
        let fix = format!("{} is kept in {}: give the quantity in that", item.name, item.unit.as_str());
        return Err(Faults::one("/unit", "wrong_unit", fix).into());
    }
    if let Some(place) = line.from_place_id {
        named("/from_place_id", place::get(tx, place).await)?;
    }
    Ok(())
}

/// Takes from stock what a revision of an event says, and gives back what the one before took.
///
/// # Errors
/// [`DbError::Invalid`] at the lines that the ledger does not admit, and nothing is written then.
pub(super) async fn take(
    tx: &Tx<'_>,
    (id, revision): (Uuid, i32),
    new: &ServiceEvent,
    before: Option<(&ServiceEvent, &str)>,
) -> Result<(), DbError> {
    let back: Vec<Movement> =
        before.iter().flat_map(|(old, _)| old.issues()).filter_map(|(_, one)| given_back(one)).collect();
    // All shelves in one order, as every writer locks them.
    let shelves: BTreeSet<_> =
        new.issues().map(|(_, one)| one).chain(back.iter().cloned()).flat_map(|one| ledger::shelves(&one)).collect();
    ledger::lock(tx, &shelves).await?;
    if let Some((_, why)) = before {
        withdraw_billed(tx, id, why).await?;
    }
    for one in &back {
        let posted = movement::post_as(tx, one, None, None).await?;
        note(tx, (id, revision), posted.movement.id).await?;
    }
    let mut faults = Faults::default();
    for (n, one) in new.issues() {
        let part = new.lines.get(n).is_some_and(|line| line.kind == LineKind::Part);
        let kind = if part { BilledKind::Part } else { BilledKind::Consumable };
        match movement::post_as(tx, &one, None, Some(kind)).await {
            Err(DbError::Invalid(found)) => {
                faults.take::<()>(&format!("/lines/{n}"), Err(found));
            }
            posted => note(tx, (id, revision), posted?.movement.id).await?,
        }
    }
    Ok(faults.or(())?)
}

/// What undoes an issue: it is as if it had never been, so it is of the same instant.
fn given_back(issue: Movement) -> Option<Movement> {
    let Event::Issued { from_place_id, unit_id, payer } = issue.event else { return None };
    let event = Event::Returned { unit_id, to_place_id: from_place_id, payer };
    Some(Movement { event, overdraw_reason: None, ..issue })
}

async fn note(tx: &Tx<'_>, (id, revision): (Uuid, i32), movement: MovementId) -> Result<(), DbError> {
    let values =
        (event_issue::event_id.eq(id), event_issue::revision.eq(revision), event_issue::movement_id.eq(movement.0));
    insert_into(event_issue::table).values(values).execute(&mut tx.conn()).await?;
    Ok(())
}

/// What was taken stands at the last revision that took something anew.
async fn withdraw_billed(tx: &Tx<'_>, id: Uuid, why: &str) -> Result<(), DbError> {
    let of_event = event_issue::table.filter(event_issue::event_id.eq(id));
    let last: Option<i32> = of_event.select(max(event_issue::revision)).first(&mut tx.conn()).await?;
    match last {
        Some(revision) => billing::withdraw(tx, id, revision, why).await,
        None => Ok(()),
    }
}
