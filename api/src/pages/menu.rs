//! The way to the other pages: each role is led to those that it may see.

use crate::auth::{Permission, Role, perm};

/// A page's address, its name, and who may see it.
type Entry = (&'static str, &'static str, &'static [Role]);

/// The dealer's own people, who begin with what is to be done.
const DEALERS: &[Role] = &[Role::Owner, Role::Office, Role::Technician];
/// A customer's people, who begin with their units.
const CUSTOMERS: &[Role] = &[Role::CustomerViewer, Role::CustomerReader];

const ENTRIES: [Entry; 13] = [
    ("/", "Today", DEALERS),
    ("/", "Your units", CUSTOMERS),
    ("/units", "Units", DEALERS),
    ("/customers", "Customers", perm::WriteCustomers::ROLES),
    ("/call-outs", "Call-outs", perm::ReadCallOuts::ROLES),
    ("/readings-due", "Readings due", perm::ReadDue::ROLES),
    ("/to-decide", "To decide", perm::RuleReadings::ROLES),
    ("/due", "Work due", perm::ReadRoutines::ROLES),
    ("/week", "This week", perm::ReadVisits::ROLES),
    ("/risk", "Units at risk", perm::ReadRisk::ROLES),
    ("/stock", "Stock", perm::ReadStock::ROLES),
    ("/savings-reports", "Savings reports", perm::ReadReports::ROLES),
    ("/settings", "Settings", perm::WriteUnits::ROLES),
];

/// The name by which the base template finds the menu among the values of a rendering.
pub(super) const MENU: &str = "menu";

/// The addresses and names of the pages that somebody is led to.
pub(super) struct Menu(pub(super) Vec<(&'static str, &'static str)>);

impl Menu {
    /// Those that `role` may see, in their order.
    pub(super) fn of(role: Role) -> Self {
        let seen = ENTRIES.iter().filter(|(_, _, roles)| roles.contains(&role));
        Self(seen.map(|(address, name, _)| (*address, *name)).collect())
    }
}
