//! Work that nobody waits for: once for each dealer at a time, safe to stop and start again.

pub mod backtest;
pub mod feed;
pub mod mail;
mod monthly_file_mail;
mod night_closures;
mod night_condition;
pub mod night_due;
mod night_expected;
mod night_fold;
pub mod night_risk;
pub mod night_run;
pub mod night_stock;
mod night_watch;
mod people_mail;
mod report_mail;
pub mod scheduler;
pub mod webhooks;
