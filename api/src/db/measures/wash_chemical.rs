//! Wash chemicals in the database.

use super::dated::{self, Dated, end_running};
use super::owner::Place;
use super::{DAYS, Head, Note, head_of_site};
use crate::db::error::known;
use crate::db::range::{self, DateRange};
use crate::db::schema::wash_chemical;
use crate::db::{DbError, Tx};
use chrono::NaiveDate;
use chrono_tz::Tz;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::SiteId;
use domain::measures::days::Days;
use domain::service::chemical::{Standing, WashChemical};
use domain::span::Span;
use std::borrow::Cow;

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = wash_chemical)]
pub(crate) struct Row {
    valid: DateRange,
    product: String,
    standing: String,
    note: Option<String>,
}

impl TryFrom<Row> for WashChemical {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        Ok(Self {
            days: range::to_days(row.valid)?,
            product: row.product,
            standing: known("standing", Standing::from_name(&row.standing))?,
            note: row.note,
        })
    }
}

impl Note for WashChemical {
    type Owner = SiteId;
    type Row = Row;
    const TABLE: &'static str = "wash_chemical";
    const TIME: &'static str = DAYS;
    const WRITTEN: &'static str = dated::WRITTEN;

    fn span(&self, zone: Tz) -> Span {
        self.days.span(zone)
    }

    fn counts(&self) -> bool {
        false
    }

    async fn prepare(&self, tx: &Tx<'_>, site: SiteId, place: &Place) -> Result<(), DbError> {
        end_running(tx, site, place, self).await
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let row = Row {
            valid: range::of_days(self.days),
            product: self.product.clone(),
            standing: self.standing.as_str().to_owned(),
            note: self.note.clone(),
        };
        let values = (head_of_site!(wash_chemical, head), row);
        insert_into(wash_chemical::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}

impl Dated for WashChemical {
    type Bound = NaiveDate;
    const RANGE: (&'static str, &'static str) = ("daterange", "date");
    const KIND: &'static str = "product";

    fn kind(&self) -> Cow<'_, str> {
        self.product.as_str().into()
    }

    fn bounds(&self) -> (NaiveDate, Option<NaiveDate>) {
        (self.days.from(), self.days.to())
    }

    fn ended(self, to: NaiveDate) -> Result<Self, Faults> {
        Ok(Self { days: Days::parse(self.days.from(), Some(to))?, ..self })
    }
}
