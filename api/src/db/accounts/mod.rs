//! A site's money: water accounts with their tariffs and bills, baselines, cost terms.

pub mod baseline;
pub mod cost_terms;
pub mod tariff;
pub mod water_account;
pub mod water_bill;

use super::error::known;
use super::{DbError, Tx, touched};
use chrono::{DateTime, Months, NaiveDate, NaiveTime, Utc};
use domain::ids::SiteId;
use domain::span::Span;
use std::ops::Bound;

/// A `daterange` in Rust; PostgreSQL gives it back as `[from, to)`.
type DateRange = (Bound<NaiveDate>, Bound<NaiveDate>);

/// `[from, to)`.
fn of_dates(from: NaiveDate, to: Option<NaiveDate>) -> DateRange {
    (Bound::Included(from), to.map_or(Bound::Unbounded, Bound::Excluded))
}

/// The bounds of a stored range, the end excluded.
fn to_dates(range: DateRange) -> Result<(NaiveDate, Option<NaiveDate>), DbError> {
    let bounds = match range {
        (Bound::Included(from), Bound::Unbounded) => Some((from, None)),
        (Bound::Included(from), Bound::Excluded(to)) => Some((from, Some(to))),
        _ => None,
    };
    known("daterange", bounds)
}

/// Months by which a change reaches back: a cycle of three months, read late.
const REACHES_BACK: Months = Months::new(4);

/// Has the figures of a site that rest on its money from a local day on computed again: those of
/// the billing cycle that the day lies in, too.
async fn touch(tx: &Tx<'_>, site: SiteId, from: NaiveDate) -> Result<(), DbError> {
    let from = from.checked_sub_months(REACHES_BACK).map_or(DateTime::UNIX_EPOCH, midnight);
    touched::site(tx, site, Span::parse(from.max(DateTime::UNIX_EPOCH), None)?).await
}

fn midnight(date: NaiveDate) -> DateTime<Utc> {
    date.and_time(NaiveTime::MIN).and_utc()
}
