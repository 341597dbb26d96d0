//! Who is asking and what they may do: passwords, second factors, tokens and their keys, what was
//! revoked, the permission table, scopes.

mod caller;
pub(crate) mod cookies;
mod key_ring;
pub mod password;
mod permission;
mod reading_link;
pub mod refresh;
pub mod revoked;
mod scope;
pub mod seal;
pub mod secret;
pub mod throttle;
pub mod token;
pub mod totp;

pub use caller::Caller;
pub(crate) use caller::{RenewedAccess, from_own_page, page_token};
pub use permission::{Permission, Role, perm, table};
pub use reading_link::LinkToken;
pub use scope::{Reach, Scope};
