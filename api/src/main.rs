//! The `weirbook` program.

mod cli;

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    cli::run(cli::Cli::parse())
}
