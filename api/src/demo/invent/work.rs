//! What a unit washed, month by month: what people tally, and what bills rest on.

use super::names::region;
use super::plan::UnitPlan;
use super::trace::Trace;
use chrono::DateTime;
use domain::metering::stream::Stream;
use domain::zone::{Month, local_date};

/// Washes of a whole local month at the site where the unit stood first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct MonthWork {
    pub(crate) month: Month,
    pub(crate) washes: f64,
    /// Water that went to the washers, in litres.
    pub(crate) washed_l: f64,
}

/// The whole months from the unit's start to `to_s`.
pub(crate) fn of(plan: &UnitPlan, trace: &Trace, to_s: i64) -> Vec<MonthWork> {
    let Some(zone) = plan.stays.first().map(|stay| region(stay.site).zone) else { return Vec::new() };
    let first = Month::of(local_date(zone, DateTime::from_timestamp(plan.from_s, 0).unwrap_or_default())).next();
    let whole = |month: &Month| month.bounds(zone).1.timestamp() <= to_s;
    let months = std::iter::successors(Some(first), |month| Some(month.next())).take_while(whole);
    let work = |month: Month| {
        let (from, to) = month.bounds(zone);
        let passed = |stream| trace.at(stream, to.timestamp()) - trace.at(stream, from.timestamp());
        MonthWork {
            month,
            washes: passed(Stream::WashCount),
            washed_l: passed(Stream::Wash) + passed(Stream::Rinse) + passed(Stream::Bypass),
        }
    };
    months.map(work).collect()
}
