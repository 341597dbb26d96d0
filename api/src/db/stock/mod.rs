//! Consumables and stock: items, places, the ledger with its balances, prices, kits, and what is
//! foreseen of them.

pub mod balance;
pub(in crate::db) mod billing;
pub mod forecast;
pub mod item;
pub mod kit;
pub mod ledger;
pub mod lot;
pub mod movement;
pub mod night_inputs;
pub mod orders;
pub mod place;
pub mod price;
pub mod reservation;
pub mod site_use;
mod supplier;
pub mod use_of_site;
pub mod use_sums;
pub mod van_load;

use super::DbError;
use domain::fault::Faults;

/// Says that a field names nothing of the dealer's.
fn unknown(pointer: impl Into<String>) -> Faults {
    Faults::one(pointer, "unknown_reference", "nothing of yours has this id; list them to find the right one")
}

/// Says that a field names something that was retired.
fn retired(pointer: impl Into<String>) -> Faults {
    Faults::one(pointer, "retired", "it was retired; give one that still counts")
}

/// A record that a field names: a fault at the field when there is none.
pub(in crate::db) fn named<T>(pointer: &str, found: Result<T, DbError>) -> Result<T, DbError> {
    match found {
        Err(DbError::NotFound) => Err(unknown(pointer).into()),
        other => other,
    }
}
