//! Flow tests of the guns and wash derivations in the database.

use super::dated::{self, Dated, end_running};
use super::owner::Place;
use super::{DAY, DAYS, Head, Note, head_of_site};
use crate::db::error::known;
use crate::db::range::{self, DateRange};
use crate::db::schema::{flow_test, wash_derivation};
use crate::db::{DbError, Tx, holding, meter};
use chrono::NaiveDate;
use chrono_tz::Tz;
use diesel::dsl::exists;
use diesel::prelude::*;
use diesel::{insert_into, select};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{MeterId, NoteId, SiteId};
use domain::measures::days::Days;
use domain::measures::guns::{FlowTest, GunHours, WashDerivation};
use domain::metering::stream::Stream;
use domain::span::Span;
use domain::water::wash::BucketTest;
use std::borrow::Cow;
use uuid::Uuid;

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = flow_test)]
pub(crate) struct TestRow {
    day: NaiveDate,
    gun: String,
    litres: f64,
    seconds: f64,
    u_share: f64,
    tested_by: Option<String>,
}

impl TryFrom<TestRow> for FlowTest {
    type Error = DbError;

    fn try_from(row: TestRow) -> Result<Self, DbError> {
        let test = BucketTest { on: row.day, litres: row.litres, seconds: row.seconds, u_share: row.u_share };
        Ok(Self { gun: row.gun, test, tested_by: row.tested_by })
    }
}

impl Note for FlowTest {
    type Owner = SiteId;
    type Row = TestRow;
    const TABLE: &'static str = "flow_test";
    const TIME: &'static str = DAY;

    /// A test holds from its day on, and the first one before it as well.
    fn span(&self, _zone: Tz) -> Span {
        Span::EVER
    }

    fn last_day(&self) -> Option<(&'static str, NaiveDate)> {
        Some(("/day", self.test.on))
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let BucketTest { on: day, litres, seconds, u_share } = self.test;
        let row = TestRow { day, gun: self.gun.clone(), litres, seconds, u_share, tested_by: self.tested_by.clone() };
        let values = (head_of_site!(flow_test, head), row);
        insert_into(flow_test::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}

/// The site at which a flow test was made.
pub(in crate::db) async fn tested_at(tx: &Tx<'_>, id: NoteId) -> Result<SiteId, DbError> {
    let site = flow_test::table.filter(flow_test::id.eq(id.0)).select(flow_test::site_id);
    Ok(SiteId(site.first(&mut tx.conn()).await?))
}

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = wash_derivation)]
pub(crate) struct DerivationRow {
    valid: DateRange,
    gun: String,
    method: String,
    meter_id: Uuid,
    share: Option<f64>,
    u_share: Option<f64>,
    source: String,
}

impl From<&WashDerivation> for DerivationRow {
    fn from(new: &WashDerivation) -> Self {
        let (share, u_share) = new.hours.share().unzip();
        Self {
            valid: range::of_days(new.days),
            gun: new.gun.clone(),
            method: new.hours.method().to_owned(),
            meter_id: new.meter_id.0,
            share,
            u_share,
            source: new.source.clone(),
        }
    }
}

impl TryFrom<DerivationRow> for WashDerivation {
    type Error = DbError;

    fn try_from(row: DerivationRow) -> Result<Self, DbError> {
        Ok(Self {
            days: range::to_days(row.valid)?,
            gun: row.gun,
            meter_id: MeterId(row.meter_id),
            hours: known("method", GunHours::parse(&row.method, row.share, row.u_share).ok())?,
            source: row.source,
        })
    }
}

impl Note for WashDerivation {
    type Owner = SiteId;
    type Row = DerivationRow;
    const TABLE: &'static str = "wash_derivation";
    const TIME: &'static str = DAYS;
    const WRITTEN: &'static str = dated::WRITTEN;

    fn span(&self, zone: Tz) -> Span {
        self.days.span(zone)
    }

    async fn prepare(&self, tx: &Tx<'_>, site: SiteId, place: &Place) -> Result<(), DbError> {
        let mut faults = Faults::default();
        let gun =
            flow_test::site_id.eq(site.0).and(flow_test::gun.eq(&self.gun)).and(flow_test::withdrawn_at.is_null());
        if !select(exists(flow_test::table.filter(gun))).get_result::<bool>(&mut tx.conn()).await? {
            let fix = "no gun of this label was tested at the site; add its flow test first, or correct the label";
            faults.add("/gun", "unknown_gun", fix);
        }
        let of = (Stream::RunHours, "give a meter of run_hours: at the gun's trigger or at its pump");
        check_meter(tx, &mut faults, (site, self.span(place.zone)), self.meter_id, of).await?;
        faults.or(())?;
        end_running(tx, site, place, self).await
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let values = (head_of_site!(wash_derivation, head), DerivationRow::from(self));
        insert_into(wash_derivation::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}

/// Notes a fault when a meter does not measure the stream at the site.
pub(super) async fn check_meter(
    tx: &Tx<'_>,
    faults: &mut Faults,
    (site, span): (SiteId, Span),
    id: MeterId,
    (stream, fix): (Stream, &'static str),
) -> Result<(), DbError> {
    let meter = match meter::get(tx, id).await {
        Err(DbError::NotFound) => {
            let fix = "nothing of yours has this id; list the meters to find the right one";
            faults.add("/meter_id", "unknown_reference", fix);
            return Ok(());
        }
        found => found?,
    };
    if meter.meter.value.facts.stream != stream {
        faults.add("/meter_id", "wrong_stream", fix);
    }
    let serving = holding::of_site(tx, site, span).await?;
    if !serving.iter().any(|(no, _)| *no == meter.no.0) {
        faults.add("/meter_id", "not_at_site", "the meter serves another site then; attach it here, or give another");
    }
    Ok(())
}

impl Dated for WashDerivation {
    type Bound = NaiveDate;
    const RANGE: (&'static str, &'static str) = ("daterange", "date");
    const KIND: &'static str = "gun";

    fn kind(&self) -> Cow<'_, str> {
        self.gun.as_str().into()
    }

    fn bounds(&self) -> (NaiveDate, Option<NaiveDate>) {
        (self.days.from(), self.days.to())
    }

    fn ended(self, to: NaiveDate) -> Result<Self, Faults> {
        Ok(Self { days: Days::parse(self.days.from(), Some(to))?, ..self })
    }
}
