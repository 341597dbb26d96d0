//! Units at risk: who they are and why, how the forecasts turned out, what failures cost. For
//! the dealer's people alone.

mod costs;
mod scores;
mod units;

use utoipa_actix_web::service_config::ServiceConfig;

/// The routes of these resources.
pub fn routes(config: &mut ServiceConfig) {
    config
        .service(scores::risk_scores)
        .service(costs::get_risk_costs)
        .service(costs::update_risk_costs)
        .service(units::list_units_at_risk)
        .service(units::unit_risk);
}
