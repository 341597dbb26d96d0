//! Figures that a dealer sets for its forecasts; the usual ones count until then.

use crate::db::own_record::{self, OwnRecord};
use crate::db::{DbError, Revision, Stored, Tx};
use chrono::{DateTime, Utc};
use domain::ids::DealerId;

/// Figures with their revision: 0 as long as the usual ones count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StoredFigures<T> {
    /// How often they were written.
    pub revision: Revision,
    /// When they were last written.
    pub changed_at: Option<DateTime<Utc>>,
    /// The figures.
    pub value: T,
}

impl<T> From<Stored<DealerId, T>> for StoredFigures<T> {
    fn from(stored: Stored<DealerId, T>) -> Self {
        Self { revision: stored.revision, changed_at: Some(stored.changed_at), value: stored.value }
    }
}

/// The dealer's figures, else the usual ones.
///
/// # Errors
/// When the database fails.
pub async fn get<T: OwnRecord + Default>(tx: &Tx<'_>) -> Result<StoredFigures<T>, DbError> {
    let usual = || StoredFigures { revision: 0, changed_at: None, value: T::default() };
    Ok(own_record::find::<T>(tx).await?.map_or_else(usual, StoredFigures::from))
}

/// Sets figures that are still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] at another revision.
pub async fn set_at<T: OwnRecord>(tx: &Tx<'_>, at: Revision, new: &T) -> Result<StoredFigures<T>, DbError> {
    Ok(own_record::set_at(tx, at, new).await?.into())
}
