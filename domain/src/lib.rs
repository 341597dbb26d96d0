//! The arithmetic of Weirbook: what is true without a database or HTTP.
//!
//! No clock, no input or output, no randomness: those come in as arguments.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`ids`] | typed keys |
//! | [`fault`] | what is wrong with an input, and the fix |
//! | [`units`], [`money`], [`zone`] | litres and registers, money, local days and months |
//! | [`metering`] | day sheets, steps of a register, local days, exceptions |

pub mod customer;
pub mod facts;
pub mod fault;
pub mod ids;
pub mod metering;
pub mod money;
pub mod reading;
pub mod units;
pub mod zone;
