//! What goes out over HTTP: signed messages, to public addresses alone.

mod client;
pub mod sign;

pub(crate) use client::Message;
pub use client::{Answered, Sender, SetupError};
