//! From registers to day volumes: what a reading is, which steps count, and how a step is
//! spread over local days without losing or making anything.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`sheet`] | the readings of one meter in one UTC day, and how new ones join them |
//! | [`stream`] | what a meter measures and who reads it |
//! | [`meter`] | the facts needed to judge one register |
//! | [`step`] | the difference of two readings and what is wrong with it |
//! | [`slip`] | the likely slip behind a wrong reading |
//! | [`days`] | local days and what fell into them |
//! | [`history`] | the most that a meter's own past lets pass, by time of year |
//! | [`fold`] | readings in time order to day shares and exceptions |

pub mod days;
pub mod fold;
pub mod history;
pub mod meter;
pub mod sheet;
pub mod slip;
pub mod step;
pub mod stream;
