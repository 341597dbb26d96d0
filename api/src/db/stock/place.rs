//! Places of stock in the database.

use super::placed;
use crate::db::error::known;
use crate::db::page::{After, Sort};
use crate::db::schema::{place, stock_balance};
use crate::db::stamp::one_changed;
use crate::db::{DbError, Revision, Stored, Tx};
use chrono::{DateTime, Utc};
use diesel::dsl::exists;
use diesel::prelude::*;
use diesel::sql_types::{BigInt, Bool, Integer, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, select, sql_query, update};
use diesel_async::RunQueryDsl;
use domain::ids::{PlaceId, SiteId};
use domain::stock::place::{Place, PlaceKind};
use domain::zone::parse_zone;
use rust_decimal::Decimal;
use serde_json::json;
use uuid::Uuid;

/// A place with its stamps.
pub type StoredPlace = Stored<PlaceId, Place>;

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Text)]
    name: String,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    site_id: Option<Uuid>,
    #[diesel(sql_type = Text)]
    time_zone: String,
    #[diesel(sql_type = Integer)]
    revision: i32,
    #[diesel(sql_type = Timestamptz)]
    created_at: DateTime<Utc>,
    #[diesel(sql_type = Timestamptz)]
    changed_at: DateTime<Utc>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    ended_at: Option<DateTime<Utc>>,
}

/// A place's days are those of its site, else the dealer's.
const PLACES: &str = "
select p.id, p.name, p.kind, p.site_id, coalesce(s.time_zone, d.time_zone) as time_zone,
       p.revision, p.created_at, p.changed_at, p.ended_at
  from place p
  join dealer d on d.id = p.dealer_id
  left join site s on s.dealer_id = p.dealer_id and s.id = p.site_id";

impl TryFrom<Row> for StoredPlace {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let kind = match (row.kind.as_str(), row.site_id) {
            ("warehouse", None) => Some(PlaceKind::Warehouse),
            ("van", None) => Some(PlaceKind::Van),
            ("site", Some(site)) => Some(PlaceKind::Site { site_id: SiteId(site) }),
            _ => None,
        };
        let value = Place { name: row.name, kind: known("kind", kind)?, time_zone: parse_zone(&row.time_zone)? };
        Ok(Self {
            id: PlaceId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.ended_at,
            value,
        })
    }
}

/// The name of a kind in requests, answers and the database, and its site.
#[must_use]
pub fn kind_name(kind: PlaceKind) -> (&'static str, Option<SiteId>) {
    match kind {
        PlaceKind::Warehouse => ("warehouse", None),
        PlaceKind::Van => ("van", None),
        PlaceKind::Site { site_id } => ("site", Some(site_id)),
    }
}

/// Adds a place; its zone follows from what it is.
///
/// # Errors
/// [`DbError::UnknownReference`] for a site that is not there, [`DbError::Taken`] when the site
/// has a place already.
pub async fn create(tx: &Tx<'_>, new: &Place) -> Result<StoredPlace, DbError> {
    let id = tx.new_id();
    let (kind, site) = kind_name(new.kind);
    insert_into(place::table)
        .values((
            place::id.eq(id),
            place::name.eq(&new.name),
            place::kind.eq(kind),
            place::site_id.eq(site.map(|site| site.0)),
            place::created_at.eq(tx.now()),
            place::changed_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    logged(tx, get(tx, PlaceId(id)).await?, "created").await
}

/// One place.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: PlaceId) -> Result<StoredPlace, DbError> {
    let row: Row =
        sql_query(format!("{PLACES} where p.id = $1")).bind::<SqlUuid, _>(id.0).get_result(&mut tx.conn()).await?;
    row.try_into()
}

/// The same, which is not retired before the transaction ends: what is about to stand there would
/// be on a shelf that nobody counts any more.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(super) async fn get_held(tx: &Tx<'_>, id: PlaceId) -> Result<StoredPlace, DbError> {
    let held: Option<Uuid> =
        place::table.filter(place::id.eq(id.0)).select(place::id).for_share().first(&mut tx.conn()).await.optional()?;
    held.ok_or(DbError::NotFound)?;
    get(tx, id).await
}

