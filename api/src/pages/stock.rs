//! `/stock`: what to order, what is on its way, what runs out, and what stands at a place.

use super::fault::Fault;
use super::html_for;
use super::visitor::Visitor;
use super::words::{day, quantity, run_out, use_finding};
use crate::auth::{Caller, Permission, perm};
use crate::db::page::{After, PAGE_MAX};
use crate::db::stock::balance::{self, Balance};
use crate::db::stock::forecast::{self, Foreseen};
use crate::db::stock::orders::{self, NamedLine, Order, Unsupplied};
use crate::db::stock::place::{self, StoredPlace};
use crate::db::stock::placed::{self, StoredOrder};
use crate::db::{Db, DbError, Tx, dealer};
use actix_web::http::StatusCode;
use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use askama::Template;
use chrono::NaiveDate;
use chrono_tz::Tz;
use domain::ids::PlaceId;
use domain::stock::order::OrderWhy;
use domain::stock::place::PlaceKind;
use domain::zone::local_date;
use rust_decimal::Decimal;
use serde::Deserialize;
use std::collections::{BTreeMap, HashMap};
use uuid::Uuid;

/// Rows that are shown of all places together.
const FIRST: i64 = 25;
/// Orders that are shown at once; the route gives all.
const ORDERS_MOST: usize = 40;

#[derive(Template)]
#[template(path = "stock.html")]
struct Page {
    title: String,
    lead: String,
    faults: Vec<String>,
    /// Whether the reader may order.
    may_order: bool,
    on_order: Vec<OnOrder>,
    orders: Vec<Lines>,
    more_orders: usize,
    unsupplied: Vec<String>,
    findings: Vec<String>,
    rows: Vec<Row>,
    /// The place that is shown; none for all of them.
    place: Option<Uuid>,
    /// Whether that is a van, which has a list of what it takes along.
    is_van: bool,
    places: Vec<Place>,
}

struct Place {
    id: Uuid,
    name: String,
}

struct Lines {
    title: String,
    lines: Vec<String>,
    place: Uuid,
    supplier: String,
    /// What is ordered of each item, in its own unit.
    items: Vec<(Uuid, Decimal)>,
}

/// Goods on their way.
struct OnOrder {
    id: Uuid,
    revision: i32,
    what: String,
    /// What came of it already; empty when nothing did.
    came: String,
    outstanding: Decimal,
    /// The same in words.
    left: String,
    by_lot: bool,
}

struct Row {
    item: String,
    place: String,
    lots: Vec<String>,
    there: String,
    lasts: String,
    order_by: String,
    counted: String,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    place: Option<Uuid>,
}

/// All that the page shows.
struct Shown {
    /// The dealer's.
    zone: Tz,
    today: NaiveDate,
    place: Option<StoredPlace>,
    places: Vec<StoredPlace>,
    foreseen: Vec<Foreseen>,
    balances: Vec<Balance>,
    orders: (Vec<Order>, Vec<Unsupplied>),
    open: Vec<StoredOrder>,
}

#[get("/stock")]
pub(super) async fn stock(
    visitor: Visitor<perm::ReadStock>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    page(&caller, &db, asked.place.map(PlaceId), StatusCode::OK, Vec::new()).await
}

/// The page of a place, or of all, with what is wrong with a form that was sent from it.
pub(super) async fn page<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    place: Option<PlaceId>,
    status: StatusCode,
    faults: Vec<String>,
) -> Result<HttpResponse, Fault> {
    let shown = db.read(caller.scope(), caller.now(), async |tx| read(tx, place).await).await?;
    let may_order = perm::WriteItems::ROLES.contains(&caller.role());
    Ok(html_for(caller, status, &Page { faults, may_order, ..Page::of(shown) })?)
}

async fn read(tx: &Tx<'_>, id: Option<PlaceId>) -> Result<Shown, DbError> {
    let place = match id {
        Some(id) => Some(place::get(tx, id).await?),
        None => None,
    };
    let zone = dealer::zone(tx).await?;
    let (first, all) = (After::first(FIRST), After::first(PAGE_MAX));
    let filter = balance::Filter { place: id, ..balance::Filter::default() };
    Ok(Shown {
        today: local_date(zone, tx.now()),
        zone,
        foreseen: forecast::list(tx, id, if id.is_some() { &all } else { &first }).await?,
        balances: if id.is_some() { balance::list(tx, &filter, &all).await? } else { Vec::new() },
        orders: orders::due(tx, id).await?,
        open: placed::list(tx, &placed::Filter { place: id, ended: false }, &all).await?,
        places: place::list(tx, false, &all).await?,
        place,
    })
}

impl Page {
    fn of(shown: Shown) -> Self {
        let Shown { zone, today, place, places, foreseen, balances, orders: (due, unsupplied), open } = shown;
        let lines: usize = due.iter().map(|order| order.lines.len()).sum();
        let runs_out = foreseen.iter().filter(|row| row.forecast.earliest.is_some_and(|day| day <= today)).count();
        let title = place.as_ref().map_or("Stock".to_owned(), |place| place.value.name.clone());
        let zones: HashMap<Uuid, Tz> = places.iter().map(|place| (place.id.0, place.value.time_zone)).collect();
        let zone_of = |row: &Foreseen| zones.get(&row.forecast.place_id).copied().unwrap_or(zone);
        let rows = match &place {
            None => foreseen.iter().map(|row| Row::foreseen(row, today)).collect(),
            Some(place) => of_place(&balances, &foreseen, today, place.value.time_zone),
        };
        Self {
            title,
            lead: lead(lines, runs_out),
            faults: Vec::new(),
            may_order: false,
            on_order: open.into_iter().map(|order| OnOrder::of(order, today)).collect(),
            more_orders: due.len().saturating_sub(ORDERS_MOST),
            orders: due.into_iter().take(ORDERS_MOST).map(|order| Lines::of(order, today)).collect(),
            unsupplied: unsupplied.iter().map(|due| format!("{}, for {}", due.item, due.place)).collect(),
            findings: foreseen.iter().filter_map(|row| use_finding(row, zone_of(row))).collect(),
            rows,
            is_van: place.as_ref().is_some_and(|place| place.value.kind == PlaceKind::Van),
            place: place.map(|place| place.id.0),
            places: places.into_iter().map(|place| Place { id: place.id.0, name: place.value.name }).collect(),
        }
    }
}

