//! Requests and answers: one file a resource, its shapes, handlers and routes. No SQL here.

pub mod answer;
pub mod customers;
pub mod operations;
pub mod sessions;

use utoipa_actix_web::service_config::ServiceConfig;

/// The routes under `/v1`.
pub fn routes(config: &mut ServiceConfig) {
    config.configure(sessions::routes).configure(customers::routes);
}