/// Places by name or as the page is sorted, one more than it holds; retired ones only when asked for.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, retired: bool, after: &After) -> Result<Vec<StoredPlace>, DbError> {
    let (name, id) = after.key();
    let of_time = |key: &'static str| (key, "$6", None, Some(after.at()));
    let (key, past, name, at) = match after.sort() {
        Sort::Own => ("p.name", "$1", Some(name), None),
        Sort::Created => of_time("p.created_at"),
        Sort::Changed => of_time("p.changed_at"),
    };
    let sql = format!(
        "{PLACES}
          where ({key}, p.id) > ({past}, $2) and ($3 or p.ended_at is null)
            and ($5 is null or p.changed_at >= $5)
          order by {key}, p.id limit $4"
    );
    let rows: Vec<Row> = sql_query(sql)
        .bind::<Nullable<Text>, _>(name)
        .bind::<SqlUuid, _>(id)
        .bind::<Bool, _>(retired)
        .bind::<BigInt, _>(after.ask())
        .bind::<Nullable<Timestamptz>, _>(after.changed_since())
        .bind::<Nullable<Timestamptz>, _>(at)
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Changes a place that is still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] when it is not, [`DbError::Invalid`] for another kind, [`DbError::NotFound`]
/// outside the scope.
pub async fn update_at(tx: &Tx<'_>, id: PlaceId, at: Revision, new: &Place) -> Result<StoredPlace, DbError> {
    let old = get(tx, id).await?.value;
    let new = old.becomes(new.clone())?;
    let same = place::id.eq(id.0).and(place::revision.eq(at));
    let changed = update(place::table.filter(same))
        .set((place::name.eq(&new.name), place::changed_at.eq(tx.now()), place::revision.eq(at + 1)))
        .execute(&mut tx.conn())
        .await?;
    one_changed((changed == 1).then_some(()), async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, get(tx, id).await?, "updated").await
}

/// Retires an empty place that is still at revision `at`; retiring twice changes nothing.
///
/// # Errors
/// [`DbError::Refused`] while stock stands there or is on its way, [`DbError::Stale`] at another revision,
/// [`DbError::NotFound`] outside the scope.
pub async fn retire(tx: &Tx<'_>, id: PlaceId, at: Revision) -> Result<StoredPlace, DbError> {
    let now = get(tx, id).await?;
    if now.retired_at(at) {
        return Ok(now);
    }
    // Whoever moves stock holds its places until the ledger is written.
    place::table.filter(place::id.eq(id.0)).select(place::id).for_update().first::<Uuid>(&mut tx.conn()).await?;
    let there = stock_balance::place_id.eq(id.0).and(stock_balance::quantity.ne(Decimal::ZERO));
    if select(exists(stock_balance::table.filter(there))).get_result(&mut tx.conn()).await? {
        return Err(DbError::refused("stock_there", "Stock stands there: move it or write it off first."));
    }
    placed::none_open(tx, Some(id), None).await?;
    let running = place::id.eq(id.0).and(place::revision.eq(at)).and(place::ended_at.is_null());
    let changed = update(place::table.filter(running))
        .set((place::ended_at.eq(tx.now()), place::changed_at.eq(tx.now()), place::revision.eq(at + 1)))
        .execute(&mut tx.conn())
        .await?;
    one_changed((changed == 1).then_some(()), async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, get(tx, id).await?, "retired").await
}

async fn logged(tx: &Tx<'_>, stored: StoredPlace, verb: &str) -> Result<StoredPlace, DbError> {
    let detail = json!({ "name": stored.value.name, "kind": kind_name(stored.value.kind).0 });
    tx.logged(stored, ("place", verb), None, detail).await
}
