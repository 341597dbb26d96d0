//! A site's money: water accounts with their tariffs and bills, baselines, cost terms.

pub mod baselines;
pub mod bills;
pub mod cost_terms;
pub mod preview;
pub mod tariffs;
pub mod water_accounts;

use utoipa_actix_web::service_config::ServiceConfig;

/// The routes of these resources.
pub fn routes(config: &mut ServiceConfig) {
    config
        .configure(water_accounts::routes)
        .configure(tariffs::routes)
        .configure(preview::routes)
        .configure(bills::routes)
        .configure(baselines::routes)
        .configure(cost_terms::routes);
}
