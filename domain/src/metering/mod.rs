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
//! | [`days`] | local days, and the spans between cuts |
//! | [`spread`] | how a step is divided over the time between its readings |
//! | [`history`] | a meter's months, and the most that its own past lets pass |
//! | [`fold`] | readings in time order to day shares and exceptions |
//! | [`month`] | what falls into calendar months, and how sure the division is |
//! | [`pulses`] | dial and pulse total of one meter, tied at hand readings |
//! | [`watch`] | whether a meter is still read, and still moves |
//! | [`finding`] | what is the matter with a meter, since when, how much |
//! | [`accuracy`] | what a water meter may be off by |
//! | [`low_flow`] | how much passed below the flows at which it measures well |
//! | [`sessions`] | washes told apart by pauses at a single gun |

pub mod accuracy;
pub mod days;
pub mod finding;
pub mod fold;
pub mod history;
mod ledger;
pub mod low_flow;
pub mod meter;
pub mod month;
pub mod pulses;
pub mod sessions;
pub mod sheet;
pub mod slip;
pub mod spread;
pub mod step;
pub mod stream;
pub mod watch;
