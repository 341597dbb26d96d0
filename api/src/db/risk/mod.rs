//! Units at risk in the database: the fleet to forecast, the forecasts, how they turned out.

pub mod costs;
pub mod fleet;
pub mod outcomes;
pub mod store;
pub mod view;
