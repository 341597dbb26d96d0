//! Loss coefficients in the database.

use super::dated::{self, Dated, end_running};
use super::owner::Place;
use super::{DAYS, Head, Note, head_of_site};
use crate::db::error::known;
use crate::db::range::{self, DateRange};
use crate::db::schema::loss_coefficient;
use crate::db::{DbError, Tx};
use chrono::NaiveDate;
use chrono_tz::Tz;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::SiteId;
use domain::measures::days::Days;
use domain::measures::loss_coefficient::{Basis, Loss, LossCoefficient, coefficient, parts};
use domain::span::Span;
use std::borrow::Cow;

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = loss_coefficient)]
pub(crate) struct Row {
    valid: DateRange,
    loss: String,
    basis: String,
    value: f64,
    surface_m2: Option<f64>,
    u_share: f64,
    source: String,
}

impl From<&LossCoefficient> for Row {
    fn from(new: &LossCoefficient) -> Self {
        let (basis, value, surface_m2) = parts(new.coefficient);
        Self {
            valid: range::of_days(new.days),
            loss: new.loss.as_str().to_owned(),
            basis: basis.as_str().to_owned(),
            value,
            surface_m2,
            u_share: new.u_share,
            source: new.source.clone(),
        }
    }
}

impl TryFrom<Row> for LossCoefficient {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let basis = known("basis", Basis::from_name(&row.basis))?;
        Ok(Self {
            days: range::to_days(row.valid)?,
            loss: known("loss", Loss::from_name(&row.loss))?,
            coefficient: known("value", coefficient(basis, row.value, row.surface_m2).ok())?,
            u_share: row.u_share,
            source: row.source,
        })
    }
}

impl Note for LossCoefficient {
    type Owner = SiteId;
    type Row = Row;
    const TABLE: &'static str = "loss_coefficient";
    const TIME: &'static str = DAYS;
    const WRITTEN: &'static str = dated::WRITTEN;

    fn span(&self, zone: Tz) -> Span {
        self.days.span(zone)
    }

    async fn prepare(&self, tx: &Tx<'_>, site: SiteId, place: &Place) -> Result<(), DbError> {
        end_running(tx, site, place, self).await
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let values = (head_of_site!(loss_coefficient, head), Row::from(self));
        insert_into(loss_coefficient::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}

impl Dated for LossCoefficient {
    type Bound = NaiveDate;
    const RANGE: (&'static str, &'static str) = ("daterange", "date");
    const KIND: &'static str = "loss";

    fn kind(&self) -> Cow<'_, str> {
        self.loss.as_str().into()
    }

    fn bounds(&self) -> (NaiveDate, Option<NaiveDate>) {
        (self.days.from(), self.days.to())
    }

    fn ended(self, to: NaiveDate) -> Result<Self, Faults> {
        Ok(Self { days: Days::parse(self.days.from(), Some(to))?, ..self })
    }
}
