//! The dealer a scope belongs to.

use super::gate::DealerRow;
use super::schema::dealer;
use super::{DbError, Tx};
use chrono::NaiveDate;
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::zone::{local_date, parse_zone};

/// The scope's dealer.
///
/// # Errors
/// [`DbError::NotFound`] when it was removed.
pub async fn get(tx: &Tx<'_>) -> Result<DealerRow, DbError> {
    Ok(dealer::table.select(DealerRow::as_select()).first(&mut tx.conn()).await?)
}

/// The time zone of the scope's dealer.
///
/// # Errors
/// When it is none, or the database fails.
pub async fn zone(tx: &Tx<'_>) -> Result<Tz, DbError> {
    Ok(parse_zone(&get(tx).await?.time_zone)?)
}

/// The day that it is by the dealer's clock.
///
/// # Errors
/// When the database fails.
pub async fn today(tx: &Tx<'_>) -> Result<NaiveDate, DbError> {
    Ok(local_date(zone(tx).await?, tx.now()))
}
