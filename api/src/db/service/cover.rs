//! Warranty cover in the database.

use super::{Kept, Keys, Record, create as keep, day_key, get, stood, update_at};
use crate::db::error::{named, unknown};
use crate::db::{DbError, Revision, Tx, component, unit};
use domain::fault::Faults;
use domain::service::cover::{Cover, GivenBy};
use uuid::Uuid;

impl Record for Cover {
    const TABLE: &'static str = "cover";
}

/// A dealer's cover is its customer's to see, who has the unit now; a supplier's is the dealer's.
async fn keys(tx: &Tx<'_>, cover: &Cover) -> Result<Keys, DbError> {
    let stay = match cover.given_by {
        GivenBy::Dealer => Some(stood(tx, cover.unit_id, tx.now(), "/unit_id").await?),
        GivenBy::Supplier => None,
    };
    named("/unit_id", unit::get(tx, cover.unit_id).await)?;
    if let Some(part) = cover.component_id {
        let part = named("/component_id", component::get(tx, part).await)?;
        if part.value.unit_id != cover.unit_id {
            return Err(unknown("/component_id").into());
        }
    }
    Ok(Keys {
        unit: Some(cover.unit_id),
        site: stay.map(|(site, _)| site),
        customer: stay.map(|(_, customer)| customer),
        at: cover.first_day().map_or(tx.now(), day_key),
    })
}

/// Adds a cover.
///
/// # Errors
/// [`DbError::Invalid`] for a unit or part outside the scope, or a customer's cover of a unit that
/// stands nowhere.
pub(crate) async fn create(tx: &Tx<'_>, new: &Cover) -> Result<Kept<Cover>, DbError> {
    keep(tx, keys(tx, new).await?, new).await
}

/// Changes a cover that is still at revision `at`: mostly, a claim is added. It stays with the
/// customer it was given to.
///
/// # Errors
/// [`DbError::Stale`] at another revision, [`DbError::NotFound`] outside the scope,
/// [`DbError::Invalid`] for another unit or giver.
pub(crate) async fn update(tx: &Tx<'_>, id: Uuid, at: Revision, new: &Cover) -> Result<Kept<Cover>, DbError> {
    let old = get::<Cover>(tx, id).await?;
    if (old.stored.value.unit_id, old.stored.value.given_by) != (new.unit_id, new.given_by) {
        let fix = "a cover stays with its unit and with who gives it; add another";
        return Err(Faults::one("/unit_id", "fixed", fix).into());
    }
    let keys = Keys { at: new.first_day().map_or(old.keys.at, day_key), ..old.keys };
    update_at(tx, id, at, keys, new).await
}
