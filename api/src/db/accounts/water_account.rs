//! Water accounts in the database.

use super::touch;
use crate::db::error::known;
use crate::db::page::{After, paged};
use crate::db::range::{DateRange, of_dates, to_dates};
use crate::db::schema::water_account;
use crate::db::series::Of;
use crate::db::stamp::one_changed;
use crate::db::{DbError, Revision, Stored, Tx, site};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::accounts::site_account::{Charged, SiteAccount};
use domain::ids::{CustomerId, SiteId, WaterAccountId};
use domain::tariff::{OtherUse, WaterAccount};
use domain::units::Litres;
use domain::zone::local_date;
use serde_json::{Value, json};
use uuid::Uuid;

/// An account with its stamps.
pub type StoredAccount = Stored<WaterAccountId, SiteAccount>;

/// Which accounts.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Of this customer and these sites.
    pub of: Of,
    /// Retired ones too.
    pub retired: bool,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = water_account)]
pub(in crate::db) struct Row {
    id: Uuid,
    site_id: Uuid,
    supplier: String,
    account_number: Option<String>,
    billing_months: i16,
    other_use_l_per_month: Option<f64>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
    name: String,
    meter_size: Option<String>,
    cycle_anchor: NaiveDate,
    other_use_most_l_per_month: Option<f64>,
    strengths_mg_per_l: Value,
    charged: Option<DateRange>,
}

impl TryFrom<Row> for StoredAccount {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let most_l_per_month = row.other_use_most_l_per_month.map(Litres);
        let other_use = |least| OtherUse { least_l_per_month: Litres(least), most_l_per_month };
        let account = WaterAccount {
            name: row.name,
            meter_size: row.meter_size,
            cycle_months: known("billing_months", row.billing_months.try_into().ok())?,
            other_use: row.other_use_l_per_month.map(other_use),
            strengths_mg_per_l: known("strengths_mg_per_l", serde_json::from_value(row.strengths_mg_per_l).ok())?,
        };
        let charged = row.charged.map(to_dates).transpose()?;
        Ok(Self {
            id: WaterAccountId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.ended_at,
            value: SiteAccount {
                site_id: SiteId(row.site_id),
                supplier: row.supplier,
                account_number: row.account_number,
                cycle_anchor: row.cycle_anchor,
                charged: charged.map(|(from, until)| Charged { from, until }),
                account,
            },
        })
    }
}

#[derive(Insertable, AsChangeset)]
#[diesel(table_name = water_account, treat_none_as_null = true)]
struct Fields<'a> {
    supplier: &'a str,
    account_number: Option<&'a str>,
    billing_months: i16,
    other_use_l_per_month: Option<f64>,
    other_use_most_l_per_month: Option<f64>,
    name: &'a str,
    meter_size: Option<&'a str>,
    cycle_anchor: NaiveDate,
    strengths_mg_per_l: Value,
    charged: Option<DateRange>,
    changed_at: DateTime<Utc>,
}

impl<'a> Fields<'a> {
    fn of(tx: &Tx<'_>, value: &'a SiteAccount) -> Self {
        let other_use = value.account.other_use;
        Self {
            supplier: &value.supplier,
            account_number: value.account_number.as_deref(),
            billing_months: i16::from(value.account.cycle_months),
            other_use_l_per_month: other_use.map(|other| other.least_l_per_month.0),
            other_use_most_l_per_month: other_use.and_then(|other| Some(other.most_l_per_month?.0)),
            name: &value.account.name,
            meter_size: value.account.meter_size.as_deref(),
            cycle_anchor: value.cycle_anchor,
            strengths_mg_per_l: json!(value.account.strengths_mg_per_l),
            charged: value.charged.map(|charged| of_dates(charged.from, charged.until)),
            changed_at: tx.now(),
        }
    }
}

