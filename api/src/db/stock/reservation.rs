//! Goods kept for planned visits in the database.

use super::{kit, movement, place};
use crate::db::error::{known, named, unknown};
use crate::db::page::{After, paged};
use crate::db::schema::stock_reservation;
use crate::db::series::Of;
use crate::db::stamp::one_changed;
use crate::db::{DbError, Revision, Stored, Tx, placement, unit};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{PlaceId, UnitId, VisitId};
use domain::stock::kit::{KitLine, Reservation};
use domain::stock::movement::Movement;
use domain::stock::place::PlaceKind;
use serde_json::{Value, json};
use uuid::Uuid;

/// What is kept, for whom, and what was used of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// What is kept where, and for when.
    pub reservation: Reservation,
    /// The kit it was made from.
    pub kit_id: Option<Uuid>,
    /// The unit it is meant for.
    pub unit_id: Option<UnitId>,
    /// The van that takes it along.
    pub van_id: Option<PlaceId>,
    /// What was used, once that is known.
    pub used: Option<Vec<KitLine>>,
}

/// A reservation with its stamps.
pub type StoredKept = Stored<Uuid, Kept>;

#[derive(Queryable, Selectable)]
#[diesel(table_name = stock_reservation)]
struct Row {
    id: Uuid,
    visit_id: Option<Uuid>,
    kit_id: Option<Uuid>,
    unit_id: Option<Uuid>,
    place_id: Uuid,
    van_id: Option<Uuid>,
    planned_on: NaiveDate,
    lines: Value,
    used: Option<Value>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

impl TryFrom<Row> for StoredKept {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let reservation = Reservation {
            visit_id: row.visit_id.map(VisitId),
            place_id: PlaceId(row.place_id),
            planned_on: row.planned_on,
            lines: known("lines", serde_json::from_value(row.lines).ok())?,
        };
        let value = Kept {
            reservation,
            kit_id: row.kit_id,
            unit_id: row.unit_id.map(UnitId),
            van_id: row.van_id.map(PlaceId),
            used: row.used.map(|used| known("used", serde_json::from_value(used).ok())).transpose()?,
        };
        Ok(Self {
            id: row.id,
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.ended_at,
            value,
        })
    }
}

/// Keeps goods for a visit: the lines given, or without any those of the kit.
///
/// # Errors
/// [`DbError::Invalid`] for what is not there, or a van that is none.
pub async fn create(tx: &Tx<'_>, new: &Kept) -> Result<StoredKept, DbError> {
    named("/place_id", place::get(tx, new.reservation.place_id).await)?;
    if let Some(van) = new.van_id
        && named("/van_id", place::get(tx, van).await)?.value.kind != PlaceKind::Van
    {
        return Err(Faults::one("/van_id", "no_van", "give a place that is a van, or leave it out").into());
    }
    if let Some(unit) = new.unit_id {
        named("/unit_id", unit::get(tx, unit).await)?;
    }
    let of_kit = match new.kit_id {
        Some(id) => named("/kit_id", kit::get(tx, id).await)?.value.lines,
        None => Vec::new(),
    };
    let lines = if new.reservation.lines.is_empty() { &of_kit } else { &new.reservation.lines };
    if lines.is_empty() {
        return Err(Faults::one("/lines", "required", "give a kit_id, or the lines to keep").into());
    }
    kit::known_items(tx, lines).await?;
    let row: Row = insert_into(stock_reservation::table)
        .values((
            stock_reservation::id.eq(tx.new_id()),
            stock_reservation::visit_id.eq(new.reservation.visit_id.map(|visit| visit.0)),
            stock_reservation::kit_id.eq(new.kit_id),
            stock_reservation::unit_id.eq(new.unit_id.map(|unit| unit.0)),
            stock_reservation::place_id.eq(new.reservation.place_id.0),
            stock_reservation::van_id.eq(new.van_id.map(|van| van.0)),
            stock_reservation::planned_on.eq(new.reservation.planned_on),
            stock_reservation::lines.eq(json!(lines)),
            stock_reservation::created_at.eq(tx.now()),
            stock_reservation::changed_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, row.try_into()?, "created").await
}

/// One reservation.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: Uuid) -> Result<StoredKept, DbError> {
    let found = stock_reservation::table.filter(stock_reservation::id.eq(id));
    let row: Row = found.select(Row::as_select()).first(&mut tx.conn()).await?;
    row.try_into()
}

/// Which reservations.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// For these units; for those that stand with this customer and at these sites now.
    pub of: Of,
    /// Kept at this place, or taken along by this van.
    pub place: Option<PlaceId>,
    /// For visits on this day or later.
    pub from: Option<NaiveDate>,
    /// For visits before this day.
    pub to: Option<NaiveDate>,
    /// Closed ones too.
    pub closed: bool,
}

