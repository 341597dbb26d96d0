//! The Weirbook service around the `domain` crate: it moves data and computes nothing.
//!
//! `http` requests and answers, `db` all SQL, `auth` who may do what, `signing_in` how people get in, `pages`
//! what they see.

// diesel says of each table which others it may be joined with, one step a table: more than 128.
#![recursion_limit = "256"]

mod addresses;
pub mod auth;
pub mod chart;
pub mod cli;
pub mod config;
pub mod db;
pub mod demo;
mod deprecation;
mod document;
mod examples;
pub mod extract;
pub mod guesses;
pub mod http;
pub mod jobs;
pub mod launch;
pub mod mail;
pub mod pages;
pub mod problem;
pub mod rates;
pub mod readings;
pub mod report;
pub mod server;
pub mod signing_in;
pub mod slow_body;
pub mod telemetry;
mod tls;
pub mod webhook;
