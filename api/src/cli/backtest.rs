//! `weirbook backtest`: past nights forecast again, and scored.

use super::Outcome;
use super::night_run::{progress_bar, show};
use crate::config::Config;
use crate::db::Db;
use crate::db::gate::DealerRow;
use crate::db::risk::fleet::Records;
use crate::jobs::backtest;
use crate::launch;
use chrono::{DateTime, Duration, NaiveDate, Utc};
use clap::Args;
use domain::ids::DealerId;
use domain::zone::{day_start, parse_zone};
use serde_json::json;
use std::error::Error;
use std::io::{self, Write};

pub(super) const NOTES: &str = "\
Each night is forecast with what was known then: parts written down and fitted by then and not yet
out, units as they stood, months that were over. What can't be rewound: records set right later count
as they are now, a part counts as out from the day it was out even when that was written down later,
months are those of today's readings, and costs play no part.

Examples:
  weirbook backtest --from 2025-06-01 --to 2026-03-01
  weirbook backtest --from 2025-06-01 --to 2026-03-01 --every 30 --imported";

/// Which nights, and of whom.
#[derive(Args)]
pub(super) struct Backtest {
    /// First night, a local day of the dealer
    #[arg(long, value_name = "DATE")]
    from: NaiveDate,
    /// Last night
    #[arg(long, value_name = "DATE")]
    to: NaiveDate,
    /// One dealer's number; all dealers when left out
    #[arg(long)]
    dealer: Option<i32>,
    /// Days from one night to the next
    #[arg(long, default_value_t = 7, value_parser = clap::value_parser!(u16).range(1..=366))]
    every: u16,
    /// Count parts from their fitting even if they were written down later: for a history that was
    /// taken over from elsewhere
    #[arg(long)]
    imported: bool,
}

/// Most nights of one run.
const NIGHTS_MOST: usize = 2000;

pub(super) async fn run(config: Config, asked: Backtest) -> Outcome {
    let launched = launch::launch(&config).await?;
    let outcome = run_all(&launched.services.db, &asked).await;
    launched.stop().await?;
    outcome
}

async fn run_all(db: &Db, asked: &Backtest) -> Outcome {
    let now = Utc::now();
    let mut dealers = db.dealers().await?;
    dealers.retain(|dealer| asked.dealer.is_none_or(|wanted| wanted == dealer.id));
    if dealers.is_empty() {
        return Err("there is no such dealer; `weirbook add-dealer` adds one".into());
    }
    let records = if asked.imported { Records::FittedByThen } else { Records::WrittenByThen };
    let mut answers = Vec::new();
    for dealer in dealers {
        let nights = asked.nights(&dealer, now)?;
        let bar = progress_bar(&dealer.name);
        let id = DealerId(dealer.id);
        let horizons = backtest::run(db, id, &nights, records, now, &|done, total| show(&bar, done, total)).await?;
        bar.finish_and_clear();
        answers.push(json!({
            "dealer": dealer.id, "from": asked.from, "to": asked.to, "every_days": asked.every, "nights": nights.len(),
            "horizons": horizons,
        }));
    }
    writeln!(io::stdout(), "{}", serde_json::to_string_pretty(&json!({ "dealers": answers }))?)?;
    Ok(())
}

impl Backtest {
    /// The instants of the nights, at the dealer's hour.
    fn nights(&self, dealer: &DealerRow, now: DateTime<Utc>) -> Result<Vec<DateTime<Utc>>, Box<dyn Error>> {
        let zone = parse_zone(&dealer.time_zone)?;
        let hour = Duration::hours(i64::from(dealer.night_hour));
        let days = self.from.iter_days().step_by(usize::from(self.every)).take_while(|day| *day <= self.to);
        let nights = days.take(NIGHTS_MOST + 1).map(|day| day_start(zone, day) + hour);
        let nights: Vec<DateTime<Utc>> = nights.take_while(|night| *night <= now).collect();
        match nights.len() {
            0 => Err("--from: give a past day that is not after --to".into()),
            n if n > NIGHTS_MOST => Err(format!("--every: more than {NIGHTS_MOST} nights; take fewer").into()),
            _ => Ok(nights),
        }
    }
}
