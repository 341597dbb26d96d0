//! Who is asking and what they may do: passwords, tokens, the permission table, scopes.

mod caller;
mod demand;
mod matrix;
pub mod password;
mod permission;
mod reading_link;
mod scope;
pub mod token;

pub(crate) use caller::signed_in;
pub use caller::{ACCESS_COOKIE, Caller, EveryPermission};
pub use demand::demands;
pub(crate) use demand::operations;
pub use matrix::matrix;
pub use permission::{Permission, Role, Row, perm, table};
pub use reading_link::LinkToken;
pub use scope::{Reach, Scope};
