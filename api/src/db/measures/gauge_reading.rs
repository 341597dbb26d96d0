//! Gauge readings in the database.

use super::{Head, INSTANT, Note, head_of_unit};
use crate::db::error::known;
use crate::db::schema::gauge_reading;
use crate::db::{DbError, Tx};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::ids::UnitId;
use domain::measures::gauge::{Gauge, GaugeReading, GaugeUnit};
use domain::measures::sample::Qualifier;
use domain::span::Span;

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = gauge_reading)]
pub(crate) struct Row {
    at: DateTime<Utc>,
    gauge: String,
    qualifier: Option<String>,
    value: f64,
    unit: String,
    place: Option<String>,
}

impl From<&GaugeReading> for Row {
    fn from(new: &GaugeReading) -> Self {
        Self {
            at: new.at,
            gauge: new.gauge.as_str().to_owned(),
            qualifier: new.qualifier.map(|side| side.as_str().to_owned()),
            value: new.value,
            unit: new.unit.as_str().to_owned(),
            place: new.place.clone(),
        }
    }
}

impl TryFrom<Row> for GaugeReading {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        Ok(Self {
            at: row.at,
            gauge: known("gauge", Gauge::from_name(&row.gauge))?,
            qualifier: row
                .qualifier
                .as_deref()
                .map(|side| known("qualifier", Qualifier::from_name(side)))
                .transpose()?,
            value: row.value,
            unit: known("unit", GaugeUnit::from_name(&row.unit))?,
            place: row.place,
        })
    }
}

impl Note for GaugeReading {
    type Owner = UnitId;
    type Row = Row;
    const TABLE: &'static str = "gauge_reading";
    const TIME: &'static str = INSTANT;

    fn span(&self, _zone: Tz) -> Span {
        Span::moment(self.at)
    }

    /// Levels say how much water stands in the loop; at least or at most so much says too little.
    fn counts(&self) -> bool {
        self.gauge == Gauge::Level && self.qualifier.is_none()
    }

    /// Pressures tell how clogged media are.
    fn tells_condition(&self) -> bool {
        self.gauge == Gauge::Pressure && self.qualifier.is_none()
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let values = (head_of_unit!(gauge_reading, head), Row::from(self));
        insert_into(gauge_reading::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}
