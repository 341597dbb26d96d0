//! Use that ages parts and makes work due: counted by meters, projected where it isn't yet.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`line`](mod@line) | use by local day, counted and projected |
//! | [`counters`] | the counters of a unit and of its parts |
//! | [`registers`] | counted months from registers read now and then |
//! | [`age`] | how old a part is, in what ages it |

pub mod age;
pub mod counters;
pub mod line;
pub mod registers;
