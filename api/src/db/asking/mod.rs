//! Readings that people are asked for: which are due, who was asked, when to remind.

pub mod due;
pub mod reminder_rule;
pub mod request;
pub mod round;
pub mod taken;
