//! Samples in the database.

use super::{Head, INSTANT, Note, head_of_unit};
use crate::db::error::known;
use crate::db::schema::sample;
use crate::db::{DbError, Tx};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use diesel::insert_into;
use diesel::prelude::*;
use diesel::sql_types::Bool;
use diesel_async::RunQueryDsl;
use domain::ids::UnitId;
use domain::measures::sample::{Qualifier, Quantity, Sample, SampleUnit};
use domain::span::Span;

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = sample)]
pub(crate) struct Row {
    at: DateTime<Utc>,
    point: String,
    what: String,
    qualifier: Option<String>,
    value: f64,
    unit: String,
    method: Option<String>,
    detection_limit: Option<f64>,
    #[diesel(sql_type = Bool, skip_insertion)]
    in_doubt: bool,
}

/// A sample, and whether the check of the unit's probe after it leaves it in doubt.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Judged {
    /// The sample.
    pub(crate) sample: Sample,
    /// Whether that check found the probe out of its limits.
    pub(crate) in_doubt: bool,
}

impl Judged {
    /// A sample that no check came after.
    pub(crate) fn new(sample: Sample) -> Self {
        Self { sample, in_doubt: false }
    }
}

impl From<&Sample> for Row {
    fn from(new: &Sample) -> Self {
        Self {
            at: new.at,
            point: new.point.clone(),
            what: new.what.as_str().to_owned(),
            qualifier: new.qualifier.map(|qualifier| qualifier.as_str().to_owned()),
            value: new.value,
            unit: new.unit.as_str().to_owned(),
            method: new.method.clone(),
            detection_limit: new.detection_limit,
            in_doubt: false,
        }
    }
}

impl TryFrom<Row> for Judged {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let qualifier = |name: String| known("qualifier", Qualifier::from_name(&name));
        let sample = Sample {
            at: row.at,
            point: row.point,
            what: known("what", Quantity::from_name(&row.what))?,
            qualifier: row.qualifier.map(qualifier).transpose()?,
            value: row.value,
            unit: known("unit", SampleUnit::from_name(&row.unit))?,
            method: row.method,
            detection_limit: row.detection_limit,
        };
        Ok(Self { sample, in_doubt: row.in_doubt })
    }
}

impl Note for Judged {
    type Owner = UnitId;
    type Row = Row;
    const TABLE: &'static str = "sample";
    const SEEN: &'static str = "sample_seen";
    const TIME: &'static str = INSTANT;

    fn span(&self, _zone: Tz) -> Span {
        Span::moment(self.sample.at)
    }

    fn counts(&self) -> bool {
        false
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let values = (head_of_unit!(sample, head), Row::from(&self.sample));
        insert_into(sample::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}