fn lead(lines: usize, runs_out: usize) -> String {
    let order = match lines {
        0 => "Nothing has to be ordered today.".to_owned(),
        1 => "One item has to be ordered today.".to_owned(),
        n => format!("{n} items have to be ordered today."),
    };
    match runs_out {
        0 => order,
        1 => format!("{order} One may have run out by now."),
        n => format!("{order} {n} of those below may have run out by now."),
    }
}

impl Lines {
    fn of(order: Order, today: NaiveDate) -> Self {
        let lines = order.lines.iter().map(|line| order_line(line, today)).collect();
        Self {
            title: format!("{}, to {}", order.supplier, order.place),
            lines,
            place: order.place_id.0,
            supplier: order.supplier,
            items: order.lines.iter().map(|named| (named.line.item_id.0, named.line.quantity.normalize())).collect(),
        }
    }
}

impl OnOrder {
    fn of(stored: StoredOrder, today: NaiveDate) -> Self {
        let named = stored.value;
        let order = &named.order;
        let late = if order.expected_on < today { ", late" } else { "" };
        let what = format!(
            "{} of {} from {}, to {}, expected on {}{late}",
            quantity(order.quantity.get(), &named.unit),
            named.item,
            named.supplier,
            named.place,
            day(order.expected_on)
        );
        let came = match order.received() {
            none if none.is_zero() => String::new(),
            some => format!("{} of it came.", quantity(some, &named.unit)),
        };
        let outstanding = order.outstanding().normalize();
        Self {
            id: stored.id,
            revision: stored.revision,
            what,
            came,
            outstanding,
            left: quantity(outstanding, &named.unit),
            by_lot: named.by_lot,
        }
    }
}

fn order_line(named: &NamedLine, today: NaiveDate) -> String {
    let line = &named.line;
    let packs = if line.packs == 1 { "1 pack".to_owned() } else { format!("{} packs", line.packs) };
    let why = match (line.why, line.order_by) {
        (OrderWhy::AtReorderPoint, _) => "down to its reorder point".to_owned(),
        (OrderWhy::RunsOut, Some(by)) if by < today => format!("should have been ordered by {}", day(by)),
        (OrderWhy::RunsOut, _) => "to be ordered today".to_owned(),
    };
    format!("{packs} of {} ({}): {why}.", named.item, quantity(line.quantity, &named.unit))
}

impl Row {
    fn foreseen(row: &Foreseen, today: NaiveDate) -> Self {
        Self {
            item: row.item.clone(),
            place: row.place.clone(),
            lots: Vec::new(),
            there: match row.forecast.nothing_says_how_much() {
                true => "not known".to_owned(),
                false => quantity(row.on_hand(), &row.unit),
            },
            lasts: lasts(row, today),
            order_by: row.forecast.order_by.map_or_else(String::new, day),
            counted: String::new(),
        }
    }
}

/// What was foreseen of another amount than stands there now says so.
fn lasts(row: &Foreseen, today: NaiveDate) -> String {
    let (foreseen, then) = (run_out(&row.forecast, today), row.forecast.on_hand);
    if row.on_hand() == then {
        return foreseen;
    }
    format!("{foreseen}, by the {} that the last night run found", quantity(then, &row.unit))
}

/// One row an item, its lots together; those to run out first come first.
fn of_place(balances: &[Balance], foreseen: &[Foreseen], today: NaiveDate, zone: Tz) -> Vec<Row> {
    let mut shelves: BTreeMap<Uuid, Vec<&Balance>> = BTreeMap::new();
    for balance in balances {
        shelves.entry(balance.item_id).or_default().push(balance);
    }
    let mut rows = Vec::new();
    for row in foreseen {
        // What was dipped, or is dosed, and never came through the ledger has no shelf.
        let shelves = shelves.remove(&row.forecast.consumable_id).unwrap_or_default();
        rows.push(Row { lots: lots(&shelves), counted: counted(&shelves, zone), ..Row::foreseen(row, today) });
    }
    for shelves in shelves.values() {
        let Some(first) = shelves.first() else { continue };
        rows.push(Row {
            item: first.item.clone(),
            place: String::new(),
            lots: lots(shelves),
            there: quantity(shelves.iter().map(|shelf| shelf.quantity).sum(), &first.unit),
            lasts: "not looked at yet".to_owned(),
            order_by: String::new(),
            counted: counted(shelves, zone),
        });
    }
    rows
}

fn lots(shelves: &[&Balance]) -> Vec<String> {
    let lot = |shelf: &&Balance| {
        let until = shelf.expires_on.map_or_else(String::new, |last| format!(", good until {}", day(last)));
        Some(format!("lot {}: {}{until}", shelf.lot.as_ref()?, quantity(shelf.quantity, &shelf.unit)))
    };
    shelves.iter().filter_map(lot).collect()
}

fn counted(shelves: &[&Balance], zone: Tz) -> String {
    let last = shelves.iter().filter_map(|shelf| shelf.counted_at).max();
    last.map_or("never".to_owned(), |at| day(local_date(zone, at)))
}
