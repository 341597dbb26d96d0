//! What units got, summed by month, for a unit, a site, a customer or the dealer.

use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Date, Nullable, Numeric, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use rust_decimal::Decimal;
use uuid::Uuid;

/// What it is summed by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// For each unit.
    Unit,
    /// For each site that the units stood at.
    Site,
    /// For each customer whose they were.
    Customer,
    /// Together.
    Dealer,
}

impl By {
    /// The one of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Some(match name {
            "unit" => Self::Unit,
            "site" => Self::Site,
            "customer" => Self::Customer,
            "dealer" => Self::Dealer,
            _ => return None,
        })
    }

    fn column(self) -> &'static str {
        match self {
            Self::Unit => "m.unit_id",
            Self::Site => "p.site_id",
            Self::Customer => "p.customer_id",
            Self::Dealer => "null::uuid",
        }
    }
}

/// What was issued in a month, less what came back.
#[derive(Debug, Clone, PartialEq, QueryableByName)]
pub struct MonthSum {
    /// Whose; none of the dealer's, and of units that stood nowhere.
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub of: Option<Uuid>,
    /// Of which item.
    #[diesel(sql_type = SqlUuid)]
    pub item_id: Uuid,
    /// The month's first day.
    #[diesel(sql_type = Date)]
    pub month: NaiveDate,
    /// Who pays.
    #[diesel(sql_type = Text)]
    pub payer: String,
    /// How much.
    #[diesel(sql_type = Numeric)]
    pub quantity: Decimal,
}

/// Sums of `[from, to)` by calendar months of `zone`.
///
/// # Errors
/// When the database fails.
pub async fn list(
    tx: &Tx<'_>,
    by: By,
    (from, to): (DateTime<Utc>, DateTime<Utc>),
    zone: &str,
) -> Result<Vec<MonthSum>, DbError> {
    let of = by.column();
    let sql = format!(
        "select {of} as of, m.consumable_id as item_id, date_trunc('month', m.at at time zone $3)::date as month,
                m.payer, sum(case m.kind when 'issued' then m.quantity else -m.quantity end) as quantity
           from stock_movement m
           left join placement p on p.dealer_id = m.dealer_id and p.unit_id = m.unit_id and p.valid @> m.at
          where m.kind in ('issued', 'returned') and m.at >= $1 and m.at < $2
          group by 1, 2, 3, 4 order by 3, 1, 2, 4"
    );
    Ok(sql_query(sql)
        .bind::<Timestamptz, _>(from)
        .bind::<Timestamptz, _>(to)
        .bind::<Text, _>(zone)
        .load(&mut tx.conn())
        .await?)
}
