//! Readings that people are asked for: when each is due, what it will probably show, what was
//! typed in, and when to remind.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`due`] | when the next reading of a dial is due, and which month it serves |
//! | [`expected`] | the range in which the register will probably stand |
//! | [`typed`] | a register as a person typed it, and what becomes of it |
//! | [`request`] | who is asked to read which meters by when |
//! | [`reminder`] | when somebody who was asked is reminded |

pub mod due;
pub mod expected;
pub mod reminder;
pub mod request;
pub mod typed;
