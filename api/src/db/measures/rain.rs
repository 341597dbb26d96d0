//! Rain days and the stretches of a diverter in the database.

use super::dated::{self, Dated, end_running};
use super::owner::{Owner, Place};
use super::{DAY, Head, Note, head_of_site};
use crate::db::error::known;
use crate::db::range::{self, Range};
use crate::db::schema::{rain_day, rain_intake};
use crate::db::stamp::Change;
use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::SiteId;
use domain::measures::days::Days;
use domain::measures::rain::{RainDay, RainIntake, RainSource};
use domain::span::Span;
use domain::zone::local_date;
use serde_json::json;
use std::borrow::Cow;
use std::collections::BTreeMap;

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = rain_day)]
pub(crate) struct DayRow {
    day: NaiveDate,
    depth_mm: f64,
    source: String,
}

impl TryFrom<DayRow> for RainDay {
    type Error = DbError;

    fn try_from(row: DayRow) -> Result<Self, DbError> {
        let source = known("source", RainSource::from_name(&row.source))?;
        Ok(Self { day: row.day, depth_mm: row.depth_mm, source })
    }
}

impl Note for RainDay {
    type Owner = SiteId;
    type Row = DayRow;
    const TABLE: &'static str = "rain_day";
    const TIME: &'static str = DAY;

    fn span(&self, zone: Tz) -> Span {
        Days::of(self.day).span(zone)
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let row = DayRow { day: self.day, depth_mm: self.depth_mm, source: self.source.as_str().to_owned() };
        let values = (head_of_site!(rain_day, head), row);
        insert_into(rain_day::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}

/// What became of a rain day of a batch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Taken {
    /// Stored now.
    Accepted,
    /// Stored before, with the same depth.
    Known,
    /// Not stored: the day has another depth.
    Differs {
        /// That depth.
        depth_mm: f64,
    },
    /// Not stored: the day has not begun at the site.
    Ahead,
}

/// Notes down rain days, and says what became of each, in their order.
///
/// # Errors
/// [`DbError::NotFound`] for a site outside the scope, [`DbError::Taken`] when another
/// transaction notes the same days.
pub(crate) async fn add(tx: &Tx<'_>, site: SiteId, new: &[RainDay]) -> Result<Vec<Taken>, DbError> {
    let place = site.place(tx, tx.now()).await?;
    let customer = place.customer.ok_or(DbError::NotFound)?;
    let today = local_date(place.zone, tx.now());
    let stored = rain_day::site_id.eq(site.0).and(rain_day::withdrawn_at.is_null());
    let stored: Vec<(NaiveDate, f64)> = rain_day::table
        .filter(stored.and(rain_day::day.eq_any(new.iter().map(|rain| rain.day))))
        .select((rain_day::day, rain_day::depth_mm))
        .load(&mut tx.conn())
        .await?;
    let mut depths: BTreeMap<NaiveDate, f64> = stored.into_iter().collect();
    let (mut taken, mut days) = (Vec::with_capacity(new.len()), Vec::new());
    for rain in new {
        taken.push(match depths.get(&rain.day).copied() {
            _ if rain.day > today => Taken::Ahead,
            Some(depth_mm) if depth_mm == rain.depth_mm => Taken::Known,
            Some(depth_mm) => Taken::Differs { depth_mm },
            None => {
                rain.insert(tx, &Head::new(tx, site, customer)).await?;
                depths.insert(rain.day, rain.depth_mm);
                days.push(rain.day);
                Taken::Accepted
            }
        });
    }
    if let Some((first, last)) = days.iter().min().zip(days.iter().max()) {
        site.touch(tx, Days::parse(*first, last.succ_opt())?.span(place.zone)).await?;
        tx.log(Change {
            record: RainDay::TABLE,
            record_id: site.to_string(),
            revision: None,
            verb: "added",
            customer: place.customer,
            detail: json!({ "accepted": days.len(), "first": first, "last": last }),
        })
        .await?;
    }
    Ok(taken)
}

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = rain_intake)]
pub(crate) struct IntakeRow {
    valid: Range,
}

impl TryFrom<IntakeRow> for RainIntake {
    type Error = DbError;

    fn try_from(row: IntakeRow) -> Result<Self, DbError> {
        range::to_span(row.valid).map(Self)
    }
}

impl Note for RainIntake {
    type Owner = SiteId;
    type Row = IntakeRow;
    const TABLE: &'static str = "rain_intake";
    const TIME: &'static str = "valid";
    const WRITTEN: &'static str = dated::WRITTEN;

    fn span(&self, _zone: Tz) -> Span {
        self.0
    }

    async fn prepare(&self, tx: &Tx<'_>, site: SiteId, place: &Place) -> Result<(), DbError> {
        end_running(tx, site, place, self).await
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let values = (head_of_site!(rain_intake, head), IntakeRow { valid: range::of_span(self.0) });
        insert_into(rain_intake::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}

impl Dated for RainIntake {
    type Bound = DateTime<Utc>;
    const RANGE: (&'static str, &'static str) = ("tstzrange", "timestamptz");
    /// A site has one diverter.
    const KIND: &'static str = "''";

    fn kind(&self) -> Cow<'_, str> {
        "".into()
    }

    fn bounds(&self) -> (DateTime<Utc>, Option<DateTime<Utc>>) {
        (self.0.from(), self.0.to())
    }

    fn ended(self, to: DateTime<Utc>) -> Result<Self, Faults> {
        Span::parse(self.0.from(), Some(to)).map(Self)
    }
}
