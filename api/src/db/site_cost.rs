//! What washing cost at a site, month by month, and whether the investment there pays: the
//! figures of the reports, made anew or as they were issued.

use super::measures::{Noted, investment};
use super::report::inputs::gather_with;
use super::schema::{report_revision, savings_report};
use super::{DbError, Tx, money_inputs, site};
use chrono::NaiveDate;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::accounts::investment::Investment;
use domain::accounts::site_cost::CostBasis;
use domain::ids::SiteId;
use domain::report::SavingsReport;
use domain::report::payback::{MonthReport, SitePayback};
use domain::report::site_month::SiteMonth;
use domain::zone::{Month, local_date};
use serde_json::Value;

/// The months from `from` to `to` at a site.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn months(
    tx: &Tx<'_>,
    id: SiteId,
    (from, to): (Month, Month),
    basis: CostBasis,
) -> Result<Vec<(Month, SiteMonth)>, DbError> {
    let customer = site::get(tx, id).await?.value.customer_id;
    let money = money_inputs::of_customer(tx, customer).await?;
    let mut found = Vec::new();
    for month in std::iter::successors(Some(from), |month| Some(month.next())).take_while(|month| *month <= to) {
        let inputs = gather_with(tx, customer, month, money.clone()).await?;
        found.push((month, SiteMonth::of(&inputs, id, basis)));
    }
    Ok(found)
}

/// The investment at a site that counts, and how it stands at the end of the last month that is
/// over; `None` where none was recorded.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn payback(tx: &Tx<'_>, id: SiteId) -> Result<Option<(Noted<Investment>, SitePayback)>, DbError> {
    let site = site::get(tx, id).await?.value;
    let Some(noted) = investment::counting(tx, id).await? else { return Ok(None) };
    let first = Month::of(noted.value.day);
    let last = Month::of(local_date(site.time_zone, tx.now())).previous();
    let newest = savings_report::table.inner_join(report_revision::table.on(
        report_revision::dealer_id.eq(savings_report::dealer_id).and(report_revision::report_id.eq(savings_report::id)),
    ));
    let rows: Vec<(NaiveDate, String, Value)> = newest
        .distinct_on((savings_report::month, savings_report::id))
        .filter(savings_report::customer_id.eq(site.customer_id.0))
        // What later ones carry for these months counts too.
        .filter(savings_report::month.ge(first.first_day()))
        .order((savings_report::month, savings_report::id, report_revision::n.desc()))
        .select((savings_report::month, savings_report::state, report_revision::figures))
        .load(&mut tx.conn())
        .await?;
    let read = |(month, state, figures): (NaiveDate, String, Value)| {
        let report: SavingsReport = serde_json::from_value(figures).map_err(DbError::internal)?;
        Ok((Month::of(month), state == "issued", report))
    };
    let reports = rows.into_iter().map(read).collect::<Result<Vec<_>, DbError>>()?;
    let reports: Vec<MonthReport<'_>> =
        reports.iter().map(|(month, issued, report)| (*month, *issued, report)).collect();
    let standing = SitePayback::of(&noted.value, id, &reports, last);
    Ok(Some((noted, standing)))
}
