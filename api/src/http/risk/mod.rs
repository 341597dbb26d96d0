//! Units at risk: who they are and why, how the forecasts turned out, what failures cost,
//! what is a sign of an upset. For
//! the dealer's people alone.

pub mod costs;
pub mod life_models;
pub mod limits;
pub mod scores;
pub mod units;

use utoipa_actix_web::service_config::ServiceConfig;

/// The routes of these resources.
pub fn routes(config: &mut ServiceConfig) {
    config.configure(units::routes).configure(scores::routes).configure(costs::routes).configure(limits::routes);
}
