//! Statements as PDF: a plain model in, a tagged document after PDF/UA-1 out, the same bytes for
//! the same model. No other program runs, no file is read, and no clock.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`document`] | what is set |
//! | [`press`] | the typesetter with its fonts and its template |

pub mod document;
pub mod press;

pub use document::Document;
pub use press::{Figures, Logo, PressError, pdf};
