//! Investments in the database.

use super::{DAY, Head, Note, Noted, get, head_of_site};
use crate::db::error::known;
use crate::db::schema::investment;
use crate::db::{DbError, Tx};
use chrono::NaiveDate;
use chrono_tz::Tz;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::accounts::investment::Investment;
use domain::ids::{NoteId, SiteId};
use domain::measures::days::Days;
use domain::money::{Currency, Money};
use domain::span::Span;
use rust_decimal::Decimal;
use uuid::Uuid;

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = investment)]
pub(crate) struct Row {
    day: NaiveDate,
    amount: Decimal,
    currency: String,
    promised_per_year: Option<Decimal>,
    discount_rate: f64,
    life_years: f64,
    evidence: String,
}

impl TryFrom<Row> for Investment {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let currency = known("currency", Currency::parse(&row.currency).ok())?;
        Ok(Self {
            day: row.day,
            amount: Money { amount: row.amount, currency },
            promised_per_year: row.promised_per_year,
            discount_rate: row.discount_rate,
            life_years: row.life_years,
            evidence: row.evidence,
        })
    }
}

impl Note for Investment {
    type Owner = SiteId;
    type Row = Row;
    const TABLE: &'static str = "investment";
    const TIME: &'static str = DAY;

    /// The reports of all months since say how it stands.
    fn span(&self, zone: Tz) -> Span {
        Days::since(self.day).span(zone)
    }

    fn last_day(&self) -> Option<(&'static str, NaiveDate)> {
        Some(("/day", self.day))
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let row = Row {
            day: self.day,
            amount: self.amount.amount,
            currency: self.amount.currency.to_string(),
            promised_per_year: self.promised_per_year,
            discount_rate: self.discount_rate,
            life_years: self.life_years,
            evidence: self.evidence.clone(),
        };
        let values = (head_of_site!(investment, head), row);
        insert_into(investment::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}

/// The investment at a site that was not withdrawn; there is one at most.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn counting(tx: &Tx<'_>, site: SiteId) -> Result<Option<Noted<Investment>>, DbError> {
    let counts = investment::site_id.eq(site.0).and(investment::withdrawn_at.is_null());
    let id: Option<Uuid> =
        investment::table.filter(counts).select(investment::id).first(&mut tx.conn()).await.optional()?;
    match id {
        Some(id) => get(tx, site, NoteId(id)).await.map(Some),
        None => Ok(None),
    }
}
