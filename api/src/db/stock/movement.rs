//! Lines of the stock ledger in the database. A line is judged and written with the balances of
//! its shelves in one transaction, under their locks.

use super::{billing, item, ledger, lot, place, retired, supplier};
use crate::db::error::{known, named};
use crate::db::page::{After, Sort};
use crate::db::schema::stock_movement;
use crate::db::stamp::Change;
use crate::db::{DbError, Tx};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use diesel::insert_into;
use diesel::pg::Pg;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::accounts::billed_item::BilledKind;
use domain::ids::{AccountId, ItemId, LotId, MovementId, NoteId, PlaceId, SupplierId, UnitId};
use domain::stock::movement::{Buyer, DifferenceWhy, Event, Movement, Payer, WriteOffWhy};
use domain::stock::place::PlaceKind;
use domain::stock::quantity::{Quantity, StockUnit};
use rust_decimal::Decimal;
use serde_json::json;
use uuid::Uuid;

/// A line of the ledger with who wrote it down and when.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredMovement {
    /// The line.
    pub movement: Movement,
    /// The supplier's name, of goods received from one.
    pub supplier: Option<String>,
    /// Who wrote it down.
    pub recorded_by: Option<AccountId>,
    /// When.
    pub created_at: DateTime<Utc>,
}

#[derive(Queryable, Selectable, Insertable)]
#[diesel(table_name = stock_movement)]
pub(super) struct Row {
    id: Uuid,
    consumable_id: Uuid,
    from_place_id: Option<Uuid>,
    to_place_id: Option<Uuid>,
    unit_id: Option<Uuid>,
    kind: String,
    quantity: Decimal,
    at: DateTime<Utc>,
    recorded_by: Option<Uuid>,
    created_at: DateTime<Utc>,
    lot_id: Option<Uuid>,
    supplier_id: Option<Uuid>,
    buyer: Option<String>,
    payer: Option<String>,
    why: Option<String>,
    overdraw_reason: Option<String>,
    billed_item_id: Option<Uuid>,
}

/// The columns that tell what happened.
#[derive(Default)]
struct Columns {
    kind: &'static str,
    from: Option<PlaceId>,
    to: Option<PlaceId>,
    unit: Option<UnitId>,
    supplier: Option<SupplierId>,
    buyer: Option<Buyer>,
    payer: Option<Payer>,
    why: Option<&'static str>,
}

impl Columns {
    fn of(event: Event) -> Self {
        let of = |kind| Self { kind, ..Self::default() };
        match event {
            Event::Received { to_place_id, supplier_id, buyer } => {
                Self { to: Some(to_place_id), supplier: supplier_id, buyer: Some(buyer), ..of("received") }
            }
            Event::Moved { from_place_id, to_place_id, payer } => {
                Self { from: Some(from_place_id), to: Some(to_place_id), payer, ..of("moved") }
            }
            Event::Issued { from_place_id, unit_id, payer } => {
                Self { from: Some(from_place_id), unit: Some(unit_id), payer: Some(payer), ..of("issued") }
            }
            Event::Returned { unit_id, to_place_id, payer } => {
                Self { to: Some(to_place_id), unit: Some(unit_id), payer: Some(payer), ..of("returned") }
            }
            Event::Counted { place_id, why } => {
                Self { to: Some(place_id), why: why.map(DifferenceWhy::as_str), ..of("counted") }
            }
            Event::WrittenOff { from_place_id, why } => {
                Self { from: Some(from_place_id), why: Some(why.as_str()), ..of("written_off") }
            }
        }
    }
}

impl Row {
    fn of(tx: &Tx<'_>, movement: &Movement, billed: Option<NoteId>) -> Self {
        let columns = Columns::of(movement.event);
        Self {
            id: movement.id.0,
            consumable_id: movement.item_id.0,
            from_place_id: columns.from.map(|place| place.0),
            to_place_id: columns.to.map(|place| place.0),
            unit_id: columns.unit.map(|unit| unit.0),
            kind: columns.kind.to_owned(),
            quantity: movement.quantity.get(),
            at: movement.at,
            recorded_by: tx.scope().account().map(|account| account.0),
            created_at: tx.now(),
            lot_id: movement.lot_id.map(|lot| lot.0),
            supplier_id: columns.supplier.map(|supplier| supplier.0),
            buyer: columns.buyer.map(|buyer| buyer.as_str().to_owned()),
            payer: columns.payer.map(|payer| payer.as_str().to_owned()),
            why: columns.why.map(str::to_owned),
            overdraw_reason: movement.overdraw_reason.clone(),
            billed_item_id: billed.map(|billed| billed.0),
        }
    }

