//! Wash tallies in the database.

use super::{Head, Note, head_of_site};
use crate::db::error::known;
use crate::db::range::{self, DateRange};
use crate::db::schema::wash_tally;
use crate::db::{DbError, Tx};
use chrono::NaiveDate;
use chrono_tz::Tz;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::ids::SiteId;
use domain::measures::wash_tally::{TallySource, WashTally};
use domain::span::Span;

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = wash_tally)]
pub(crate) struct Row {
    period: DateRange,
    machine_class: String,
    washes: i32,
    source: String,
}

impl TryFrom<Row> for WashTally {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        Ok(Self {
            days: range::to_days(row.period)?,
            machine_class: row.machine_class,
            washes: row.washes,
            source: known("source", TallySource::from_name(&row.source))?,
        })
    }
}

impl Note for WashTally {
    type Owner = SiteId;
    type Row = Row;
    const TABLE: &'static str = "wash_tally";
    const TIME: &'static str =
        "tstzrange(lower(period)::timestamp at time zone 'UTC', upper(period)::timestamp at time zone 'UTC')";

    fn span(&self, zone: Tz) -> Span {
        self.days.span(zone)
    }

    fn last_day(&self) -> Option<(&'static str, NaiveDate)> {
        self.days.to()?.pred_opt().map(|last| ("/to", last))
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let row = Row {
            period: range::of_days(self.days),
            machine_class: self.machine_class.clone(),
            washes: self.washes,
            source: self.source.as_str().to_owned(),
        };
        let values = (head_of_site!(wash_tally, head), row);
        insert_into(wash_tally::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}
