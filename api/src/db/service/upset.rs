//! Process upsets in the database.

use super::{Kept, Keys, Record, create as keep, get, stood, update_at};
use crate::db::{DbError, Revision, Tx};
use domain::fault::Faults;
use domain::service::upset::ProcessUpset;
use uuid::Uuid;

impl Record for ProcessUpset {
    const TABLE: &'static str = "process_upset";
}

async fn keys(tx: &Tx<'_>, upset: &ProcessUpset) -> Result<Keys, DbError> {
    let (site, customer) = stood(tx, upset.unit_id, upset.began_at, "/began_at").await?;
    Ok(Keys { unit: Some(upset.unit_id), site: Some(site), customer: Some(customer), at: upset.began_at })
}

/// Adds an upset.
///
/// # Errors
/// [`DbError::Invalid`] for a unit outside the scope, or a beginning outside its placements.
pub(crate) async fn create(tx: &Tx<'_>, new: &ProcessUpset) -> Result<Kept<ProcessUpset>, DbError> {
    keep(tx, keys(tx, new).await?, new).await
}

/// Changes an upset that is still at revision `at`: mostly, it ends.
///
/// # Errors
/// [`DbError::Stale`] at another revision, [`DbError::NotFound`] outside the scope,
/// [`DbError::Invalid`] for another unit, and as [`create`].
pub(crate) async fn update(
    tx: &Tx<'_>,
    id: Uuid,
    at: Revision,
    new: &ProcessUpset,
) -> Result<Kept<ProcessUpset>, DbError> {
    if get::<ProcessUpset>(tx, id).await?.stored.value.unit_id != new.unit_id {
        let fix = "an upset stays with its unit; add another for the right one";
        return Err(Faults::one("/unit_id", "fixed", fix).into());
    }
    update_at(tx, id, at, keys(tx, new).await?, new).await
}
