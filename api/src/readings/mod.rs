//! Readings on their way in: a body of JSON, NDJSON or CSV becomes rows, rows become day
//! sheets, and each row gets its answer. A bad row never costs a good one.

pub mod batch;
pub mod by_people;
pub mod intake;
pub mod parse;

use domain::reading::{ReadingError, Source};
use uuid::Uuid;

/// Rows a batch may have.
pub const ROWS_MAX: usize = 50_000;

/// A row as it was read from the body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// Its place in the body, from 0.
    pub index: usize,
    /// The meter.
    pub meter: Uuid,
    /// Seconds since 1970-01-01T00:00:00Z.
    pub at: i64,
    /// Register value in the meter's own unit.
    pub register: f64,
    /// Where it came from.
    pub source: Source,
}

/// A row that was not taken.
#[derive(Debug, Clone, PartialEq)]
pub struct Rejected {
    /// Its place in the body, from 0.
    pub index: usize,
    /// The field to correct; none for the row as a whole.
    pub field: Option<&'static str>,
    /// Stable code.
    pub code: &'static str,
    /// What to do.
    pub detail: String,
}

impl Rejected {
    /// The refusal of a row for `why`.
    #[must_use]
    pub fn of(index: usize, why: &ReadingError) -> Self {
        Self { index, field: Some(why.field()), code: why.code(), detail: why.to_string() }
    }
}

/// What became of a batch.
#[derive(Debug, Default, PartialEq)]
pub struct Taken {
    /// Rows stored now.
    pub accepted: usize,
    /// Rows that were stored before.
    pub known: usize,
    /// Rows not taken, in the order of the body.
    pub rejected: Vec<Rejected>,
}
