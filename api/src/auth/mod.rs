//! Who is asking and what they may do: passwords, second factors, tokens and their keys, what was
//! revoked, the permission table, scopes.

mod caller;
pub(crate) mod cookies;
mod demand;
mod key_ring;
mod matrix;
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
#[cfg(feature = "every-permission")]
pub use caller::EveryPermission;
pub(crate) use caller::{RenewedAccess, from_own_page, id_of, page_token, signed_in};
pub use demand::demands;
pub(crate) use demand::operations;
pub use matrix::matrix;
pub use permission::{Permission, Role, Row, perm, table};
pub use reading_link::LinkToken;
pub use scope::{Reach, Scope};