/// Adds an account.
///
/// # Errors
/// [`DbError::UnknownReference`] for a site that isn't the dealer's, [`DbError::Taken`] when
/// another account of the site is charged on some of its days.
pub async fn create(tx: &Tx<'_>, new: &SiteAccount) -> Result<StoredAccount, DbError> {
    let customer = customer_of(tx, new.site_id).await?;
    let row: Row = insert_into(water_account::table)
        .values((
            water_account::id.eq(tx.new_id()),
            water_account::site_id.eq(new.site_id.0),
            water_account::customer_id.eq(customer.0),
            water_account::created_at.eq(tx.now()),
            Fields::of(tx, new),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    touch_charged(tx, new, None).await?;
    logged(tx, row.try_into()?, customer, "created").await
}

/// Whose a site is; a site out of reach counts as unknown.
async fn customer_of(tx: &Tx<'_>, id: SiteId) -> Result<CustomerId, DbError> {
    match site::get(tx, id).await {
        Err(DbError::NotFound) => Err(DbError::UnknownReference { constraint: "water_account_site_id".to_owned() }),
        found => Ok(found?.value.customer_id),
    }
}

/// One account.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: WaterAccountId) -> Result<StoredAccount, DbError> {
    let row: Row =
        water_account::table.filter(water_account::id.eq(id.0)).select(Row::as_select()).first(&mut tx.conn()).await?;
    row.try_into()
}

/// Accounts by name or as the page is sorted, one more than the page holds.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<StoredAccount>, DbError> {
    let among = filter.of.among(tx).await?;
    let mut query = paged!(water_account::table.select(Row::as_select()), after, water_account, name);
    if let Some(customer) = among.customer {
        query = query.filter(water_account::customer_id.eq(customer));
    }
    if let Some(sites) = among.sites {
        query = query.filter(water_account::site_id.eq_any(sites));
    }
    if !filter.retired {
        query = query.filter(water_account::ended_at.is_null());
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Changes an account that is still at revision `at`.
///
/// # Errors
/// [`DbError::Invalid`] for another site, [`DbError::Taken`] as [`create`], [`DbError::Stale`] at
/// another revision, [`DbError::NotFound`] outside the scope.
pub async fn update_at(
    tx: &Tx<'_>,
    id: WaterAccountId,
    at: Revision,
    new: &SiteAccount,
) -> Result<StoredAccount, DbError> {
    let old = get(tx, id).await?.value;
    write(tx, id, at, (&old, old.becomes(new.clone())?), None).await
}

/// Retires an account that is still at revision `at`; it is charged no longer. Retiring twice
/// changes nothing.
///
/// # Errors
/// As [`update_at`].
pub async fn retire(tx: &Tx<'_>, id: WaterAccountId, at: Revision) -> Result<StoredAccount, DbError> {
    let now = get(tx, id).await?;
    if now.retired_at(at) {
        return Ok(now);
    }
    let zone = site::get(tx, now.value.site_id).await?.value.time_zone;
    let ended = now.value.clone().ended(local_date(zone, tx.now()));
    write(tx, id, at, (&now.value, ended), Some(tx.now())).await
}

async fn write(
    tx: &Tx<'_>,
    id: WaterAccountId,
    at: Revision,
    (old, new): (&SiteAccount, SiteAccount),
    ended_at: Option<DateTime<Utc>>,
) -> Result<StoredAccount, DbError> {
    let current = water_account::table.filter(water_account::id.eq(id.0).and(water_account::revision.eq(at)));
    let set = (
        Fields::of(tx, &new),
        water_account::revision.eq(at + 1),
        ended_at.map(|ended| water_account::ended_at.eq(ended)),
    );
    let changed: Option<Row> =
        update(current).set(set).returning(Row::as_returning()).get_result(&mut tx.conn()).await.optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    touch_charged(tx, &new, Some(old)).await?;
    let customer = site::get(tx, new.site_id).await?.value.customer_id;
    logged(tx, row.try_into()?, customer, if ended_at.is_some() { "retired" } else { "updated" }).await
}

/// Has the days computed again on which the account is or was charged.
async fn touch_charged(tx: &Tx<'_>, new: &SiteAccount, old: Option<&SiteAccount>) -> Result<(), DbError> {
    let charged = [Some(new), old].into_iter().flatten().filter_map(|account| Some(account.charged?.from));
    match charged.min() {
        Some(from) => touch(tx, new.site_id, from).await,
        None => Ok(()),
    }
}

async fn logged(
    tx: &Tx<'_>,
    stored: StoredAccount,
    customer: CustomerId,
    verb: &str,
) -> Result<StoredAccount, DbError> {
    let detail = json!({ "site_id": stored.value.site_id, "name": stored.value.account.name });
    tx.logged(stored, ("water_account", verb), Some(customer), detail).await
}

/// The account of something that belongs to one, with its customer.
pub(super) async fn with_customer(tx: &Tx<'_>, id: WaterAccountId) -> Result<(StoredAccount, CustomerId), DbError> {
    let account = get(tx, id).await?;
    let customer = site::get(tx, account.value.site_id).await?.value.customer_id;
    Ok((account, customer))
}

/// The accounts of sites that were ever charged for their units' water.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn charged_at(tx: &Tx<'_>, sites: &[Uuid]) -> Result<Vec<StoredAccount>, DbError> {
    let rows: Vec<Row> = water_account::table
        .filter(water_account::site_id.eq_any(sites).and(water_account::charged.is_not_null()))
        .select(Row::as_select())
        .order(water_account::charged)
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(TryInto::try_into).collect()
}
