//! The Weirbook service around the `domain` crate: it moves data and computes nothing.
//!
//! `http` requests and answers, `db` all SQL, `auth` who may do what.

pub mod auth;
pub mod db;
pub mod extract;
pub mod http;
pub mod problem;
