//! Work at units in the database.
//!
//! A call-out, an upset, a visit, an agreement and a cover are kept alike: the record in the
//! domain's own JSON, beside it the columns that are looked for and judged by the policies. What
//! is the same for all of them stands here.

pub(crate) mod agreement;
mod brought;
pub(crate) mod call_out;
pub(crate) mod cover;
pub(crate) mod event;
pub(crate) mod event_files;
mod event_rows;
pub(crate) mod feed;
pub(crate) mod handed_over;
mod issue;
mod looked;
pub(crate) mod upset;
pub(crate) mod visit;

use super::error::{known, named};
use super::page::{After, Sort};
use super::series::Of;
use super::stamp::{Change, one_changed};
use super::{DbError, Revision, Stored, Tx, placement, schema, site, unit};
use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Bool, Integer, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{AccountId, CustomerId, SiteId, UnitId};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use std::collections::{BTreeSet, HashMap};
use uuid::Uuid;

/// A kind of record.
pub(crate) trait Record: Serialize + DeserializeOwned {
    /// Its table.
    const TABLE: &'static str;
    /// The column of the customer's own order number, of records that carry one.
    const ORDER_NUMBER: &'static str = "null::text";
}

/// What a record is looked for and judged by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Keys {
    /// The unit it is about.
    pub(crate) unit: Option<UnitId>,
    /// The site.
    pub(crate) site: Option<SiteId>,
    /// Whose it is.
    pub(crate) customer: Option<CustomerId>,
    /// When it was or is to be; a local day counts as a UTC day.
    pub(crate) at: DateTime<Utc>,
}

/// A record as it is kept.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Kept<T> {
    /// Its keys.
    pub(crate) keys: Keys,
    /// The record with its stamps.
    pub(crate) stored: Stored<Uuid, T>,
}

/// Which records.
#[derive(Debug, Clone, Default)]
pub(crate) struct Filter {
    /// Of this customer, at these sites and of these units.
    pub(crate) of: Of,
    /// From this instant on.
    pub(crate) from: Option<DateTime<Utc>>,
    /// Before this instant.
    pub(crate) to: Option<DateTime<Utc>>,
    /// Visits of this technician.
    pub(crate) technician: Option<AccountId>,
    /// Call-outs that are not settled.
    pub(crate) open: bool,
    /// Under this order number of the customer's own.
    pub(crate) order_number: Option<String>,
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    unit_id: Option<Uuid>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    site_id: Option<Uuid>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    customer_id: Option<Uuid>,
    #[diesel(sql_type = Timestamptz)]
    at: DateTime<Utc>,
    #[diesel(sql_type = Jsonb)]
    record: Value,
    #[diesel(sql_type = Integer)]
    revision: Revision,
    #[diesel(sql_type = Timestamptz)]
    created_at: DateTime<Utc>,
    #[diesel(sql_type = Timestamptz)]
    changed_at: DateTime<Utc>,
}

fn kept<T: Record>(row: Row) -> Result<Kept<T>, DbError> {
    Ok(Kept {
        keys: Keys {
            unit: row.unit_id.map(UnitId),
            site: row.site_id.map(SiteId),
            customer: row.customer_id.map(CustomerId),
            at: row.at,
        },
        stored: Stored {
            id: row.id,
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: None,
            value: known("record", serde_json::from_value(row.record).ok())?,
        },
    })
}

/// The beginning of a local day as it stands in `at`.
pub(crate) fn day_key(day: NaiveDate) -> DateTime<Utc> {
    day.and_time(NaiveTime::MIN).and_utc()
}

/// What records call the sites and units they are about.
pub(crate) struct Names {
    sites: HashMap<Uuid, NamedSite>,
    units: HashMap<Uuid, String>,
}

/// A site as it is called.
pub(crate) struct NamedSite {
    /// Its name.
    pub(crate) name: String,
    /// Where it is.
    pub(crate) address: Option<String>,
    /// Its zone.
    pub(crate) zone: Tz,
}

