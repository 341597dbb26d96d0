//! A customer's reports month by month, the newest revision of each, and how investments stand by them.

use crate::db::notes;
use crate::db::schema::{report_revision, savings_report};
use crate::db::{DbError, Tx};
use chrono::NaiveDate;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::accounts::investment::Investment;
use domain::ids::{CustomerId, SiteId};
use domain::report::SavingsReport;
use domain::report::payback::MonthReport;
use domain::zone::Month;
use serde_json::Value;
use uuid::Uuid;

/// A month's report, and whether it is issued.
pub(in crate::db) type Made = (Month, bool, SavingsReport);

/// The reports of a customer from `first` on, in order: what later ones carry counts too.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn since(tx: &Tx<'_>, of: CustomerId, first: Month) -> Result<Vec<Made>, DbError> {
    let newest = savings_report::table.inner_join(report_revision::table.on(
        report_revision::dealer_id.eq(savings_report::dealer_id).and(report_revision::report_id.eq(savings_report::id)),
    ));
    let rows: Vec<(NaiveDate, String, Value)> = newest
        .distinct_on((savings_report::month, savings_report::id))
        .filter(savings_report::customer_id.eq(of.0))
        .filter(savings_report::month.ge(first.first_day()))
        .order((savings_report::month, savings_report::id, report_revision::n.desc()))
        .select((savings_report::month, savings_report::state, report_revision::figures))
        .load(&mut tx.conn())
        .await?;
    let read = |(month, state, figures): (NaiveDate, String, Value)| {
        let report: SavingsReport = serde_json::from_value(figures).map_err(DbError::internal)?;
        Ok((Month::of(month), state == "issued", report))
    };
    rows.into_iter().map(read).collect()
}

/// The report with how the investments at its sites stand.
///
/// # Errors
/// When the database fails.
pub(super) async fn with_investments(
    tx: &Tx<'_>,
    customer: CustomerId,
    report: SavingsReport,
) -> Result<SavingsReport, DbError> {
    let sites: Vec<Uuid> = report.savings.iter().map(|site| site.site_id.0).collect();
    let of_sites = notes::all::<Investment>(tx, &sites).await?;
    let counting = of_sites.into_iter().flat_map(|(site, all)| all.into_iter().map(move |one| (SiteId(site), one)));
    let mut made: Vec<(SiteId, Investment)> = counting.collect();
    made.sort_by_key(|(site, made)| (site.0, made.day));
    let Some(first) = made.iter().map(|(_, made)| Month::of(made.day)).min() else { return Ok(report) };
    let earlier = since(tx, customer, first).await?;
    let earlier: Vec<MonthReport<'_>> = earlier.iter().map(|(month, issued, of)| (*month, *issued, of)).collect();
    Ok(report.with_investments(&made, &earlier))
}
