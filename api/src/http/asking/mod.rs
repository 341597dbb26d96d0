//! Readings that people are asked for, over HTTP.

pub mod reading_requests;
pub mod readings_due;
pub mod reminder_rule;
pub mod rounds;

use super::routing::Routes;

/// The routes of these resources.
pub fn routes(routes: &mut Routes) {
    routes
        .configure(readings_due::routes)
        .configure(reading_requests::routes)
        .configure(reminder_rule::routes)
        .configure(rounds::routes);
}