/// The names of what records are about, of all of them at once.
///
/// # Errors
/// When the database fails.
pub(crate) async fn names(tx: &Tx<'_>, of: impl Iterator<Item = Keys> + Clone) -> Result<Names, DbError> {
    let sites: BTreeSet<Uuid> = of.clone().filter_map(|keys| keys.site).map(|site| site.0).collect();
    let units: BTreeSet<Uuid> = of.filter_map(|keys| keys.unit).map(|unit| unit.0).collect();
    let sites: Vec<(Uuid, String, Option<String>, String)> = schema::site::table
        .filter(schema::site::id.eq_any(sites))
        .select((schema::site::id, schema::site::name, schema::site::address, schema::site::time_zone))
        .load(&mut tx.conn())
        .await?;
    let units: Vec<(Uuid, String)> = schema::unit::table
        .filter(schema::unit::id.eq_any(units))
        .select((schema::unit::id, schema::unit::label))
        .load(&mut tx.conn())
        .await?;
    let site = |(id, name, address, zone): (Uuid, String, Option<String>, String)| {
        Ok((id, NamedSite { name, address, zone: known("time_zone", zone.parse().ok())? }))
    };
    let sites = sites.into_iter().map(site).collect::<Result<_, DbError>>()?;
    Ok(Names { sites, units: units.into_iter().collect() })
}

impl Names {
    /// The site of a record.
    ///
    /// # Errors
    /// [`DbError::NotFound`] outside the scope.
    pub(crate) fn site(&self, of: Keys) -> Result<&NamedSite, DbError> {
        of.site.and_then(|site| self.sites.get(&site.0)).ok_or(DbError::NotFound)
    }

    /// The site and, where the record is about one, the unit.
    ///
    /// # Errors
    /// [`DbError::NotFound`] outside the scope.
    pub(crate) fn place(&self, of: Keys) -> Result<String, DbError> {
        let site = &self.site(of)?.name;
        let Some(unit) = of.unit else { return Ok(site.clone()) };
        let unit = self.units.get(&unit.0).ok_or(DbError::NotFound)?;
        Ok(format!("{site}: {unit}"))
    }
}

/// Adds a record.
async fn create<T: Record>(tx: &Tx<'_>, keys: Keys, new: &T) -> Result<Kept<T>, DbError> {
    let sql = format!(
        "insert into {} (id, unit_id, site_id, customer_id, at, record, created_at, changed_at)
         values ($1, $2, $3, $4, $5, $6, $7, $7) returning *",
        T::TABLE
    );
    let row = sql_query(sql)
        .bind::<SqlUuid, _>(tx.new_id())
        .bind::<Nullable<SqlUuid>, _>(keys.unit.map(|unit| unit.0))
        .bind::<Nullable<SqlUuid>, _>(keys.site.map(|site| site.0))
        .bind::<Nullable<SqlUuid>, _>(keys.customer.map(|customer| customer.0))
        .bind::<Timestamptz, _>(keys.at)
        .bind::<Jsonb, _>(json!(new))
        .bind::<Timestamptz, _>(tx.now())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, kept(row)?, "created").await
}

/// One record.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn get<T: Record>(tx: &Tx<'_>, id: Uuid) -> Result<Kept<T>, DbError> {
    let sql = format!("select * from {} where id = $1", T::TABLE);
    kept(sql_query(sql).bind::<SqlUuid, _>(id).get_result(&mut tx.conn()).await?)
}

/// The column by which a list is sorted, and the instant after which it goes on.
fn order(after: &After) -> Result<(&'static str, DateTime<Utc>), Faults> {
    Ok(match after.sort() {
        Sort::Own => ("at", super::measures::of_cursor(after.key().0)?),
        Sort::Created => ("created_at", after.at()),
        Sort::Changed => ("changed_at", after.at()),
    })
}

