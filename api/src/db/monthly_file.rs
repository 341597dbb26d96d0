//! Addresses to which a customer's figures of each month go by mail, and the mails wanted for them.

use super::error::named;
use super::page::{After, PAGE_MAX, paged};
use super::schema::{month_fact, monthly_file, monthly_file_unsubscribe};
use super::stamp::one_changed;
use super::{DbError, Revision, Stored, Tx, customer, job};
use crate::auth::LinkToken;
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::dsl::sql;
use diesel::prelude::*;
use diesel::sql_types::{Array, Bool, SmallInt, Text, Uuid as SqlUuid};
use diesel::{insert_into, select, sql_query, update};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{CustomerId, MonthlyFileId};
use domain::monthly_file::{MonthlyFile, due};
use domain::zone::{Month, local_date};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashSet;
use uuid::Uuid;

/// The kind of the job that sends a file.
pub const SEND: &str = "monthly_file";
/// Addresses that a customer may have at once: its people name them, and each is a mail a month.
const ADDRESSES_MOST: i64 = 20;

/// An address as it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Kept {
    /// What goes there.
    pub file: MonthlyFile,
    /// Whether whoever got it wanted no more.
    pub unsubscribed: bool,
}

/// An address with its stamps.
pub type StoredFile = Stored<MonthlyFileId, Kept>;

/// What the job that sends a file needs to know.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Sending {
    /// Whose figures.
    pub customer_id: CustomerId,
    /// The address.
    pub email: String,
    /// The month of the figures.
    pub month: Month,
}

/// Which addresses.
#[derive(Debug, Clone, Copy, Default)]
pub struct Filter {
    /// Of this customer.
    pub customer: Option<CustomerId>,
    /// Retired ones too.
    pub retired: bool,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = monthly_file)]
struct Row {
    id: Uuid,
    customer_id: Uuid,
    email: String,
    day_of_month: i16,
    unsubscribed: bool,
    revision: Revision,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

impl From<Row> for StoredFile {
    fn from(row: Row) -> Self {
        let customer_id = CustomerId(row.customer_id);
        Self {
            id: MonthlyFileId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.ended_at,
            value: Kept {
                file: MonthlyFile { customer_id, email: row.email, day_of_month: row.day_of_month },
                unsubscribed: row.unsubscribed,
            },
        }
    }
}

#[derive(Insertable, AsChangeset)]
#[diesel(table_name = monthly_file)]
struct Fields<'a> {
    customer_id: Uuid,
    email: &'a str,
    day_of_month: i16,
    changed_at: DateTime<Utc>,
}

impl<'a> Fields<'a> {
    fn of(tx: &Tx<'_>, file: &'a MonthlyFile) -> Self {
        let (customer_id, day_of_month) = (file.customer_id.0, file.day_of_month);
        Self { customer_id, email: &file.email, day_of_month, changed_at: tx.now() }
    }
}

/// Adds an address.
///
/// # Errors
/// [`DbError::Invalid`] for a customer outside the scope, [`DbError::Refused`] for who does not see all of
/// its sites and for one address too many, [`DbError::Taken`] for an address that it has already.
pub async fn create(tx: &Tx<'_>, new: &MonthlyFile) -> Result<StoredFile, DbError> {
    named("/customer_id", customer::get(tx, new.customer_id).await)?;
    let all_sites: bool = select(sql::<Bool>("app.all_sites()")).get_result(&mut tx.conn()).await?;
    if !all_sites {
        let detail = "The file has the figures of all sites, and you see some: ask somebody who sees all of them.";
        return Err(DbError::refused("not_all_sites", detail));
    }
    let own = monthly_file::customer_id.eq(new.customer_id.0).and(monthly_file::ended_at.is_null());
    let there: i64 = monthly_file::table.filter(own).count().get_result(&mut tx.conn()).await?;
    if there >= ADDRESSES_MOST {
        let detail = format!("A customer has {ADDRESSES_MOST} addresses at most; retire one that is not needed.");
        return Err(DbError::refused("too_many", detail));
    }
    let row: Row = insert_into(monthly_file::table)
        .values((monthly_file::id.eq(tx.new_id()), monthly_file::created_at.eq(tx.now()), Fields::of(tx, new)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, row.into(), "created").await
}

/// One address.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: MonthlyFileId) -> Result<StoredFile, DbError> {
    let found = monthly_file::table.filter(monthly_file::id.eq(id.0)).select(Row::as_select());
    let row: Row = found.first(&mut tx.conn()).await?;
    Ok(row.into())
}

