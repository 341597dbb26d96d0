//! Goods on order in the database.

use super::{item, movement, place, retired, supplier};
use crate::db::error::{known, named};
use crate::db::page::{After, Sort, day_of};
use crate::db::schema::stock_order;
use crate::db::stamp::one_changed;
use crate::db::{DbError, Revision, Stored, Tx, dealer};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_types::{BigInt, Bool, Date, Integer, Jsonb, Nullable, Numeric, Text, Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, sql_query, update};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{ItemId, LotId, MovementId, PlaceId, SupplierId};
use domain::stock::movement::{Buyer, Event, Movement};
use domain::stock::placed::{PlacedOrder, Receipt};
use domain::stock::quantity::Quantity;
use rust_decimal::Decimal;
use serde_json::{Value, json};
use uuid::Uuid;

/// An order with the names of what it is about.
#[derive(Debug, Clone, PartialEq)]
pub struct Named {
    /// The order.
    pub order: PlacedOrder,
    /// What the supplier is called.
    pub supplier: String,
    /// What the item is called.
    pub item: String,
    /// What it is counted in.
    pub unit: String,
    /// Whether it is kept by lot.
    pub by_lot: bool,
    /// What the place is called.
    pub place: String,
}

/// An order with its stamps; ended once no more of it is to come.
pub type StoredOrder = Stored<Uuid, Named>;

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    supplier_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    consumable_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    place_id: Uuid,
    #[diesel(sql_type = Numeric)]
    quantity: Decimal,
    #[diesel(sql_type = Date)]
    ordered_on: NaiveDate,
    #[diesel(sql_type = Date)]
    expected_on: NaiveDate,
    #[diesel(sql_type = Jsonb)]
    receipts: Value,
    #[diesel(sql_type = Integer)]
    revision: Revision,
    #[diesel(sql_type = Timestamptz)]
    created_at: DateTime<Utc>,
    #[diesel(sql_type = Timestamptz)]
    changed_at: DateTime<Utc>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    ended_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Text)]
    supplier: String,
    #[diesel(sql_type = Text)]
    item: String,
    #[diesel(sql_type = Text)]
    unit: String,
    #[diesel(sql_type = Bool)]
    by_lot: bool,
    #[diesel(sql_type = Text)]
    place: String,
}

const ORDERS: &str = "
select o.*, s.name as supplier, c.name as item, c.unit, c.by_lot, p.name as place
  from stock_order o
  join supplier s on s.dealer_id = o.dealer_id and s.id = o.supplier_id
  join consumable c on c.dealer_id = o.dealer_id and c.id = o.consumable_id
  join place p on p.dealer_id = o.dealer_id and p.id = o.place_id";

impl TryFrom<Row> for StoredOrder {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let order = PlacedOrder {
            supplier_id: SupplierId(row.supplier_id),
            item_id: ItemId(row.consumable_id),
            place_id: PlaceId(row.place_id),
            quantity: known("quantity", Quantity::parse(row.quantity).ok())?,
            ordered_on: row.ordered_on,
            expected_on: row.expected_on,
            receipts: known("receipts", serde_json::from_value(row.receipts).ok())?,
        };
        let (supplier, item, unit, by_lot, place) = (row.supplier, row.item, row.unit, row.by_lot, row.place);
        Ok(Self {
            id: row.id,
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.ended_at,
            value: Named { order, supplier, item, unit, by_lot, place },
        })
    }
}

/// What is ordered.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// From whom; from the item's own supplier where nobody says otherwise.
    pub supplier: Option<&'a str>,
    /// Which item.
    pub item_id: ItemId,
    /// Where it is to come to.
    pub place_id: PlaceId,
    /// How much.
    pub quantity: Quantity,
    /// The day of the order: today where none is given.
    pub ordered_on: Option<NaiveDate>,
    /// The day on which it is expected: after the item's lead time where none is given.
    pub expected_on: Option<NaiveDate>,
}

