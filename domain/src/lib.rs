//! The arithmetic of Weirbook: what is true without a database or HTTP.
//!
//! No clock, no input or output, no randomness: those come in as arguments.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`ids`] | typed keys |
//! | [`fault`] | what is wrong with an input, and the fix |
//! | [`units`], [`money`], [`zone`] | litres and registers, money, local days and months |
//! | [`span`], [`country`] | stretches of time, countries |
//! | [`customer`], [`site`] | who uses units, and where |
//! | [`unit`], [`placement`], [`spell`] | the plant and its model, where it stood when, in which state |
//! | [`component`] | a fitted part that wears |
//! | [`meter`] | a cumulative register, what it measures when, its exchanges |
//! | [`facts`], [`period_facts`] | what a subject used in a local day, a month, between two rounds |
//! | [`water`] | recycled and fresh water, the residual, grades, read periods |
//! | [`reading`] | what is wrong with a reading by itself |
//! | [`metering`] | day sheets, steps of a register, local days, exceptions |
//! | [`reliability`] | lives of parts: estimates, risk, when to replace, scores of forecasts |
//! | [`report`] | the savings report: figures in, what is said about them out |

pub mod component;
pub mod country;
pub mod customer;
pub mod facts;
pub mod fault;
pub mod ids;
pub mod meter;
pub mod metering;
pub mod money;
mod named;
pub mod period_facts;
pub mod placement;
pub mod reading;
pub mod reliability;
pub mod report;
pub mod site;
pub mod span;
pub mod spell;
pub mod unit;
pub mod units;
pub mod water;
pub mod zone;
