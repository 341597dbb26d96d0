//! End-to-end tests: the real service over real HTTP on a real PostgreSQL.
//!
//! `support` has what they share: `TestApp::start()` gives a service with an empty database of
//! its own, `app.dealer("…")` a dealer with people who are signed in.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "tests and their helpers fail by panicking"
)]

mod support;

mod accounts;
mod cluster;
mod components;
mod conventions;
mod customers;
mod deploy;
mod measures;
mod meters;
mod night_run;
mod openapi;
mod operations;
mod program;
mod readings;
mod risk;
mod rulings;
mod schema;
mod scopes;
mod sessions;
mod site_measures;
mod sites;
mod tenancy;
mod tidy;
mod units;
mod zones;
