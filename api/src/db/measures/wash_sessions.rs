//! Which pause tells washes apart at meters of a single gun, in the database.

use super::dated::{Dated, end_running};
use super::owner::Place;
use super::{DAYS, Head, Note, head_of_site};
use crate::db::range::{self, DateRange};
use crate::db::schema::wash_sessions;
use crate::db::{DbError, Tx, holding, meter};
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

    fn span(&self, zone: Tz) -> Span {
        self.days.span(zone)
    }

    async fn prepare(&self, tx: &Tx<'_>, site: SiteId, place: &Place) -> Result<(), DbError> {
        check_meter(tx, (site, place), self).await?;
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

/// Refuses a meter that does not measure wash water at the site.
async fn check_meter(tx: &Tx<'_>, (site, place): (SiteId, &Place), new: &WashSessions) -> Result<(), DbError> {
    let meter = match meter::get(tx, new.meter_id).await {
        Err(DbError::NotFound) => {
            let fix = "nothing of yours has this id; list the meters to find the right one";
            return Err(Faults::one("/meter_id", "unknown_reference", fix).into());
        }
        found => found?,
    };
    let mut faults = Faults::default();
    if meter.meter.value.facts.stream != Stream::Wash {
        faults.add("/meter_id", "wrong_stream", "give a meter of wash: the treated water to a single gun");
    }
    let serving = holding::of_site(tx, site, new.span(place.zone)).await?;
    if !serving.iter().any(|(no, _)| *no == meter.no.0) {
        faults.add("/meter_id", "not_at_site", "the meter serves another site then; attach it here, or give another");
    }
    Ok(faults.or(())?)
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
