//! Consumables and stock: items, places, the ledger with its balances, prices, kits, and what is
//! foreseen of them.

pub mod balance;
pub(in crate::db) mod billing;
pub mod doses;
pub mod forecast;
pub mod item;
pub mod kit;
pub mod ledger;
pub mod lot;
pub mod movement;
pub mod night_inputs;
pub mod orders;
pub mod place;
pub mod placed;
pub mod price;
pub mod reservation;
pub mod site_use;
mod supplier;
pub mod use_of_site;
pub mod use_sums;
pub mod van_load;

use domain::fault::Faults;

/// Says that a field names something that was retired.
fn retired(pointer: impl Into<String>) -> Faults {
    Faults::one(pointer, "retired", "it was retired; give one that still counts")
}
