//! Readings that people are asked for, over HTTP.

pub mod reading_requests;
pub mod readings_due;
pub mod reminder_rule;
pub mod rounds;

use utoipa_actix_web::service_config::ServiceConfig;

/// The routes of these resources.
pub fn routes(config: &mut ServiceConfig) {
    config
        .configure(readings_due::routes)
        .configure(reading_requests::routes)
        .configure(reminder_rule::routes)
        .configure(rounds::routes);
}
