//! `weirbook reports`.

use super::night_run::{progress_bar, show};
use super::{Outcome, With};
use crate::auth::Scope;
use crate::config::Config;
use crate::db::page::After;
use crate::db::report::{self, Filter, StoredReport, style};
use crate::db::{Db, dealer};
use crate::launch;
use crate::report::{Wanted, print};
use chrono::Utc;
use clap::{Args, Subcommand};
use domain::ids::DealerId;
use domain::zone::Month;
use futures_util::{StreamExt, TryStreamExt, stream};
use std::error::Error;
use std::path::{Path, PathBuf};
use std::time::Instant;
use weirbook_paper::Logo;

/// What is done with reports.
#[derive(Subcommand)]
pub(super) enum Reports {
    /// Set all savings reports of a month as PDF files
    Render(With<Render>),
}

/// Which reports, and where their files go.
#[derive(Args)]
pub(super) struct Render {
    /// The month, such as 2026-01
    #[arg(long, value_name = "YYYY-MM", value_parser = month)]
    month: Month,
    /// One dealer's number; all dealers when left out
    #[arg(long)]
    dealer: Option<i32>,
    /// The folder for the files; each dealer gets one of its own in it
    #[arg(long, value_name = "FOLDER")]
    to: PathBuf,
    /// Leave drafts out
    #[arg(long)]
    issued: bool,
}

fn month(text: &str) -> Result<Month, String> {
    Month::parse(text).map_err(|_faults| "give a month such as 2026-01".to_owned())
}

/// Reports read in one go; memory grows with this and not with the month.
const READ_AT_ONCE: i64 = 50;
/// Reports on their way to their files at once: there are two presses.
const AT_ONCE: usize = 2;

pub(super) async fn render(config: Config, which: Render) -> Outcome {
    let launched = launch::launch(&config).await?;
    let outcome = render_all(&launched.services.db, &which).await;
    launched.stop().await?;
    outcome
}

async fn render_all(db: &Db, which: &Render) -> Outcome {
    let mut dealers = db.dealers().await?;
    dealers.retain(|dealer| which.dealer.is_none_or(|wanted| wanted == dealer.id));
    if dealers.is_empty() {
        return Err("there is no such dealer; `weirbook add-dealer` adds one".into());
    }
    for dealer in dealers {
        let started = Instant::now();
        let folder = which.to.join(dealer.id.to_string());
        std::fs::create_dir_all(&folder)?;
        let done = of_dealer(db, DealerId(dealer.id), which, &folder).await?;
        println!("{}: {done} reports of {} in {:.1} s", dealer.name, which.month, started.elapsed().as_secs_f64());
    }
    Ok(())
}

async fn of_dealer(db: &Db, id: DealerId, which: &Render, folder: &Path) -> Result<usize, Box<dyn Error>> {
    let (scope, now) = (Scope::of_job(id), Utc::now());
    let filter = Filter { month: Some(which.month), ..Filter::default() };
    let (name, total) =
        db.read(&scope, now, async |tx| Ok((dealer::get(tx).await?.name, report::count(tx, &filter).await?))).await?;
    let bar = progress_bar(&name);
    let (mut after, mut seen, mut done) = (After::first(READ_AT_ONCE), 0, 0);
    loop {
        let mut rows = db.read(&scope, now, async |tx| report::list(tx, &filter, &after).await).await?;
        let most = usize::try_from(READ_AT_ONCE).unwrap_or(usize::MAX);
        let more = rows.len() > most;
        rows.truncate(most);
        let cursor = rows.last().map(|last| After::cursor(&last.month.first_day().to_string(), last.id));
        seen += rows.len();
        rows.retain(|report| report.issued.is_some() || !which.issued);
        let printed = stream::iter(rows).map(|report| print_one(db, &scope, report, folder)).buffer_unordered(AT_ONCE);
        done += printed.try_fold(0, async |sum, ()| Ok(sum + 1)).await?;
        show(&bar, seen, total);
        let next = cursor.filter(|_| more).and_then(|cursor| After::parse(Some(&cursor), READ_AT_ONCE));
        let Some(next) = next else { break };
        after = next;
    }
    bar.finish_and_clear();
    Ok(done)
}

async fn print_one(db: &Db, scope: &Scope, report: StoredReport, folder: &Path) -> Result<(), Box<dyn Error>> {
    let style = &report.figures.style;
    let logo = db.read(scope, Utc::now(), async |tx| style::logo(tx, style).await).await?;
    let path = folder.join(format!("{}-{}.pdf", report.month, report.customer_id));
    let bytes = print::in_turn(report, logo.map(|bytes| Logo { bytes }), Wanted::default()).await?;
    std::fs::write(path, bytes)?;
    Ok(())
}
