//! Checks against published figures, simulated fleets and properties, one file a module.

mod assess;
mod calibration;
mod fit;
mod kaplan_meier;
mod pool;
mod posterior;
mod properties;
pub(crate) mod published;
mod records;
mod remembered;
mod repairable;
mod replace;
mod rivals;
pub(crate) mod samples;
mod score;
mod turnbull;
mod weibull;
