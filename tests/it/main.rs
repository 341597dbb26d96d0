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
mod ages;
mod agreements;
mod asking;
mod asking_pages;
mod billing_cycles;
mod calibrations;
mod call_outs;
mod cluster;
mod components;
mod condition;
mod conventions;
mod cost_to_serve;
mod costs;
mod customers;
mod deploy;
mod files;
mod mail;
mod measures;
mod meters;
mod models;
mod night_run;
mod openapi;
mod operations;
mod program;
mod readings;
mod reference;
mod report_forms;
mod report_life;
mod report_mail;
mod report_pages;
mod report_recount;
mod risk;
mod routines;
mod rulings;
mod schema;
mod scopes;
mod service_events;
mod service_pages;
mod sessions;
mod site_measures;
mod sites;
mod stock;
mod stock_night;
mod stock_page;
mod tenancy;
mod tidy;
mod trace;
mod units;
mod visits;
mod zones;
