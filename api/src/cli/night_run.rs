//! `weirbook night-run`.

use super::Outcome;
use crate::config::Config;
use crate::db::Db;
use crate::jobs::night_run;
use crate::launch;
use chrono::{DateTime, Utc};
use clap::Args;
use domain::ids::DealerId;
use indicatif::{ProgressBar, ProgressStyle};
use std::time::Instant;

/// Which dealers, and as of when.
#[derive(Args)]
pub(super) struct NightRun {
    /// One dealer's number; all dealers when left out
    #[arg(long)]
    dealer: Option<i32>,
    /// The instant the run counts as now, such as 2026-02-01T03:00:00Z [default: now]
    #[arg(long, value_name = "RFC3339")]
    as_of: Option<DateTime<Utc>>,
}

pub(super) async fn run(config: Config, which: NightRun) -> Outcome {
    let launched = launch::launch(&config).await?;
    let outcome = run_all(&launched.services.db, &which).await;
    launched.stop().await?;
    outcome
}

async fn run_all(db: &Db, which: &NightRun) -> Outcome {
    let mut dealers = db.dealers().await?;
    dealers.retain(|dealer| which.dealer.is_none_or(|wanted| wanted == dealer.id));
    if dealers.is_empty() {
        return Err("there is no such dealer; `weirbook add-dealer` adds one".into());
    }
    let mut stopped = Vec::new();
    for dealer in dealers {
        let started = Instant::now();
        let bar = progress_bar(&dealer.name);
        let as_of = which.as_of.unwrap_or_else(Utc::now);
        let ran = night_run::run(db, DealerId(dealer.id), as_of, &|done, total| show(&bar, done, total)).await;
        bar.finish_and_clear();
        let counts = match ran {
            Ok(counts) => counts,
            // What is the matter with one dealer's records is no reason to leave the others'.
            Err(error) => {
                eprintln!("{}: {}", dealer.name, super::chain(&error));
                stopped.push(dealer.name);
                continue;
            }
        };
        println!(
            "{}: {} readings, {} subjects, {} days, {} months, {} reports, {} exceptions in {:.1} s",
            dealer.name,
            counts.readings,
            counts.subjects,
            counts.days,
            counts.months,
            counts.reports,
            counts.exceptions,
            started.elapsed().as_secs_f64()
        );
    }
    if stopped.is_empty() { Ok(()) } else { Err(format!("the night run stopped for {}", stopped.join(", ")).into()) }
}

/// A bar on standard error, when that is a terminal.
pub(super) fn progress_bar(what: &str) -> ProgressBar {
    let bar = ProgressBar::new(0).with_message(what.to_owned());
    match ProgressStyle::with_template("{msg} [{bar:30}] {pos} of {len}  {elapsed}") {
        Ok(style) => bar.with_style(style.progress_chars("=> ")),
        Err(_bad_template) => bar,
    }
}

/// Shows how far a run is.
pub(super) fn show(bar: &ProgressBar, done: usize, total: usize) {
    let count = |number| u64::try_from(number).unwrap_or(u64::MAX);
    bar.set_length(count(total));
    bar.set_position(count(done));
}
