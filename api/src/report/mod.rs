//! A savings report as people get it: one document from the stored figures, shown as a page, set as
//! PDF and written as CSV. Nothing is computed here; every figure is the domain's.

mod actual_bills;
mod beside;
pub mod charts;
mod document;
pub mod facts;
mod lines;
pub mod print;
mod records;
mod sentence;
mod tables;
pub mod words;

pub(crate) use lines::number_of;

pub use document::{Statement, Wanted, counted, statement, zone};
pub use words::Words;
