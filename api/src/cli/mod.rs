//! The command line: one file a command.

mod audit;
mod backtest;
mod calc;
mod dealer;
mod demo;
mod migrate;
mod night_run;
mod openapi;
mod reports;
mod rotate_key;
mod serve;

use crate::config::{Config, Settings};
use crate::problem::chain;
use crate::telemetry;
use clap::{Args, Parser, Subcommand};
use std::error::Error;
use std::process::ExitCode;

/// Wash-water recycling units: what they save, what they cost, what they need next.
#[derive(Parser)]
#[command(version, about, max_term_width = 100, after_help = EXAMPLES)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

/// What a command is told, and the configuration it works with.
#[derive(Args)]
struct With<A: Args> {
    #[command(flatten)]
    told: A,
    #[command(flatten)]
    settings: Settings,
}

const EXAMPLES: &str = "Examples:
  weirbook demo                                    an invented dealer on http://127.0.0.1:8080
  weirbook serve                                   on http://127.0.0.1:8080 with a PostgreSQL of its own
  DATABASE_URL=postgres://owner:secret@db/weirbook weirbook serve --listen 0.0.0.0:8080
  weirbook calc water readings.csv --zone Europe/Vienna --unit m3 --digits 6
  weirbook calc bill tariff.json --from 2026-03-01 --use 900 --baseline 960
  weirbook calc lives tubes.csv --age 5480 --within 300
  weirbook add-dealer --name 'Brookside Wash Systems' --zone Europe/Vienna --currency EUR --owner-email mia@example.com";

#[derive(Subcommand)]
enum Command {
    /// Invent a dealer's fleet, load it and serve it: to see what Weirbook does
    Demo(With<demo::Demo>),
    /// Serve the API and the pages, and run each dealer's night run at its hour
    Serve(Settings),
    /// Bring the database to this version's schema, then stop
    Migrate(Settings),
    /// Compute what new readings change: day and month figures, savings reports
    NightRun(With<night_run::NightRun>),
    /// Do something with savings reports
    #[command(subcommand)]
    Reports(reports::Reports),
    /// Forecast past nights with what was known then, and score the forecasts, as JSON
    #[command(after_help = backtest::NOTES)]
    Backtest(With<backtest::Backtest>),
    /// Add a dealer and its owner, who can then sign in
    AddDealer(With<dealer::AddDealer>),
    /// See whether the change log is as it was written
    #[command(subcommand)]
    Audit(audit::Audit),
    /// Sign tokens by a new key from now on; nobody is signed out
    RotateKey(With<rotate_key::RotateKey>),
    /// Do the arithmetic on files, without a database
    #[command(subcommand)]
    Calc(calc::Calc),
    /// Print the API's OpenAPI document
    Openapi,
}

/// Reads the command line and runs its command; errors go to standard error with what caused
/// them.
#[must_use]
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    let outcome = match cli.command {
        Command::Openapi => openapi::print(),
        Command::Calc(what) => calc::run(&what),
        Command::Demo(With { told, settings }) => {
            with_config(settings, "weirbook-demo", |config| demo::run(config, told))
        }
        Command::Serve(settings) => with_config(settings, "weirbook", serve::run),
        Command::Migrate(settings) => with_config(settings, "weirbook", migrate::run),
        Command::NightRun(With { told, settings }) => {
            with_config(settings, "weirbook", |config| night_run::run(config, told))
        }
        Command::Reports(reports::Reports::Render(With { told, settings })) => {
            with_config(settings, "weirbook", |config| reports::render(config, told))
        }
        Command::Backtest(With { told, settings }) => {
            with_config(settings, "weirbook", |config| backtest::run(config, told))
        }
        Command::Audit(audit::Audit::Verify(told)) => {
            with_config(told.settings.clone(), "weirbook", |config| audit::verify(config, told))
        }
        Command::RotateKey(With { told, settings }) => {
            with_config(settings, "weirbook", |config| rotate_key::run(config, told))
        }
        Command::AddDealer(With { told, settings }) => {
            with_config(settings, "weirbook", |config| dealer::add(config, told))
        }
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("weirbook: {}", chain(error.as_ref()));
            ExitCode::FAILURE
        }
    }
}

type Outcome = Result<(), Box<dyn Error>>;

/// Resolves the configuration, starts logging and runs `work` on the one shared runtime.
fn with_config<F: Future<Output = Outcome>>(
    settings: Settings,
    folder: &str,
    work: impl FnOnce(Config) -> F,
) -> Outcome {
    let config = settings.resolve(folder)?;
    telemetry::start_logging(config.log_json);
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build()?;
    runtime.block_on(work(config))
}
