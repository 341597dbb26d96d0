//! Units at risk: who they are and why, how the forecasts turned out, what failures cost,
//! what is a sign of an upset, what other dealers lend. For the dealer's people alone, but for what
//! they open to a customer.

pub mod bring;
pub mod costs;
pub mod life_models;
pub mod limits;
pub mod nights;
pub mod pooling;
pub mod scores;
pub mod sharing;
pub mod units;

use super::routing::Routes;

/// The routes of these resources.
pub fn routes(routes: &mut Routes) {
    routes.configure(units::routes).configure(scores::routes).configure(costs::routes).configure(limits::routes);
    routes.configure(nights::routes).configure(pooling::routes).configure(sharing::routes);
}
