//! The dealer a scope belongs to.

use super::gate::DealerRow;
use super::schema::dealer;
use super::{DbError, Tx};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;

/// The scope's dealer.
///
/// # Errors
/// [`DbError::NotFound`] when it was removed.
pub async fn get(tx: &Tx<'_>) -> Result<DealerRow, DbError> {
    Ok(dealer::table.select(DealerRow::as_select()).first(&mut tx.conn()).await?)
}
