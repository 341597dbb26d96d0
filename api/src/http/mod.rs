//! Requests and answers: one file a resource, its shapes, handlers and routes. No SQL here.

pub mod accounts;
pub mod answer;
pub mod attachments;
pub mod balance;
pub mod components;
pub mod corrections;
pub mod customers;
pub mod measures;
pub mod meter_findings;
pub mod meters;
pub mod operations;
pub mod placements;
pub mod reading_exceptions;
pub mod readings;
pub mod risk;
pub mod savings_reports;
pub mod sessions;
pub mod sites;
pub mod spells;
pub mod unit_models;
pub mod units;
pub mod water;

use utoipa_actix_web::service_config::ServiceConfig;

/// The routes under `/v1`.
pub fn routes(config: &mut ServiceConfig) {
    config
        .configure(sessions::routes)
        .configure(customers::routes)
        .configure(sites::routes)
        .configure(unit_models::routes)
        .configure(units::routes)
        .configure(placements::routes)
        .configure(spells::routes)
        .configure(components::routes)
        .configure(meters::routes)
        .configure(attachments::routes)
        .configure(readings::routes)
        .configure(measures::routes)
        .configure(reading_exceptions::routes)
        .configure(corrections::routes)
        .configure(meter_findings::routes)
        .configure(accounts::routes)
        .configure(water::routes)
        .configure(savings_reports::routes)
        .configure(risk::routes);
}
