//! Which pause tells washes apart at meters of a single gun, in the database.

use super::dated::{self, Dated, end_running};
use super::guns::check_meter;
use super::owner::Place;
use super::{DAYS, Head, Note, head_of_site};
use crate::db::range::{self, DateRange};
use crate::db::schema::wash_sessions;
use crate::db::{DbError, Tx};
use chrono::NaiveDate;
use chrono_tz::Tz;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{MeterId, SiteId};
use domain::measures::days::Days;
use domain::measures::wash_sessions::WashSessions;
use domain::metering::stream::Stream;
use domain::span::Span;
use std::borrow::Cow;
use uuid::Uuid;

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = wash_sessions)]
pub(crate) struct Row {
    valid: DateRange,
    meter_id: Uuid,
    pause_min: i32,
    source: String,
}

impl TryFrom<Row> for WashSessions {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let (days, meter_id) = (range::to_days(row.valid)?, MeterId(row.meter_id));
        Ok(Self { days, meter_id, pause_min: row.pause_min, source: row.source })
    }
}

impl Note for WashSessions {
    type Owner = SiteId;
    type Row = Row;
    const TABLE: &'static str = "wash_sessions";
    const TIME: &'static str = DAYS;
    const WRITTEN: &'static str = dated::WRITTEN;

    fn span(&self, zone: Tz) -> Span {
        self.days.span(zone)
    }

    async fn prepare(&self, tx: &Tx<'_>, site: SiteId, place: &Place) -> Result<(), DbError> {
        let mut faults = Faults::default();
        let of = (Stream::Wash, "give a meter of wash: the treated water to a single gun");
        check_meter(tx, &mut faults, (site, self.span(place.zone)), self.meter_id, of).await?;
        faults.or(())?;
        end_running(tx, site, place, self).await
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let row = Row {
            valid: range::of_days(self.days),
            meter_id: self.meter_id.0,
            pause_min: self.pause_min,
            source: self.source.clone(),
        };
        let values = (head_of_site!(wash_sessions, head), row);
        insert_into(wash_sessions::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}

impl Dated for WashSessions {
    type Bound = NaiveDate;
    const RANGE: (&'static str, &'static str) = ("daterange", "date");
    const KIND: &'static str = "meter_id::text";

    fn kind(&self) -> Cow<'_, str> {
        self.meter_id.0.to_string().into()
    }

    fn bounds(&self) -> (NaiveDate, Option<NaiveDate>) {
        (self.days.from(), self.days.to())
    }

    fn ended(self, to: NaiveDate) -> Result<Self, Faults> {
        Ok(Self { days: Days::parse(self.days.from(), Some(to))?, ..self })
    }
}
