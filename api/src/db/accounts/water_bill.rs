//! Bills of water accounts as they came. A wrong one is withdrawn.

use super::{tariff, touch, water_account};
use crate::db::error::known;
use crate::db::fact::{self, Of, StoredDay};
use crate::db::measures::working_days;
use crate::db::range::{DateRange, of_dates, to_dates};
use crate::db::schema::water_bill;
use crate::db::stamp::Change;
use crate::db::{DbError, Tx, money_inputs, notes, stays};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::accounts::bill::{Evidence, SiteBill};
use domain::accounts::day_uses::SiteDay;
use domain::accounts::site_money::{AccountMoney, SiteMoney};
use domain::cost::washes::counters_count_all;
use domain::ids::{AccountId, BillId, CustomerId, SiteId, WaterAccountId};
use domain::measures::wash_tally::WashTally;
use domain::metering::stream::Stream;
use domain::tariff::Cycle;
use domain::units::Litres;
use serde_json::{Value, json};
use std::collections::HashMap;
use uuid::Uuid;

/// A bill as it is stored.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredBill {
    /// Its key.
    pub id: BillId,
    /// The bill.
    pub value: SiteBill,
    /// Who typed it in.
    pub recorded_by: Option<AccountId>,
    /// When.
    pub created_at: DateTime<Utc>,
    /// When it was withdrawn and why, if it was wrong.
    pub withdrawn: Option<(DateTime<Utc>, String)>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = water_bill)]
struct Row {
    id: Uuid,
    water_account_id: Uuid,
    period: DateRange,
    metered_l: Option<f64>,
    bill: Value,
    recorded_by: Option<Uuid>,
    created_at: DateTime<Utc>,
    withdrawn_at: Option<DateTime<Utc>>,
    withdrawn_why: Option<String>,
}

impl TryFrom<Row> for StoredBill {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let (from, to) = to_dates(row.period)?;
        Ok(Self {
            id: BillId(row.id),
            value: SiteBill {
                period: Cycle { from, to: known("period", to)? },
                metered_l: row.metered_l.map(Litres),
                bill: known("bill", serde_json::from_value(row.bill).ok())?,
            },
            recorded_by: row.recorded_by.map(AccountId),
            created_at: row.created_at,
            withdrawn: row.withdrawn_at.zip(row.withdrawn_why),
        })
    }
}

/// Adds a bill.
///
/// # Errors
/// [`DbError::NotFound`] for an account outside the scope, [`DbError::Taken`] when another bill
/// is for some of its days.
pub async fn create(tx: &Tx<'_>, account: WaterAccountId, new: &SiteBill) -> Result<StoredBill, DbError> {
    let (owner, customer) = water_account::with_customer(tx, account).await?;
    let row: Row = insert_into(water_bill::table)
        .values((
            water_bill::id.eq(tx.new_id()),
            water_bill::water_account_id.eq(account.0),
            water_bill::customer_id.eq(customer.0),
            water_bill::period.eq(of_dates(new.period.from, Some(new.period.to))),
            water_bill::currency.eq(new.bill.total.currency.code()),
            water_bill::metered_l.eq(new.metered_l.map(|litres| litres.0)),
            water_bill::bill.eq(json!(new.bill)),
            water_bill::recorded_by.eq(tx.scope().account().map(|account| account.0)),
            water_bill::created_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    changed(tx, (owner.value.site_id, customer), row.try_into()?, "created").await
}

/// One bill of an account.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, account: WaterAccountId, id: BillId) -> Result<StoredBill, DbError> {
    let one = water_bill::id.eq(id.0).and(water_bill::water_account_id.eq(account.0));
    let row: Row = water_bill::table.filter(one).select(Row::as_select()).first(&mut tx.conn()).await?;
    row.try_into()
}

/// The bills of an account, the oldest first, withdrawn ones too.
///
/// # Errors
/// [`DbError::NotFound`] for an account outside the scope.
pub async fn list(tx: &Tx<'_>, account: WaterAccountId) -> Result<Vec<StoredBill>, DbError> {
    water_account::get(tx, account).await?;
    let of_account = water_bill::water_account_id.eq(account.0);
    let rows: Vec<Row> = water_bill::table
        .filter(of_account)
        .select(Row::as_select())
        .order((water_bill::period, water_bill::id))
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Withdraws a wrong bill.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, [`DbError::Refused`] when it was withdrawn before.
pub async fn withdraw(tx: &Tx<'_>, account: WaterAccountId, id: BillId, why: &str) -> Result<StoredBill, DbError> {
    let (owner, customer) = water_account::with_customer(tx, account).await?;
    if get(tx, account, id).await?.withdrawn.is_some() {
        return Err(DbError::refused("withdrawn_already", "It was withdrawn before; its answer says why."));
    }
    let row: Option<Row> =
        update(water_bill::table.filter(water_bill::id.eq(id.0).and(water_bill::withdrawn_at.is_null())))
            .set((
                water_bill::withdrawn_at.eq(tx.now()),
                water_bill::withdrawn_by.eq(tx.scope().account().map(|account| account.0)),
                water_bill::withdrawn_why.eq(why),
            ))
            .returning(Row::as_returning())
            .get_result(&mut tx.conn())
            .await
            .optional()?;
    // Nothing to update: another transaction withdrew it meanwhile.
    let row = row.ok_or(DbError::Collided)?;
    changed(tx, (owner.value.site_id, customer), row.try_into()?, "retired").await
}

/// A bill with all that explains it: the one before, the tariff, and the water of its days.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn with_evidence(
    tx: &Tx<'_>,
    account: WaterAccountId,
    id: BillId,
) -> Result<(StoredBill, Evidence), DbError> {
    let bill = get(tx, account, id).await?;
    let account_record = water_account::get(tx, account).await?.value;
    let bills = list(tx, account).await?.into_iter().filter(|bill| bill.withdrawn.is_none());
    let before = bills.map(|bill| bill.value).rfind(|other| other.period.to <= bill.value.period.from);
    let site = account_record.site_id;
    let baselines = money_inputs::baselines(tx, &[site.0]).await?.remove(&site.0).unwrap_or_default();
    let Used { days, days_before, counters } = used(tx, site, &bill.value, before.as_ref()).await?;
    let tariff = tariff::whole(tx, account).await?;
    let working = working_days::calendars(tx, &[site.0]).await?.remove(&site.0).unwrap_or_default();
    let tallies = notes::all::<WashTally>(tx, &[site.0]).await?.remove(&site.0).unwrap_or_default();
    let zone = crate::db::site::get(tx, site).await?.value.time_zone;
    let stays = stays::of_sites(tx, &HashMap::from([(site.0, zone)])).await?.remove(&site.0);
    let stays = stays.ok_or(DbError::NotFound)?;
    let account = account_record;
    let evidence =
        Evidence { account, tariff, before, days, days_before, baselines, working, tallies, counters, stays };
    Ok((bill, evidence))
}

/// All that explains one of a site's bills, by what is known of the site's money already.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn evidence(
    tx: &Tx<'_>,
    site: &SiteMoney,
    of: &AccountMoney,
    bill: &SiteBill,
) -> Result<Evidence, DbError> {
    let before = of.bills.iter().rfind(|other| other.period.to <= bill.period.from).cloned();
    let Used { days, days_before, counters } = used(tx, site.site_id, bill, before.as_ref()).await?;
    Ok(Evidence {
        account: of.record.clone(),
        tariff: of.tariff.clone(),
        before,
        days,
        days_before,
        baselines: site.baselines.clone(),
        working: site.working.clone(),
        tallies: site.tallies.clone(),
        counters,
        stays: site.stays.clone(),
    })
}

