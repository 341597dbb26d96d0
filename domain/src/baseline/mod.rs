//! What a site or unit used before its recycling plant: a dated record, agreed with the
//! customer, against which fresh water avoided is held.
//!
//! Without a baseline there is no saving to print: published figures of other washes are never
//! put in its place. Negative savings are shown as they are.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`record`] | the record: for what, from when, by which method, agreed by whom |
//! | [`method`] | how the figures were found: per wash, bucket tests, bills, equivalence |
//! | [`bills`] | bills before the unit, normalised, and how well they fit |
//! | [`history`] | the records of one site or unit, which never overlap |
//! | [`avoided`] | baseline less fresh water used |

pub mod avoided;
pub mod bills;
pub mod history;
pub mod method;
pub mod record;

#[cfg(test)]
mod handbook;