    fn event(&self) -> Option<Event> {
        let (from, to) = (self.from_place_id.map(PlaceId), self.to_place_id.map(PlaceId));
        let payer = || Payer::from_name(self.payer.as_deref()?);
        let why = self.why.as_deref();
        Some(match self.kind.as_str() {
            "received" => Event::Received {
                to_place_id: to?,
                supplier_id: self.supplier_id.map(SupplierId),
                buyer: Buyer::from_name(self.buyer.as_deref()?)?,
            },
            "moved" => Event::Moved { from_place_id: from?, to_place_id: to?, payer: payer() },
            "issued" => Event::Issued { from_place_id: from?, unit_id: UnitId(self.unit_id?), payer: payer()? },
            "returned" => Event::Returned { unit_id: UnitId(self.unit_id?), to_place_id: to?, payer: payer()? },
            "counted" => Event::Counted { place_id: to?, why: why.and_then(DifferenceWhy::from_name) },
            "written_off" => Event::WrittenOff { from_place_id: from?, why: WriteOffWhy::from_name(why?)? },
            _ => return None,
        })
    }

    /// The line, its item being counted in `unit`.
    pub(super) fn movement(self, unit: StockUnit) -> Result<Movement, DbError> {
        Ok(Movement {
            id: MovementId(self.id),
            item_id: ItemId(self.consumable_id),
            lot_id: self.lot_id.map(LotId),
            at: self.at,
            quantity: known("quantity", Quantity::parse(self.quantity).ok())?,
            unit,
            event: known("kind", self.event())?,
            overdraw_reason: self.overdraw_reason,
        })
    }

    /// Of which item it is.
    pub(super) fn item(&self) -> ItemId {
        ItemId(self.consumable_id)
    }
}

/// Writes a line down; its id and supplier id count for nothing.
///
/// # Errors
/// [`DbError::Invalid`] with every fault found, and nothing is written then.
pub async fn post(tx: &Tx<'_>, new: &Movement, from: Option<&str>) -> Result<StoredMovement, DbError> {
    post_as(tx, new, from, Some(BilledKind::Consumable)).await
}

/// The same; goods that a customer pays for are billed as a kind, or not at all.
pub(in crate::db) async fn post_as(
    tx: &Tx<'_>,
    new: &Movement,
    from: Option<&str>,
    billed: Option<BilledKind>,
) -> Result<StoredMovement, DbError> {
    let item = named("/item_id", item::get(tx, new.item_id).await)?;
    if item.ended_at.is_some() {
        return Err(retired("/item_id").into());
    }
    let (zone, warehouses) = places(tx, new.event).await?;
    let lot = match new.lot_id {
        Some(id) => Some(named("/lot_id", lot::get(tx, id).await)?.lot),
        None => None,
    };
    let mut movement = new.clone().checked(&item.value.item, lot.as_ref(), zone, tx.now())?;
    if let (Event::Received { supplier_id, .. }, Some(name)) = (&mut movement.event, from) {
        *supplier_id = Some(supplier::named(tx, name).await?);
    }
    ledger::lock(tx, &ledger::shelves(&movement)).await?;
    // Made under the locks, so that lines of a shelf come in the order of their ids.
    movement.id = MovementId(tx.new_id());
    let postings = ledger::judged(tx, &movement).await?;
    let billed = match billed {
        Some(kind) => billing::bill(tx, &movement, &item.value.item, kind).await?,
        None => None,
    };
    let row = Row::of(tx, &movement, billed);
    insert_into(stock_movement::table).values(&row).execute(&mut tx.conn()).await?;
    ledger::write(tx, &postings, &used_at(movement.event, warehouses)).await?;
    log(tx, &movement).await?;
    let recorded_by = tx.scope().account();
    Ok(StoredMovement { movement, supplier: from.map(str::to_owned), recorded_by, created_at: tx.now() })
}