/// What a site used in the days of a bill and of the one before it.
struct Used {
    days: Vec<SiteDay>,
    days_before: Vec<SiteDay>,
    /// Whether its counters count all washes.
    counters: bool,
}

async fn used(tx: &Tx<'_>, site: SiteId, bill: &SiteBill, before: Option<&SiteBill>) -> Result<Used, DbError> {
    let stored = days_of(tx, site, bill.period).await?;
    let counters = count_all(&stored);
    let days_before = match before {
        Some(before) => facts(days_of(tx, site, before.period).await?),
        None => Vec::new(),
    };
    Ok(Used { days: facts(stored), days_before, counters })
}

async fn days_of(tx: &Tx<'_>, site: SiteId, period: Cycle) -> Result<Vec<StoredDay>, DbError> {
    fact::days(tx, Of::Site(site.0), period.from, period.to.pred_opt().unwrap_or(period.from)).await
}

fn facts(days: Vec<StoredDay>) -> Vec<SiteDay> {
    days.into_iter().map(|day| SiteDay { of_site: day.unit_id.is_none(), fact: day.fact }).collect()
}

/// Whether the counters at a site count all washes.
fn count_all(days: &[StoredDay]) -> bool {
    let mut subjects: HashMap<Uuid, (bool, bool)> = HashMap::new();
    for day in days {
        let subject = subjects.entry(day.subject_id).or_insert((day.unit_id.is_none(), false));
        subject.1 |= day.fact.amounts.get(Stream::WashCount).is_some();
    }
    counters_count_all(subjects.into_values())
}

/// The bills of accounts that count, the oldest first.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn of_accounts(
    tx: &Tx<'_>,
    accounts: &[Uuid],
) -> Result<HashMap<Uuid, Vec<SiteBill>>, DbError> {
    let rows: Vec<Row> = water_bill::table
        .filter(water_bill::water_account_id.eq_any(accounts).and(water_bill::withdrawn_at.is_null()))
        .select(Row::as_select())
        .order(water_bill::period)
        .load(&mut tx.conn())
        .await?;
    let mut found: HashMap<Uuid, Vec<SiteBill>> = HashMap::new();
    for row in rows {
        let account = row.water_account_id;
        found.entry(account).or_default().push(StoredBill::try_from(row)?.value);
    }
    Ok(found)
}

/// Bills say when cycles began: the figures that rest on them are computed again.
async fn changed(
    tx: &Tx<'_>,
    (site, customer): (SiteId, CustomerId),
    stored: StoredBill,
    verb: &str,
) -> Result<StoredBill, DbError> {
    touch(tx, site, stored.value.period.from).await?;
    tx.log(Change {
        record: "water_bill",
        record_id: stored.id.to_string(),
        revision: None,
        verb,
        customer: Some(customer),
        detail: json!({ "site_id": site, "period": stored.value.period, "why": stored.withdrawn.as_ref().map(|(_, why)| why) }),
    })
    .await?;
    Ok(stored)
}
