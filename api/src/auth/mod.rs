//! Who is asking and what they may do: passwords, tokens, the permission table, scopes.

mod caller;
pub mod password;
mod permission;
mod reading_link;
mod scope;
pub mod token;

pub(crate) use caller::scope_of;
pub use caller::{ACCESS_COOKIE, Caller};
pub use permission::{Permission, Role, perm, table};
pub use reading_link::LinkToken;
pub use scope::{Reach, Scope};
