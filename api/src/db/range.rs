//! The domain's spans and days as PostgreSQL's ranges of instants and dates.

use super::DbError;
use super::error::known;
use chrono::{DateTime, NaiveDate, Utc};
use domain::measures::days::Days;
use domain::span::Span;
use std::ops::Bound;

/// A `tstzrange` in Rust.
pub(in crate::db) type Range = (Bound<DateTime<Utc>>, Bound<DateTime<Utc>>);

/// `[from, to)`.
pub(in crate::db) fn of_span(span: Span) -> Range {
    (Bound::Included(span.from()), span.to().map_or(Bound::Unbounded, Bound::Excluded))
}

/// All that comes at or after an instant.
pub(in crate::db) fn since(at: DateTime<Utc>) -> Range {
    (Bound::Included(at), Bound::Unbounded)
}

/// `[from, to)`, without an end where none is said.
pub(in crate::db) fn between<T>(from: Option<T>, to: Option<T>) -> (Bound<T>, Bound<T>) {
    (from.map_or(Bound::Unbounded, Bound::Included), to.map_or(Bound::Unbounded, Bound::Excluded))
}

/// The span of a stored range.
pub(in crate::db) fn to_span(range: Range) -> Result<Span, DbError> {
    let parsed = match range {
        (Bound::Included(from), Bound::Unbounded) => Span::parse(from, None).ok(),
        (Bound::Included(from), Bound::Excluded(to)) => Span::parse(from, Some(to)).ok(),
        _ => None,
    };
    known("valid", parsed)
}

/// A `daterange` in Rust; PostgreSQL gives it back as `[from, to)`.
pub(in crate::db) type DateRange = (Bound<NaiveDate>, Bound<NaiveDate>);

/// `[from, to)`.
pub(in crate::db) fn of_dates(from: NaiveDate, to: Option<NaiveDate>) -> DateRange {
    (Bound::Included(from), to.map_or(Bound::Unbounded, Bound::Excluded))
}

/// The bounds of a stored range, the end excluded.
pub(in crate::db) fn to_dates(range: DateRange) -> Result<(NaiveDate, Option<NaiveDate>), DbError> {
    let bounds = match range {
        (Bound::Included(from), Bound::Unbounded) => Some((from, None)),
        (Bound::Included(from), Bound::Excluded(to)) => Some((from, Some(to))),
        _ => None,
    };
    known("daterange", bounds)
}

/// `[from, to)`.
pub(in crate::db) fn of_days(days: Days) -> DateRange {
    of_dates(days.from(), days.to())
}

/// The days of a stored range.
pub(in crate::db) fn to_days(range: DateRange) -> Result<Days, DbError> {
    let (from, to) = to_dates(range)?;
    known("daterange", Days::parse(from, to).ok())
}
