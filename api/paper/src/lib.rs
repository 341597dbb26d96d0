//! Statements as PDF: a plain model in, a tagged document after PDF/UA-1 out, the same bytes for
//! the same model. No other program runs, no file is read, and no clock.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`document`] | what is set |
//! | [`logo`] | the picture beside the sender's name, tried before it is taken |
//! | [`press`] | the typesetter with its fonts and its template |

pub mod document;
pub mod logo;
pub mod press;

pub use document::Document;
pub use logo::{Logo, LogoError};
pub use press::{Figures, PressError, pdf};
