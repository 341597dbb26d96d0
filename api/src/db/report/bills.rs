//! The bills as they came that a report tells of, each with all that explains it.

use crate::db::accounts::water_bill;
use crate::db::{DbError, Tx};
use chrono::NaiveDate;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Bool, Date, Jsonb, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::accounts::bill::SiteBill;
use domain::accounts::site_money::{AccountMoney, SiteMoney};
use domain::ids::{CustomerId, WaterAccountId};
use domain::report::SavingsReport;
use domain::report::actual_bills::{BillEvidence, BillHeld, LATE_MONTHS, Tells, Told, tells_of};
use domain::zone::{Month, previous_day};
use serde::Deserialize;
use serde_json::Value;

/// The bills of a customer's sites that the report of a month tells of, in order.
///
/// # Errors
/// When the database fails.
pub(super) async fn of_month(
    tx: &Tx<'_>,
    customer: CustomerId,
    month: Month,
    money: &[SiteMoney],
) -> Result<Vec<BillEvidence>, DbError> {
    let accounts = || money.iter().flat_map(|site| site.accounts.iter().map(move |account| (site, account)));
    // Most customers' bills are not typed in.
    if accounts().all(|(_, account)| account.bills.is_empty()) {
        return Ok(Vec::new());
    }
    let told = told(tx, customer, month).await?;
    let bills = accounts().flat_map(|(site, account)| account.bills.iter().map(move |bill| (site, account, bill)));
    let wanted: Vec<(&SiteMoney, &AccountMoney, &SiteBill)> = bills
        .filter(|(_, account, bill)| {
            tells_of(month, (account.id, bill.period.from), previous_day(bill.period.to), &told)
        })
        .collect();
    let mut found = Vec::with_capacity(wanted.len());
    for (site, account, bill) in wanted {
        let evidence = water_bill::evidence(tx, site, account, bill).await?;
        let (site_id, account_id) = (site.site_id, account.id);
        found.push(BillEvidence { site_id, account_id, bill: bill.clone(), evidence });
    }
    Ok(found)
}

#[derive(QueryableByName)]
struct ToldRow {
    #[diesel(sql_type = Date)]
    month: NaiveDate,
    #[diesel(sql_type = Bool)]
    issued: bool,
    #[diesel(sql_type = Jsonb)]
    bills: Value,
}

/// Which bill a report tells of.
#[derive(Deserialize)]
struct Key {
    account_id: WaterAccountId,
    from: NaiveDate,
}

/// The newest revision of each report: of each bill only which it is. Of those of the first month and
/// before the last one is enough: it says that the customer had reports before, however long they paused.
const TOLD: &str = "
select s.month, s.state = 'issued' as issued,
       (select coalesce(jsonb_agg(jsonb_build_object('account_id', bill -> 'account_id', 'from', bill -> 'from')), '[]')
                   from jsonb_array_elements(coalesce(newest.figures -> 'actual_bills', '[]')) as one (bill)) as bills
  from savings_report s
 cross join lateral (select r.figures from report_revision r
                      where r.dealer_id = s.dealer_id and r.report_id = s.id
                      order by r.n desc limit 1) newest
 where s.customer_id = $1 and s.month <> $3
   and s.month >= coalesce((select max(e.month) from savings_report e where e.customer_id = $1 and e.month <= $2), $2)";

/// What the reports of the months around one tell: of those before it as far back as a late bill may have ended,
/// with the last one by then, and of all that came after it, since a late bill may be told in any.
async fn told(tx: &Tx<'_>, customer: CustomerId, month: Month) -> Result<Told, DbError> {
    let first = (0..LATE_MONTHS).fold(month, |month, _| month.previous());
    let rows: Vec<ToldRow> = sql_query(TOLD)
        .bind::<SqlUuid, _>(customer.0)
        .bind::<Date, _>(first.first_day())
        .bind::<Date, _>(month.first_day())
        .load(&mut tx.conn())
        .await?;
    let read = |row: ToldRow| {
        let keys: Vec<Key> = serde_json::from_value(row.bills).map_err(DbError::internal)?;
        let bills = keys.into_iter().map(|key| (key.account_id, key.from)).collect();
        Ok((Month::of(row.month), Tells { issued: row.issued, bills }))
    };
    rows.into_iter().map(read).collect()
}

/// A revision of a month's report without the bills of which the report of another month tells, issued or not:
/// it may have been counted before that one was made.
///
/// # Errors
/// When the database fails.
pub(super) async fn told_once(tx: &Tx<'_>, customer: CustomerId, of: SavingsReport) -> Result<SavingsReport, DbError> {
    if of.actual_bills.is_empty() {
        return Ok(of);
    }
    let told = told(tx, customer, of.month).await?;
    let elsewhere = |bill: &BillHeld| told.values().any(|of| of.bills.contains(&(bill.account_id, bill.from)));
    let actual_bills = of.actual_bills.iter().filter(|bill| !elsewhere(bill)).cloned().collect();
    Ok(SavingsReport { actual_bills, ..of })
}
