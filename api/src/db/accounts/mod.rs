//! A site's money: water accounts with their tariffs and bills, baselines, cost terms.

pub mod baseline;
pub mod cost_terms;
pub mod tariff;
pub mod water_account;
pub mod water_bill;

use super::series::Of;
use super::{DbError, Tx, touched};
use chrono::{DateTime, Months, NaiveDate, NaiveTime, Utc};
use domain::ids::SiteId;
use domain::span::Span;

/// At which sites, and on which local days, what is meant holds.
#[derive(Debug, Clone)]
pub struct Holding {
    /// At these sites, of this customer.
    pub of: Of,
    /// On this day or later.
    pub from: Option<NaiveDate>,
    /// Before this day.
    pub to: Option<NaiveDate>,
}

/// Months by which a change reaches back: a cycle of three months, read late.
const REACHES_BACK: Months = Months::new(4);

/// Has the figures of a site that rest on its money from a local day on computed again: those of
/// the billing cycle that the day lies in, too.
pub(in crate::db) async fn touch(tx: &Tx<'_>, site: SiteId, from: NaiveDate) -> Result<(), DbError> {
    let from = from.checked_sub_months(REACHES_BACK).map_or(DateTime::UNIX_EPOCH, midnight);
    touched::site(tx, site, Span::parse(from.max(DateTime::UNIX_EPOCH), None)?).await
}

fn midnight(date: NaiveDate) -> DateTime<Utc> {
    date.and_time(NaiveTime::MIN).and_utc()
}
