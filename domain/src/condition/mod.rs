//! What is wrong with a unit before a part fails: each test is run only where its physics and its
//! data hold, else it says why not.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`chart`] | EWMA and CUSUM of standardised values |
//! | [`run_length`] | how long a chart runs until it signals, and limits for a stated run length |
//! | [`baseline`] | mean and deviation of a clean stretch, robust to outliers |
//! | [`test`] | the kinds of tests and findings, and what one came to |
//! | [`steady`] | a quantity by day that should stay what it was |
//! | [`days`] | flow, energy and starts of a unit by day |
//! | [`pressure`] | pressure lost across the media |
//! | [`drift`] | a probe that drifts between its calibrations |
//! | [`dose`] | a dosing pump's draw-down against its setting |
//! | [`hours`] | registers to hours, and hours to nights without washing |
//! | [`valve`] | a fill valve that does not close |
//! | [`closure`] | the same by two readings while the site is closed |
//! | [`cost`] | what a finding costs a day |

pub mod baseline;
pub mod chart;
pub mod closure;
pub mod cost;
pub mod days;
pub mod dose;
pub mod drift;
pub mod hours;
pub mod pressure;
pub mod run_length;
pub mod steady;
pub mod test;
#[cfg(test)]
mod tests;
pub mod valve;
