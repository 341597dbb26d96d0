//! What the tests share: a PostgreSQL for the run, a service for each test, people who call it.

mod app;
mod browser;
mod chromium;
mod client;
mod files;
mod people;
mod postgres;
mod program;
mod python;
mod receiver;
mod records;
mod smtp;

pub(crate) use app::{TestApp, Unguarded, services};
pub(crate) use browser::Browser;
pub(crate) use chromium::{Look, WIDTHS, Window};
pub(crate) use client::{Answer, Client, form_body};
pub(crate) use files::{generated, repository};
pub(crate) use people::{Access, Dealer, PASSWORD};
pub(crate) use postgres::Database;
pub(crate) use program::{Scratch, Serving, weirbook};
pub(crate) use python::python;
pub(crate) use receiver::{Message, Receiver, Reply};
pub(crate) use records::{id, number, today, today_in_vienna};
pub(crate) use smtp::MailServer;

use std::sync::OnceLock;
use tokio::runtime::Runtime;

/// Bytes that a page may send over the network, packed as browsers ask for it, its pictures and style among them.
pub(crate) const TRANSFERRED_MOST: f64 = 200_000.0;

/// Where servers and database connections of all tests live; each test has a small runtime of
/// its own besides.
pub(crate) fn runtime() -> &'static Runtime {
    static RUNTIME: OnceLock<Runtime> = OnceLock::new();
    RUNTIME.get_or_init(|| {
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
        // The servers under test catch Ctrl-C for themselves.
        runtime.spawn(async {
            tokio::signal::ctrl_c().await.unwrap();
            std::process::exit(130);
        });
        runtime
    })
}
