//! Customers in the database.

use super::page::{After, paged};
use super::schema::customer;
use super::stamp::one_changed;
use super::{DbError, Revision, Stored, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Array, BigInt, Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, sql_query, update};
use diesel_async::RunQueryDsl;
use domain::customer::{Customer, UnitSystem};
use domain::ids::CustomerId;
use serde_json::json;
use std::collections::HashMap;
use uuid::Uuid;

/// Which customers.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// With this number in their own books.
    pub own_number: Option<String>,
    /// Retired ones too.
    pub retired: bool,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = customer)]
struct Row {
    id: Uuid,
    name: String,
    own_number: Option<String>,
    fiscal_year_start: i16,
    unit_system: Option<String>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

impl From<Row> for Stored<CustomerId, Customer> {
    fn from(row: Row) -> Self {
        Self {
            id: CustomerId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.ended_at,
            value: Customer {
                name: row.name,
                own_number: row.own_number,
                fiscal_year_start: row.fiscal_year_start,
                unit_system: row.unit_system.as_deref().and_then(|name| UnitSystem::parse(name).ok()),
            },
        }
    }
}

#[derive(Insertable, AsChangeset)]
#[diesel(table_name = customer, treat_none_as_null = true)]
struct Fields<'a> {
    name: &'a str,
    own_number: Option<&'a str>,
    fiscal_year_start: i16,
    unit_system: Option<&'static str>,
    changed_at: DateTime<Utc>,
}

impl<'a> Fields<'a> {
    fn of(tx: &Tx<'_>, value: &'a Customer) -> Self {
        Self {
            name: &value.name,
            own_number: value.own_number.as_deref(),
            fiscal_year_start: value.fiscal_year_start,
            unit_system: value.unit_system.map(UnitSystem::as_str),
            changed_at: tx.now(),
        }
    }
}

/// Adds a customer.
///
/// # Errors
/// When the database fails.
pub async fn create(tx: &Tx<'_>, new: &Customer) -> Result<Stored<CustomerId, Customer>, DbError> {
    let row: Row = insert_into(customer::table)
        .values((customer::id.eq(tx.new_id()), customer::created_at.eq(tx.now()), Fields::of(tx, new)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, row.into(), "created").await
}

/// One customer.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: CustomerId) -> Result<Stored<CustomerId, Customer>, DbError> {
    let row: Row = customer::table.filter(customer::id.eq(id.0)).select(Row::as_select()).first(&mut tx.conn()).await?;
    Ok(row.into())
}

/// How much of a customer is there now.
#[derive(Debug, Clone, Copy, QueryableByName)]
pub struct Extent {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    /// Its sites.
    #[diesel(sql_type = BigInt)]
    pub sites: i64,
    /// Units that stand with it.
    #[diesel(sql_type = BigInt)]
    pub units: i64,
}

/// How many sites and units customers have.
///
/// # Errors
/// When the database fails.
pub async fn extents(tx: &Tx<'_>, of: &[Uuid]) -> Result<HashMap<CustomerId, Extent>, DbError> {
    let query = "
      select c.id,
             (select count(*) from site s
               where s.dealer_id = c.dealer_id and s.customer_id = c.id and s.ended_at is null) as sites,
             (select count(*) from placement p
               where p.dealer_id = c.dealer_id and p.customer_id = c.id and p.valid @> $1) as units
        from customer c
       where c.id = any ($2)";
    let asked = sql_query(query).bind::<Timestamptz, _>(tx.now()).bind::<Array<SqlUuid>, _>(of);
    let rows: Vec<Extent> = asked.load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(|extent| (CustomerId(extent.id), extent)).collect())
}

/// Customers by name or as the page is sorted, one more than it holds.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<Stored<CustomerId, Customer>>, DbError> {
    let mut query = paged!(customer::table.select(Row::as_select()), after, customer, name);
    if let Some(own_number) = &filter.own_number {
        query = query.filter(customer::own_number.eq(own_number));
    }
    if !filter.retired {
        query = query.filter(customer::ended_at.is_null());
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(Into::into).collect())
}

/// What some customers are called, retired ones too.
///
/// # Errors
/// When the database fails.
pub async fn names(tx: &Tx<'_>, of: impl Iterator<Item = CustomerId>) -> Result<HashMap<CustomerId, String>, DbError> {
    let rows: Vec<(Uuid, String)> = customer::table
        .filter(customer::id.eq_any(of.map(|customer| customer.0)))
        .select((customer::id, customer::name))
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(|(id, name)| (CustomerId(id), name)).collect())
}

/// Changes a customer that is still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] when it is not, [`DbError::NotFound`] outside the scope.
pub async fn update_at(
    tx: &Tx<'_>,
    id: CustomerId,
    at: Revision,
    new: &Customer,
) -> Result<Stored<CustomerId, Customer>, DbError> {
    let changed: Option<Row> = update(customer::table.filter(customer::id.eq(id.0).and(customer::revision.eq(at))))
        .set((Fields::of(tx, new), customer::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, row.into(), "updated").await
}

/// Retires a customer that is still at revision `at`; retiring twice changes nothing.
///
/// # Errors
/// As [`update_at`].
pub async fn retire(tx: &Tx<'_>, id: CustomerId, at: Revision) -> Result<Stored<CustomerId, Customer>, DbError> {
    let now = get(tx, id).await?;
    if now.retired_at(at) {
        return Ok(now);
    }
    let running = customer::id.eq(id.0).and(customer::revision.eq(at)).and(customer::ended_at.is_null());
    let changed: Option<Row> = update(customer::table.filter(running))
        .set((customer::ended_at.eq(tx.now()), customer::changed_at.eq(tx.now()), customer::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, row.into(), "retired").await
}

async fn logged(
    tx: &Tx<'_>,
    stored: Stored<CustomerId, Customer>,
    verb: &str,
) -> Result<Stored<CustomerId, Customer>, DbError> {
    let (customer, detail) = (stored.id, json!({ "name": stored.value.name }));
    tx.logged(stored, ("customer", verb), Some(customer), detail).await
}