/// Records in order of time or as the page is sorted, one more than it holds.
///
/// # Errors
/// [`DbError::Invalid`] for a cursor of another list.
pub(crate) async fn list<T: Record>(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<Kept<T>>, DbError> {
    let ((key, past), among) = (order(after)?, filter.of.among(tx).await?);
    let (table, order_number) = (T::TABLE, T::ORDER_NUMBER);
    let sql = format!(
        "select * from {table}
          where ($1 is null or unit_id = any ($1)) and ($2 is null or site_id = any ($2))
            and ($3 is null or customer_id = $3)
            and ($4 is null or at >= $4) and ($5 is null or at < $5)
            and ($6 is null or record->>'technician_id' = $6)
            and not ($7 and coalesce(record->'steps' ? 'settled', false))
            and ({key}, id) > ($8, $9)
            and ($11 is null or {order_number} = $11) and ($12 is null or changed_at >= $12)
          order by {key}, id limit $10"
    );
    let rows: Vec<Row> = sql_query(sql)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.units)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.sites)
        .bind::<Nullable<SqlUuid>, _>(among.customer)
        .bind::<Nullable<Timestamptz>, _>(filter.from)
        .bind::<Nullable<Timestamptz>, _>(filter.to)
        .bind::<Nullable<Text>, _>(filter.technician.map(|account| account.to_string()))
        .bind::<Bool, _>(filter.open)
        .bind::<Timestamptz, _>(past)
        .bind::<SqlUuid, _>(after.key().1)
        .bind::<BigInt, _>(after.ask())
        .bind::<Nullable<Text>, _>(filter.order_number.as_deref())
        .bind::<Nullable<Timestamptz>, _>(after.changed_since())
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(kept).collect()
}

/// The sort text and id of a record in the cursors of such a list.
pub(crate) fn place<T>(after: &After, kept: &Kept<T>) -> (String, Uuid) {
    after.place(&kept.stored, &super::measures::to_cursor(kept.keys.at), kept.stored.id)
}

/// The same of a list in order of time.
pub(crate) fn cursor_of<T>(kept: &Kept<T>) -> (String, Uuid) {
    (super::measures::to_cursor(kept.keys.at), kept.stored.id)
}

/// Changes a record that is still at revision `at`.
async fn update_at<T: Record>(tx: &Tx<'_>, id: Uuid, at: Revision, keys: Keys, new: &T) -> Result<Kept<T>, DbError> {
    let sql = format!(
        "update {} set record = $3, unit_id = $4, site_id = $5, customer_id = $6, at = $7, changed_at = $8, revision = $2 + 1
          where id = $1 and revision = $2 returning *",
        T::TABLE
    );
    let changed: Option<Row> = diesel::OptionalExtension::optional(
        sql_query(sql)
            .bind::<SqlUuid, _>(id)
            .bind::<Integer, _>(at)
            .bind::<Jsonb, _>(json!(new))
            .bind::<Nullable<SqlUuid>, _>(keys.unit.map(|unit| unit.0))
            .bind::<Nullable<SqlUuid>, _>(keys.site.map(|site| site.0))
            .bind::<Nullable<SqlUuid>, _>(keys.customer.map(|customer| customer.0))
            .bind::<Timestamptz, _>(keys.at)
            .bind::<Timestamptz, _>(tx.now())
            .get_result(&mut tx.conn())
            .await,
    )?;
    let row = one_changed(changed, async || get::<T>(tx, id).await.map(|now| now.stored.revision)).await?;
    logged(tx, kept(row)?, "updated").await
}

async fn logged<T: Record>(tx: &Tx<'_>, kept: Kept<T>, verb: &str) -> Result<Kept<T>, DbError> {
    tx.log(Change {
        record: T::TABLE,
        record_id: kept.stored.id.to_string(),
        revision: Some(kept.stored.revision),
        verb,
        customer: kept.keys.customer,
        detail: json!({ "unit_id": kept.keys.unit, "site_id": kept.keys.site, "at": kept.keys.at }),
    })
    .await?;
    Ok(kept)
}

/// Where a unit stood at an instant.
///
/// # Errors
/// [`DbError::Invalid`] at `/unit_id` for a unit outside the scope, and at `pointer` when it
/// stood nowhere then.
async fn stood(tx: &Tx<'_>, id: UnitId, at: DateTime<Utc>, pointer: &str) -> Result<(SiteId, CustomerId), DbError> {
    named("/unit_id", unit::get(tx, id).await)?;
    let fix = "the unit stood nowhere at that time; correct the time, or add its placement first";
    let stay = placement::stay_at(tx, id, at).await?;
    Ok(stay.ok_or_else(|| Faults::one(pointer, "outside_placement", fix))?)
}

/// A site that the scope reaches.
///
/// # Errors
/// [`DbError::Invalid`] at `/site_id` for one outside it.
async fn site_of(tx: &Tx<'_>, id: SiteId) -> Result<domain::site::Site, DbError> {
    Ok(named("/site_id", site::get(tx, id).await)?.value)
}
