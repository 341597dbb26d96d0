//! Units at risk in the database: the fleet to forecast, the forecasts, how they turned out,
//! and what followed findings and signs.

pub mod figures;
pub mod fleet;
pub mod followed;
pub mod life_figures;
pub mod outcomes;
mod signs;
pub mod store;
pub mod view;
