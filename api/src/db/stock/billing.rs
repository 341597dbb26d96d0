//! Goods that customers are billed for: a billed item of the site, at the selling price of the day,
//! in the transaction that takes them from stock.

use super::{place, price};
use crate::db::measures::{self, billed_item};
use crate::db::placement;
use crate::db::schema::{event_issue, stock_movement};
use crate::db::{DbError, Tx, site};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::accounts::billed_item::{BilledItem, BilledKind};
use domain::ids::{NoteId, SiteId};
use domain::stock::item::Item;
use domain::stock::movement::{Event, Movement, Payer};
use domain::stock::place::PlaceKind;
use domain::zone::local_date;
use uuid::Uuid;

/// Where a customer is billed for a line of the ledger, and whether it gives goods back.
async fn billed_at(tx: &Tx<'_>, movement: &Movement) -> Result<Option<(SiteId, bool)>, DbError> {
    let (unit_id, back) = match movement.event {
        Event::Issued { unit_id, payer: Payer::Billed, .. } => (unit_id, false),
        Event::Returned { unit_id, payer: Payer::Billed, .. } => (unit_id, true),
        Event::Moved { to_place_id, payer: Some(Payer::Billed), .. } => {
            let PlaceKind::Site { site_id } = place::get(tx, to_place_id).await?.value.kind else { return Ok(None) };
            return Ok(Some((site_id, false)));
        }
        _ => return Ok(None),
    };
    Ok(placement::stay_at(tx, unit_id, movement.at).await?.map(|(site, _)| (site, back)))
}

/// Bills a line of the ledger; `None` where nobody is billed for it, or no selling price holds.
pub(super) async fn bill(
    tx: &Tx<'_>,
    movement: &Movement,
    item: &Item,
    kind: BilledKind,
) -> Result<Option<NoteId>, DbError> {
    let Some((site_id, back)) = billed_at(tx, movement).await? else { return Ok(None) };
    let day = local_date(site::get(tx, site_id).await?.value.time_zone, movement.at);
    let Some(price) = price::selling(tx, movement.item_id, day).await? else { return Ok(None) };
    let amount = movement.quantity.get();
    let billed = BilledItem {
        day,
        kind,
        what: item.name.clone(),
        quantity: if back { -amount } else { amount },
        unit: item.unit.as_str().to_owned(),
        price,
        covers: None,
        component_id: None,
    };
    Ok(Some(measures::create(tx, site_id, &billed.checked()?).await?.id))
}

/// Withdraws what was billed for the goods that a revision of a service event took.
pub(in crate::db) async fn withdraw(tx: &Tx<'_>, event: Uuid, revision: i32, why: &str) -> Result<(), DbError> {
    let of_event = event_issue::table.filter(event_issue::event_id.eq(event).and(event_issue::revision.eq(revision)));
    let movements = of_event.select(event_issue::movement_id);
    let issued = stock_movement::kind.eq("issued").and(stock_movement::id.eq_any(movements));
    let billed: Vec<Uuid> = stock_movement::table
        .filter(issued)
        .select(stock_movement::billed_item_id.assume_not_null())
        .filter(stock_movement::billed_item_id.is_not_null())
        .load(&mut tx.conn())
        .await?;
    for id in billed.into_iter().map(NoteId) {
        let Some(site) = billed_item::site(tx, id).await? else { continue };
        if measures::get::<BilledItem>(tx, site, id).await?.withdrawn.is_none() {
            measures::withdraw::<BilledItem>(tx, site, id, why).await?;
        }
    }
    Ok(())
}
