//! Work at units: what was done, what was called for, what is planned, what was promised.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`event`], [`details`] | something done to a unit, and what each kind of it has to say |
//! | [`measured`] | what was measured in its course |
//! | [`failure`] | the words a failure is described in |
//! | [`call_out`] | a customer's call and the steps that followed; what calls come to |
//! | [`response`] | by when an answer was promised |
//! | [`upset`] | the water going wrong |
//! | [`chemical`] | what a site washes with |
//! | [`visit`] | a planned visit, its moves, what stands against it |
//! | [`agreement`] | what a customer is promised, and for how much |
//! | [`cover`] | warranty, and claims on suppliers |

pub mod agreement;
pub mod call_out;
pub mod chemical;
pub mod cover;
pub mod details;
pub mod event;
pub mod failure;
pub mod measured;
pub mod response;
pub mod upset;
pub mod visit;

use crate::fault::Faults;

/// Most rows of one list within a record.
const ROWS_MAX: usize = 100;
/// Longest note, in characters.
const NOTE_CHARS_MAX: usize = 4000;
/// Longest order number of a customer's own, in characters.
const ORDER_CHARS_MAX: usize = 60;

/// Notes a fault at `pointer` for more rows than a record takes.
fn few(faults: &mut Faults, pointer: &str, rows: usize) {
    if rows > ROWS_MAX {
        faults.add(pointer, "too_many", format!("give at most {ROWS_MAX}"));
    }
}

/// Trims each of some texts in place; faults name the row.
fn texts(faults: &mut Faults, pointer: &str, rows: &mut [String], most: usize) {
    few(faults, pointer, rows.len());
    for (n, row) in rows.iter_mut().enumerate() {
        *row = faults.text(&format!("{pointer}/{n}"), row, most);
    }
}
