//! The versions of an account's tariff in the database.

use super::{touch, water_account};
use crate::db::error::known;
use crate::db::range::{DateRange, of_dates, to_dates};
use crate::db::schema::tariff;
use crate::db::{DbError, Stored, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::accounts::versions::{Before, taken};
use domain::fault::Faults;
use domain::ids::{CustomerId, TariffId, WaterAccountId};
use domain::money::Currency;
use domain::tariff::record::Rounding;
use domain::tariff::{Tariff, TariffVersion};
use serde_json::{Value, json};
use std::collections::HashMap;
use uuid::Uuid;

/// A version with its stamps: a tariff of just that version.
pub type StoredTariff = Stored<TariffId, Tariff>;

#[derive(Queryable, Selectable)]
#[diesel(table_name = tariff)]
struct Row {
    id: Uuid,
    water_account_id: Uuid,
    valid: DateRange,
    currency: String,
    terms: Value,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    name: String,
    rounding: String,
}

impl TryFrom<Row> for StoredTariff {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let (from, to) = to_dates(row.valid)?;
        let terms: TariffVersion = known("terms", serde_json::from_value(row.terms).ok())?;
        Ok(Self {
            id: TariffId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: None,
            value: Tariff {
                name: row.name,
                currency: known("currency", Currency::parse(&row.currency).ok())?,
                rounding: known("rounding", Rounding::from_name(&row.rounding))?,
                versions: vec![TariffVersion { from, to, ..terms }],
            },
        })
    }
}

/// Adds a version to an account's tariff; `new` is a tariff of just that version.
///
/// # Errors
/// [`DbError::NotFound`] for an account outside the scope, [`DbError::Invalid`] for faults of the
/// tariff and against the other versions.
pub async fn create(
    tx: &Tx<'_>,
    account: WaterAccountId,
    new: &Tariff,
    before: Before,
) -> Result<StoredTariff, DbError> {
    let (owner, customer) = water_account::with_customer(tx, account).await?;
    let known = whole(tx, account).await?;
    let ending = taken(known.as_ref(), new, before)?;
    let new = new.clone().checked()?;
    let [version] = new.versions.as_slice() else {
        return Err(Faults::one("/terms", "required", "give one version at a time").into());
    };
    if let Some(from) = ending {
        end(tx, account, customer, from, version.from).await?;
    }
    let row: Row = insert_into(tariff::table)
        .values((
            tariff::id.eq(tx.new_id()),
            tariff::water_account_id.eq(account.0),
            tariff::customer_id.eq(customer.0),
            tariff::valid.eq(of_dates(version.from, version.to)),
            tariff::currency.eq(new.currency.code()),
            tariff::terms.eq(json!(version)),
            tariff::name.eq(&new.name),
            tariff::rounding.eq(new.rounding.as_str()),
            tariff::created_at.eq(tx.now()),
            tariff::changed_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    touch(tx, owner.value.site_id, version.from).await?;
    logged(tx, account, row.try_into()?, customer, "created").await
}

/// Ends the version from one day where another begins.
async fn end(
    tx: &Tx<'_>,
    account: WaterAccountId,
    customer: CustomerId,
    from: NaiveDate,
    to: NaiveDate,
) -> Result<(), DbError> {
    let all = rows(tx, &[account.0]).await?;
    let Some(old) = all.into_iter().find(|row| to_dates(row.valid).is_ok_and(|(first, _)| first == from)) else {
        return Err(DbError::Collided);
    };
    let same = tariff::id.eq(old.id).and(tariff::revision.eq(old.revision));
    let ended: Option<Row> = update(tariff::table.filter(same))
        .set((
            tariff::valid.eq(of_dates(from, Some(to))),
            tariff::changed_at.eq(tx.now()),
            tariff::revision.eq(old.revision + 1),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    // Nothing to update: another transaction ended it meanwhile.
    let ended = ended.ok_or(DbError::Collided)?;
    logged(tx, account, ended.try_into()?, customer, "updated").await?;
    Ok(())
}

/// One version of an account's tariff.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, account: WaterAccountId, id: TariffId) -> Result<StoredTariff, DbError> {
    let one = tariff::id.eq(id.0).and(tariff::water_account_id.eq(account.0));
    let row: Row = tariff::table.filter(one).select(Row::as_select()).first(&mut tx.conn()).await?;
    row.try_into()
}

/// The versions of an account's tariff, the oldest first.
///
/// # Errors
/// [`DbError::NotFound`] for an account outside the scope.
pub async fn list(tx: &Tx<'_>, account: WaterAccountId) -> Result<Vec<StoredTariff>, DbError> {
    water_account::get(tx, account).await?;
    rows(tx, &[account.0]).await?.into_iter().map(TryInto::try_into).collect()
}

/// The tariff of an account with all its versions; none while it has none.
///
/// # Errors
/// When the database fails.
pub async fn whole(tx: &Tx<'_>, account: WaterAccountId) -> Result<Option<Tariff>, DbError> {
    Ok(of_accounts(tx, &[account.0]).await?.remove(&account.0))
}

/// The tariffs of accounts, each with all its versions.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn of_accounts(tx: &Tx<'_>, accounts: &[Uuid]) -> Result<HashMap<Uuid, Tariff>, DbError> {
    let mut found: HashMap<Uuid, Tariff> = HashMap::new();
    for row in rows(tx, accounts).await? {
        let account = row.water_account_id;
        let one = StoredTariff::try_from(row)?.value;
        match found.get_mut(&account) {
            Some(tariff) => tariff.versions.extend(one.versions),
            None => drop(found.insert(account, one)),
        }
    }
    Ok(found)
}

async fn rows(tx: &Tx<'_>, accounts: &[Uuid]) -> Result<Vec<Row>, DbError> {
    Ok(tariff::table
        .filter(tariff::water_account_id.eq_any(accounts))
        .select(Row::as_select())
        .order(tariff::valid)
        .load(&mut tx.conn())
        .await?)
}

async fn logged(
    tx: &Tx<'_>,
    account: WaterAccountId,
    stored: StoredTariff,
    customer: CustomerId,
    verb: &str,
) -> Result<StoredTariff, DbError> {
    let days = stored.value.versions.as_slice().first().map(|version| (version.from, version.to));
    let detail = json!({ "water_account_id": account, "days": days });
    tx.logged(stored, ("tariff", verb), Some(customer), detail).await
}
