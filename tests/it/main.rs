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
mod agreement_pages;
mod agreements;
mod api_clients;
mod asking;
mod asking_pages;
mod audit;
mod bad_input;
mod bill_pages;
mod billing_cycles;
mod browsing;
mod calc_water;
mod calibrations;
mod call_outs;
mod changes;
mod choosing_pages;
mod clients;
mod cluster;
mod components;
mod condition;
mod condition_closed;
mod condition_notes;
mod conventions;
mod cost_to_serve;
mod costs;
mod customers;
mod demo;
mod deploy;
mod discharge_links;
mod files;
mod first_hour;
mod fuzzed;
mod issued_figures;
mod item_pages;
mod list_filters;
mod lists;
mod mail;
mod meanwhile_pages;
mod measures;
mod meter_pages;
mod meters;
mod models;
mod monthly_files;
mod night_run;
mod note_lists;
mod openapi;
mod operations;
mod page_faults;
mod people;
mod people_pages;
mod postgres_tls;
mod program;
mod read_then;
mod readings;
mod reference;
mod report_bills;
mod report_compared;
mod report_forms;
mod report_life;
mod report_lines;
mod report_mail;
mod report_pages;
mod report_readings;
mod report_recount;
mod report_style_page;
mod risk;
mod risk_bring;
mod risk_fleet;
mod risk_lives;
mod risk_opened;
mod risk_signs;
mod routines;
mod rulings;
mod savings;
mod schema;
mod scope_plans;
mod scopes;
mod second_factor;
mod series;
mod series_periods;
mod service_events;
mod service_pages;
mod sessions;
mod settings_pages;
mod site_measures;
mod sites;
mod stay_lists;
mod stock;
mod stock_expected;
mod stock_lists;
mod stock_night;
mod stock_orders;
mod stock_page;
mod supply;
mod sweep;
mod tariff_pages;
mod tenancy;
mod tidy;
mod tokens;
mod trace;
mod treatment;
mod tries;
mod unit_pages;
mod units;
mod units_page;
mod untrusted;
mod visit_goods;
mod visits;
mod washes;
mod water_years;
mod web_side;
mod webhooks;
mod whole_lists;
mod work_pages;
mod written_late;
mod zones;
