//! Consumables and stock: items, places, the ledger, what stands where, what was used, what runs
//! out, and kits.

pub mod balances;
pub mod foreseen;
pub mod items;
pub mod kits;
pub mod lots;
pub mod movements;
pub mod placed;
pub mod places;
pub mod prices;
pub mod reservations;
pub mod site_use;
pub mod use_sums;
pub mod van_load;

use super::routing::Routes;

/// The routes of these resources.
pub fn routes(routes: &mut Routes) {
    routes
        .configure(items::routes)
        .configure(lots::routes)
        .configure(prices::routes)
        .configure(places::routes)
        .configure(van_load::routes)
        .configure(movements::routes)
        .configure(balances::routes)
        .configure(use_sums::routes)
        .configure(site_use::routes)
        .configure(foreseen::routes)
        .configure(placed::routes)
        .configure(kits::routes)
        .configure(reservations::routes);
}

/// Lines of the ledger, lots and prices are written once.
const WRITTEN_ONCE: i32 = 1;