/// Reservations in the order in which they were made or as the page is sorted, one more than it holds; closed
/// ones only when asked for.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<StoredKept>, DbError> {
    let among = filter.of.among(tx).await?;
    let mut query = paged!(stock_reservation::table.select(Row::as_select()), after, stock_reservation);
    if let Some(units) = &among.units {
        query = query.filter(stock_reservation::unit_id.assume_not_null().eq_any(units.clone()));
    }
    if let Some(units) = placement::standing(&among, tx.now()) {
        query = query.filter(stock_reservation::unit_id.assume_not_null().eq_any(units));
    }
    if let Some(place) = filter.place {
        let aboard = stock_reservation::van_id.eq(place.0).assume_not_null();
        query = query.filter(aboard.or(stock_reservation::place_id.eq(place.0)));
    }
    if let Some(from) = filter.from {
        query = query.filter(stock_reservation::planned_on.ge(from));
    }
    if let Some(to) = filter.to {
        query = query.filter(stock_reservation::planned_on.lt(to));
    }
    if !filter.closed {
        query = query.filter(stock_reservation::ended_at.is_null());
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// All open reservations.
///
/// # Errors
/// When the database fails.
pub async fn open(tx: &Tx<'_>) -> Result<Vec<Reservation>, DbError> {
    let rows: Vec<Row> = stock_reservation::table
        .filter(stock_reservation::ended_at.is_null())
        .select(Row::as_select())
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(|row| StoredKept::try_from(row).map(|kept| kept.value.reservation)).collect()
}

/// The open reservations that a van takes along on a day, or holds already.
///
/// # Errors
/// When the database fails.
pub async fn of_van(tx: &Tx<'_>, van: PlaceId, day: NaiveDate) -> Result<Vec<Reservation>, DbError> {
    let aboard = stock_reservation::van_id.eq(van.0).assume_not_null().or(stock_reservation::place_id.eq(van.0));
    let rows: Vec<Row> = stock_reservation::table
        .filter(aboard.and(stock_reservation::planned_on.eq(day)).and(stock_reservation::ended_at.is_null()))
        .select(Row::as_select())
        .order(stock_reservation::id)
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(|row| StoredKept::try_from(row).map(|kept| kept.value.reservation)).collect()
}

/// Closes a reservation that is still at revision `at`: what was used is issued, and the rest is
/// kept for nobody any more.
///
/// # Errors
/// [`DbError::Refused`] when it was closed before, [`DbError::Invalid`] for lines that the ledger
/// does not admit, and nothing is written then.
pub async fn close(tx: &Tx<'_>, id: Uuid, at: Revision, used: &[Movement]) -> Result<StoredKept, DbError> {
    let now = get(tx, id).await?;
    if now.ended_at.is_some() {
        return Err(DbError::refused("closed_already", "It was closed before; its answer says what was used."));
    }
    for (n, movement) in used.iter().enumerate() {
        movement::post(tx, movement, None).await.map_err(|error| within(error, n))?;
    }
    let line = |movement: &Movement| KitLine { item_id: movement.item_id, quantity: movement.quantity };
    ended(tx, id, at, &used.iter().map(line).collect::<Vec<_>>()).await
}

/// Closes a reservation of which so much was used, as other lines of the ledger say.
pub(in crate::db) async fn end(tx: &Tx<'_>, kept: &StoredKept, used: &[KitLine]) -> Result<StoredKept, DbError> {
    ended(tx, kept.id, kept.revision, used).await
}

async fn ended(tx: &Tx<'_>, id: Uuid, at: Revision, used: &[KitLine]) -> Result<StoredKept, DbError> {
    let open = stock_reservation::id.eq(id).and(stock_reservation::revision.eq(at));
    let changed: Option<Row> = update(stock_reservation::table.filter(open))
        .set((
            stock_reservation::used.eq(json!(used)),
            stock_reservation::ended_at.eq(tx.now()),
            stock_reservation::changed_at.eq(tx.now()),
            stock_reservation::revision.eq(at + 1),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, row.try_into()?, "retired").await
}

/// Keeps goods for another day: their visit was moved.
pub(in crate::db) async fn replan(tx: &Tx<'_>, kept: &StoredKept, day: NaiveDate) -> Result<StoredKept, DbError> {
    let same = stock_reservation::id.eq(kept.id).and(stock_reservation::revision.eq(kept.revision));
    let changed: Option<Row> = update(stock_reservation::table.filter(same))
        .set((
            stock_reservation::planned_on.eq(day),
            stock_reservation::changed_at.eq(tx.now()),
            stock_reservation::revision.eq(kept.revision + 1),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, kept.id).await.map(|now| now.revision)).await?;
    logged(tx, row.try_into()?, "updated").await
}

/// What is kept for visits, and what was.
pub(in crate::db) async fn of_visits(tx: &Tx<'_>, visits: &[Uuid]) -> Result<Vec<StoredKept>, DbError> {
    let rows: Vec<Row> = stock_reservation::table
        .filter(stock_reservation::visit_id.assume_not_null().eq_any(visits))
        .select(Row::as_select())
        .order(stock_reservation::id)
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// The fault of a used line, at that line.
fn within(error: DbError, n: usize) -> DbError {
    match error {
        DbError::Invalid(faults) => {
            let mut moved = Faults::default();
            moved.take::<()>(&format!("/used/{n}"), Err(faults));
            moved.into()
        }
        DbError::UnknownReference { .. } => unknown("/unit_id").into(),
        other => other,
    }
}

async fn logged(tx: &Tx<'_>, stored: StoredKept, verb: &str) -> Result<StoredKept, DbError> {
    let reservation = &stored.value.reservation;
    let detail = json!({ "place_id": reservation.place_id, "planned_on": reservation.planned_on });
    tx.logged(stored, ("stock_reservation", verb), None, detail).await
}