/// The record by which a customer's figures go to an address at present.
///
/// # Errors
/// When the database fails.
pub async fn going_to(tx: &Tx<'_>, customer: CustomerId, email: &str) -> Result<Option<StoredFile>, DbError> {
    let filter = Filter { customer: Some(customer), retired: false };
    let open = list(tx, filter, &After::first(PAGE_MAX)).await?;
    Ok(open.into_iter().find(|one| one.value.file.email.eq_ignore_ascii_case(email)))
}

/// Addresses in the order in which they were added or as the page is sorted, one more than it holds.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: Filter, after: &After) -> Result<Vec<StoredFile>, DbError> {
    let mut query = paged!(monthly_file::table.select(Row::as_select()), after, monthly_file);
    if let Some(customer) = filter.customer {
        query = query.filter(monthly_file::customer_id.eq(customer.0));
    }
    if !filter.retired {
        query = query.filter(monthly_file::ended_at.is_null());
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(Into::into).collect())
}

/// Changes an address that is still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] when it is not, [`DbError::NotFound`] outside the scope, [`DbError::Invalid`] for another
/// customer.
pub async fn update_at(tx: &Tx<'_>, id: MonthlyFileId, at: Revision, new: &MonthlyFile) -> Result<StoredFile, DbError> {
    if get(tx, id).await?.value.file.customer_id != new.customer_id {
        let fix = "an address stays with its customer; add another for the right one";
        return Err(Faults::one("/customer_id", "fixed", fix).into());
    }
    let own = monthly_file::id.eq(id.0).and(monthly_file::revision.eq(at));
    let changed: Option<Row> = update(monthly_file::table.filter(own))
        .set((Fields::of(tx, new), monthly_file::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, row.into(), "updated").await
}

/// Retires an address that is still at revision `at`; retiring twice changes nothing.
///
/// # Errors
/// [`DbError::Stale`] when it is not, [`DbError::NotFound`] outside the scope.
pub async fn retire(tx: &Tx<'_>, id: MonthlyFileId, at: Revision) -> Result<StoredFile, DbError> {
    let now = get(tx, id).await?;
    if now.retired_at(at) {
        return Ok(now);
    }
    if now.revision != at {
        return Err(DbError::Stale { current: now.revision });
    }
    end(tx, now, false).await
}

/// Retires an address because whoever gets the file wants no more; retired already, it stays as it is.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn unsubscribe(tx: &Tx<'_>, id: MonthlyFileId) -> Result<StoredFile, DbError> {
    let now = get(tx, id).await?;
    if now.ended_at.is_some() { Ok(now) } else { end(tx, now, true).await }
}

