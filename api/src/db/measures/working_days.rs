//! Working days of sites in the database.

use super::dated::{self, Dated, end_running};
use super::owner::Place;
use super::{DAYS, Head, Note, head_of_site};
use crate::db::error::known;
use crate::db::range::{self, DateRange};
use crate::db::schema::working_days;
use crate::db::{DbError, Tx};
use chrono::NaiveDate;
use chrono_tz::Tz;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::SiteId;
use domain::measures::days::Days;
use domain::measures::working_days::WorkingDays;
use domain::metering::spread::WorkingCalendar;
use domain::span::Span;
use serde_json::{Value, json};
use std::borrow::Cow;
use std::collections::HashMap;
use uuid::Uuid;

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = working_days)]
pub(crate) struct Row {
    valid: DateRange,
    week: Value,
}

impl TryFrom<Row> for WorkingDays {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        Ok(Self { days: range::to_days(row.valid)?, week: known("week", serde_json::from_value(row.week).ok())? })
    }
}

impl Note for WorkingDays {
    type Owner = SiteId;
    type Row = Row;
    const TABLE: &'static str = "working_days";
    const TIME: &'static str = DAYS;
    const WRITTEN: &'static str = dated::WRITTEN;

    fn span(&self, zone: Tz) -> Span {
        self.days.span(zone)
    }

    async fn prepare(&self, tx: &Tx<'_>, site: SiteId, place: &Place) -> Result<(), DbError> {
        end_running(tx, site, place, self).await
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let row = Row { valid: range::of_days(self.days), week: json!(self.week) };
        let values = (head_of_site!(working_days, head), row);
        insert_into(working_days::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}

/// A site has one pattern at a time.
const ONE_KIND: &str = "week";

impl Dated for WorkingDays {
    type Bound = NaiveDate;
    const RANGE: (&'static str, &'static str) = ("daterange", "date");
    const KIND: &'static str = "'week'";

    fn kind(&self) -> Cow<'_, str> {
        ONE_KIND.into()
    }

    fn bounds(&self) -> (NaiveDate, Option<NaiveDate>) {
        (self.days.from(), self.days.to())
    }

    fn ended(self, to: NaiveDate) -> Result<Self, Faults> {
        Ok(Self { days: Days::parse(self.days.from(), Some(to))?, ..self })
    }
}

/// The working calendars of sites.
///
/// # Errors
/// When the database fails.
pub(crate) async fn calendars(tx: &Tx<'_>, sites: &[Uuid]) -> Result<HashMap<Uuid, WorkingCalendar>, DbError> {
    let records = crate::db::notes::all::<WorkingDays>(tx, sites).await?;
    let calendar =
        |(site, records): (Uuid, Vec<WorkingDays>)| Ok((site, known("week", WorkingDays::calendar(&records).ok())?));
    records.into_iter().map(calendar).collect()
}
