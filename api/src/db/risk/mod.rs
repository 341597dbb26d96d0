//! Units at risk in the database: the fleet to forecast, the forecasts, how they turned out,
//! what followed findings and signs, what to bring, and who else sees of it.

pub mod bring;
pub mod figures;
pub mod fleet;
pub mod followed;
pub mod lent;
pub mod life_figures;
pub mod outcomes;
pub mod sharing;
mod signs;
pub mod store;
pub mod unit_nights;
pub mod view;