async fn end(tx: &Tx<'_>, now: StoredFile, unsubscribed: bool) -> Result<StoredFile, DbError> {
    let own = monthly_file::id.eq(now.id.0).and(monthly_file::revision.eq(now.revision));
    let ended: Option<Row> = update(monthly_file::table.filter(own.and(monthly_file::ended_at.is_null())))
        .set((
            monthly_file::unsubscribed.eq(unsubscribed),
            monthly_file::ended_at.eq(tx.now()),
            monthly_file::changed_at.eq(tx.now()),
            monthly_file::revision.eq(now.revision + 1),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(ended, async || get(tx, now.id).await.map(|now| now.revision)).await?;
    logged(tx, row.into(), "retired").await
}

/// Makes a secret by which whoever gets a file wants no more.
///
/// # Errors
/// When the database fails.
pub async fn add_unsubscribe(tx: &Tx<'_>, id: MonthlyFileId) -> Result<LinkToken, DbError> {
    let token = LinkToken::random(tx.scope().dealer());
    insert_into(monthly_file_unsubscribe::table)
        .values((
            monthly_file_unsubscribe::token_hash.eq(token.hash()),
            monthly_file_unsubscribe::monthly_file_id.eq(id.0),
            monthly_file_unsubscribe::created_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(token)
}

/// The address whose secret has this hash.
///
/// # Errors
/// [`DbError::NotFound`] when there is none in the scope's dealer.
pub async fn by_unsubscribe(tx: &Tx<'_>, hash: &[u8]) -> Result<StoredFile, DbError> {
    let own = monthly_file_unsubscribe::table.filter(monthly_file_unsubscribe::token_hash.eq(hash));
    let id: Uuid = own.select(monthly_file_unsubscribe::monthly_file_id).first(&mut tx.conn()).await?;
    get(tx, MonthlyFileId(id)).await
}

/// An address that a file may go to.
#[derive(QueryableByName)]
struct Open {
    #[diesel(sql_type = SqlUuid)]
    customer_id: Uuid,
    #[diesel(sql_type = Text)]
    email: String,
    #[diesel(sql_type = SmallInt)]
    day_of_month: i16,
    #[diesel(sql_type = Array<Text>)]
    zones: Vec<String>,
}

const OPEN: &str = "
select f.customer_id, f.email, f.day_of_month,
       array(select distinct s.time_zone from site s
              where s.dealer_id = f.dealer_id and s.customer_id = f.customer_id) as zones
  from monthly_file f
  join customer c on c.dealer_id = f.dealer_id and c.id = f.customer_id
 where f.ended_at is null and c.ended_at is null";

impl Open {
    /// The month that is due, by the clock of the site where it is earliest: it is over everywhere.
    fn due(&self, now: DateTime<Utc>) -> Option<Month> {
        let zones = self.zones.iter().filter_map(|zone| zone.parse::<Tz>().ok());
        due(self.day_of_month, zones.map(|zone| local_date(zone, now)).min()?)
    }
}

/// Wants the mails of files that are due and have figures: one for each customer's address and month, and
/// never a second.
///
/// # Errors
/// When the database fails.
pub async fn want_due(tx: &Tx<'_>) -> Result<(), DbError> {
    let open: Vec<Open> = sql_query(OPEN).load(&mut tx.conn()).await?;
    let due: Vec<(Open, Month)> =
        open.into_iter().filter_map(|one| one.due(tx.now()).map(|month| (one, month))).collect();
    let counted = counted(tx, &due).await?;
    for (one, month) in due.into_iter().filter(|(one, month)| counted.contains(&(one.customer_id, month.first_day()))) {
        let once = format!("{}/{month}/{}", one.customer_id, one.email.to_lowercase());
        let sending = Sending { customer_id: CustomerId(one.customer_id), email: one.email, month };
        job::want(tx, SEND, &once, &json!(sending)).await?;
    }
    Ok(())
}

/// The customers and months among these that have figures.
async fn counted(tx: &Tx<'_>, due: &[(Open, Month)]) -> Result<HashSet<(Uuid, NaiveDate)>, DbError> {
    let customers: HashSet<Uuid> = due.iter().map(|(one, _)| one.customer_id).collect();
    let months: HashSet<NaiveDate> = due.iter().map(|(_, month)| month.first_day()).collect();
    let found: Vec<(Uuid, NaiveDate)> = month_fact::table
        .filter(month_fact::month.eq_any(months).and(month_fact::customer_id.eq_any(customers)))
        .select((month_fact::customer_id, month_fact::month))
        .distinct()
        .load(&mut tx.conn())
        .await?;
    Ok(found.into_iter().collect())
}

/// The line leaves the address out: the log keeps what it has for ever.
async fn logged(tx: &Tx<'_>, stored: StoredFile, verb: &str) -> Result<StoredFile, DbError> {
    let Kept { file, unsubscribed } = &stored.value;
    let (customer, detail) =
        (file.customer_id, json!({ "day_of_month": file.day_of_month, "unsubscribed": unsubscribed }));
    tx.logged(stored, ("monthly_file", verb), Some(customer), detail).await
}