/// Notes that an item was ordered.
///
/// # Errors
/// [`DbError::Invalid`] for an item or place that is not there or was retired, without a supplier or
/// a day to expect it, and every fault of the order.
pub async fn create(tx: &Tx<'_>, new: &Wanted<'_>) -> Result<StoredOrder, DbError> {
    let item = named("/item_id", item::get(tx, new.item_id).await)?;
    let place = named("/place_id", place::get_held(tx, new.place_id).await)?;
    for (pointer, ended) in [("/item_id", item.ended_at), ("/place_id", place.ended_at)] {
        if ended.is_some() {
            return Err(retired(pointer).into());
        }
    }
    let today = dealer::today(tx).await?;
    let ordered_on = new.ordered_on.unwrap_or(today);
    let after = |days: u16| ordered_on.checked_add_days(chrono::Days::new(u64::from(days)));
    let expected_on = new.expected_on.or_else(|| after(item.value.item.supply?.lead_time_d));
    let supplier = new.supplier.or(item.value.supplier.as_deref());
    let fix = "the item has no supplier of its own: name one, and the day on which the goods are expected";
    let Some((supplier, expected_on)) = supplier.zip(expected_on) else {
        let pointer = if supplier.is_none() { "/supplier" } else { "/expected_on" };
        return Err(Faults::one(pointer, "required", fix).into());
    };
    let order = PlacedOrder {
        supplier_id: SupplierId(Uuid::nil()),
        item_id: new.item_id,
        place_id: new.place_id,
        quantity: new.quantity,
        ordered_on,
        expected_on,
        receipts: Vec::new(),
    };
    let order = order.checked(today)?;
    let id = tx.new_id();
    insert_into(stock_order::table)
        .values((
            stock_order::id.eq(id),
            stock_order::supplier_id.eq(supplier::named(tx, supplier).await?.0),
            stock_order::consumable_id.eq(order.item_id.0),
            stock_order::place_id.eq(order.place_id.0),
            stock_order::quantity.eq(order.quantity.get()),
            stock_order::ordered_on.eq(order.ordered_on),
            stock_order::expected_on.eq(order.expected_on),
            stock_order::created_at.eq(tx.now()),
            stock_order::changed_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    logged(tx, get(tx, id).await?, "created").await
}

/// One order.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: Uuid) -> Result<StoredOrder, DbError> {
    let sql = format!("{ORDERS} where o.id = $1");
    let row: Row = sql_query(sql).bind::<SqlUuid, _>(id).get_result(&mut tx.conn()).await?;
    row.try_into()
}

/// Which orders.
#[derive(Debug, Clone, Copy, Default)]
pub struct Filter {
    /// To this place.
    pub place: Option<PlaceId>,
    /// Those of which no more is to come too.
    pub ended: bool,
}

/// The column by which a list is sorted, the parameter that says after what it goes on, and what that is: a day (`$3`) or
/// an instant (`$7`).
type GoesOn = (&'static str, &'static str, Option<NaiveDate>, Option<DateTime<Utc>>);

fn order(after: &After) -> Result<GoesOn, Faults> {
    let of_time = |key: &'static str| (key, "$7", None, Some(after.at()));
    Ok(match after.sort() {
        Sort::Own => {
            let day = after.key().0;
            let day = if day.is_empty() { NaiveDate::default() } else { day_of(day)? };
            ("o.expected_on", "$3", Some(day), None)
        }
        Sort::Created => of_time("o.created_at"),
        Sort::Changed => of_time("o.changed_at"),
    })
}

/// Orders by the day on which they are expected or as the page is sorted, one more than it holds.
///
/// # Errors
/// [`DbError::Invalid`] for a cursor of another list.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<StoredOrder>, DbError> {
    let (key, past, day, at) = order(after)?;
    let sql = format!(
        "{ORDERS} where ($1 or o.ended_at is null) and ($2 is null or o.place_id = $2)
            and ({key}, o.id) > ({past}, $4) and ($6 is null or o.changed_at >= $6)
          order by {key}, o.id limit $5"
    );
    let rows: Vec<Row> = sql_query(sql)
        .bind::<Bool, _>(filter.ended)
        .bind::<Nullable<SqlUuid>, _>(filter.place.map(|place| place.0))
        .bind::<Nullable<Date>, _>(day)
        .bind::<SqlUuid, _>(after.key().1)
        .bind::<BigInt, _>(after.ask())
        .bind::<Nullable<Timestamptz>, _>(after.changed_since())
        .bind::<Nullable<Timestamptz>, _>(at)
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// The sort text and id of an order in the cursors of such a list.
#[must_use]
pub fn cursor_of(after: &After, stored: &StoredOrder) -> (String, Uuid) {
    after.place(stored, &stored.value.order.expected_on.to_string(), stored.id)
}

/// All orders of which something is to come.
///
/// # Errors
/// When the database fails.
pub async fn open(tx: &Tx<'_>) -> Result<Vec<PlacedOrder>, DbError> {
    let rows: Vec<Row> = sql_query(format!("{ORDERS} where o.ended_at is null")).load(&mut tx.conn()).await?;
    rows.into_iter().map(|row| StoredOrder::try_from(row).map(|stored| stored.value.order)).collect()
}

/// Refuses to go on while something is on its way to a place, or of an item.
pub(super) async fn none_open(tx: &Tx<'_>, place: Option<PlaceId>, item: Option<ItemId>) -> Result<(), DbError> {
    let mut open = stock_order::table.filter(stock_order::ended_at.is_null()).select(stock_order::id).into_boxed();
    if let Some(place) = place {
        open = open.filter(stock_order::place_id.eq(place.0));
    }
    if let Some(item) = item {
        open = open.filter(stock_order::consumable_id.eq(item.0));
    }
    let found: Option<Uuid> = open.first(&mut tx.conn()).await.optional()?;
    match found {
        Some(_) => Err(DbError::refused("on_order", "Some is on order: receive it, or close the order, first.")),
        None => Ok(()),
    }
}

/// A part of an order that came.
#[derive(Debug, Clone, Copy)]
pub struct Came {
    /// When.
    pub at: DateTime<Utc>,
    /// How much.
    pub quantity: Quantity,
    /// The lot, of an item kept by lot.
    pub lot_id: Option<LotId>,
}

/// Notes that a part of an order at revision `at`, or the rest of it, came: it stands at the order's
/// place from then on.
///
/// # Errors
/// [`DbError::Refused`] when no more of it was to come, [`DbError::Invalid`] for what the ledger does
/// not admit, [`DbError::Stale`] at another revision, [`DbError::NotFound`] outside the scope.
pub async fn receive(tx: &Tx<'_>, id: Uuid, at: Revision, came: &Came) -> Result<StoredOrder, DbError> {
    let stored = open_one(tx, id, at).await?;
    let Named { mut order, supplier, .. } = stored.value;
    let item = item::get(tx, order.item_id).await?.value.item;
    let event =
        Event::Received { to_place_id: order.place_id, supplier_id: Some(order.supplier_id), buyer: Buyer::Dealer };
    let movement = Movement {
        id: MovementId(Uuid::nil()),
        item_id: order.item_id,
        lot_id: came.lot_id,
        at: came.at,
        quantity: came.quantity,
        unit: item.unit,
        event,
        overdraw_reason: None,
    };
    let posted = movement::post(tx, &movement, Some(&supplier)).await?.movement;
    order.receipts.push(Receipt { movement_id: posted.id, at: posted.at, quantity: posted.quantity });
    write(tx, (id, at), &order.receipts, order.outstanding().is_zero()).await
}

/// Notes that no more comes of an order at revision `at`.
///
/// # Errors
/// [`DbError::Refused`] when that was so already, [`DbError::Stale`] at another revision,
/// [`DbError::NotFound`] outside the scope.
pub async fn close(tx: &Tx<'_>, id: Uuid, at: Revision) -> Result<StoredOrder, DbError> {
    let stored = open_one(tx, id, at).await?;
    write(tx, (id, at), &stored.value.order.receipts, true).await
}

async fn open_one(tx: &Tx<'_>, id: Uuid, at: Revision) -> Result<StoredOrder, DbError> {
    let stored = get(tx, id).await?;
    if stored.revision != at {
        return Err(DbError::Stale { current: stored.revision });
    }
    if stored.ended_at.is_some() {
        return Err(DbError::refused(
            "nothing_to_come",
            "No more of this order was to come; note what came by itself.",
        ));
    }
    Ok(stored)
}

async fn write(
    tx: &Tx<'_>,
    (id, at): (Uuid, Revision),
    receipts: &[Receipt],
    ended: bool,
) -> Result<StoredOrder, DbError> {
    let same = stock_order::id.eq(id).and(stock_order::revision.eq(at));
    let changed = update(stock_order::table.filter(same))
        .set((
            stock_order::receipts.eq(json!(receipts)),
            stock_order::ended_at.eq(ended.then(|| tx.now())),
            stock_order::changed_at.eq(tx.now()),
            stock_order::revision.eq(at + 1),
        ))
        .execute(&mut tx.conn())
        .await?;
    one_changed((changed == 1).then_some(()), async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, get(tx, id).await?, if ended { "retired" } else { "updated" }).await
}

async fn logged(tx: &Tx<'_>, stored: StoredOrder, verb: &str) -> Result<StoredOrder, DbError> {
    let order = &stored.value.order;
    let detail = json!({ "item_id": order.item_id, "place_id": order.place_id, "quantity": order.quantity,
        "received": order.received(), "expected_on": order.expected_on });
    tx.logged(stored, ("stock_order", verb), None, detail).await
}