/// Looks for the places of a line: the zone of the first one, which tells its day, and those that are
/// warehouses.
async fn places(tx: &Tx<'_>, event: Event) -> Result<(Tz, Vec<PlaceId>), DbError> {
    let columns = Columns::of(event);
    let to = if matches!(event, Event::Counted { .. }) { "/place_id" } else { "/to_place_id" };
    let (mut zone, mut warehouses) = (None, Vec::new());
    for (pointer, id) in [("/from_place_id", columns.from), (to, columns.to)] {
        let Some(id) = id else { continue };
        let place = named(pointer, place::get_held(tx, id).await)?;
        if place.ended_at.is_some() {
            return Err(retired(pointer).into());
        }
        zone = zone.or(Some(place.value.time_zone));
        if place.value.kind == PlaceKind::Warehouse {
            warehouses.push(id);
        }
    }
    Ok((zone.unwrap_or(Tz::UTC), warehouses))
}

/// The places whose use a line is: out of a warehouse goes what is moved on, less what comes back.
fn used_at(event: Event, warehouses: Vec<PlaceId>) -> Vec<PlaceId> {
    match event {
        Event::Issued { from_place_id: at, .. }
        | Event::Returned { to_place_id: at, .. }
        | Event::Counted { place_id: at, why: Some(DifferenceWhy::Used) } => vec![at],
        Event::Moved { .. } => warehouses,
        Event::Received { .. } | Event::Counted { .. } | Event::WrittenOff { .. } => Vec::new(),
    }
}

async fn log(tx: &Tx<'_>, movement: &Movement) -> Result<(), DbError> {
    let detail = json!({ "item_id": movement.item_id, "quantity": movement.quantity, "kind": Columns::of(movement.event).kind,
        "at": movement.at });
    let (record, record_id, verb) = ("stock_movement", movement.id.to_string(), "created");
    tx.log(Change { record, record_id, revision: None, verb, customer: None, detail }).await
}

/// Which lines.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// That came to a place, left it, or counted it.
    pub place: Option<PlaceId>,
    /// Of an item.
    pub item: Option<ItemId>,
    /// Of a unit.
    pub unit: Option<UnitId>,
    /// Of this kind.
    pub kind: Option<String>,
    /// That happened at this instant or later.
    pub from: Option<DateTime<Utc>>,
    /// That happened before this instant.
    pub to: Option<DateTime<Utc>>,
}

/// Lines in the order in which they were written down or as the page is sorted, one more than it holds, and of these
/// those alone that were written since an instant.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<StoredMovement>, DbError> {
    let (at, id) = (after.at(), after.key().1);
    let mut query = stock_movement::table.select(Row::as_select()).into_boxed::<Pg>().limit(after.ask());
    query = match after.sort() {
        Sort::Own => query.filter(stock_movement::id.gt(id)).order(stock_movement::id),
        // A line is never changed. The first condition is what an index can go by.
        Sort::Created | Sort::Changed => query
            .filter(stock_movement::created_at.ge(at))
            .filter(stock_movement::created_at.gt(at).or(stock_movement::id.gt(id)))
            .order((stock_movement::created_at, stock_movement::id)),
    };
    if let Some(place) = filter.place {
        query = query.filter(
            stock_movement::from_place_id.eq(place.0).or(stock_movement::to_place_id.eq(place.0)).assume_not_null(),
        );
    }
    if let Some(item) = filter.item {
        query = query.filter(stock_movement::consumable_id.eq(item.0));
    }
    if let Some(unit) = filter.unit {
        query = query.filter(stock_movement::unit_id.eq(unit.0));
    }
    if let Some(kind) = &filter.kind {
        query = query.filter(stock_movement::kind.eq(kind));
    }
    if let Some(from) = filter.from {
        query = query.filter(stock_movement::at.ge(from));
    }
    if let Some(to) = filter.to {
        query = query.filter(stock_movement::at.lt(to));
    }
    if let Some(since) = after.changed_since() {
        query = query.filter(stock_movement::created_at.ge(since));
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    let (items, suppliers) = (item::all(tx).await?, supplier::names(tx).await?);
    let stored = rows.into_iter().map(|row| {
        let unit = known("consumable_id", items.get(&row.item()))?.item.unit;
        let supplier = row.supplier_id.and_then(|id| suppliers.get(&SupplierId(id)).cloned());
        let (recorded_by, created_at) = (row.recorded_by.map(AccountId), row.created_at);
        Ok(StoredMovement { movement: row.movement(unit)?, supplier, recorded_by, created_at })
    });
    stored.collect()
}
