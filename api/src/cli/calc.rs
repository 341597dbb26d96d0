//! `weirbook calc`: the arithmetic on files, without a database.

mod water;

use super::Outcome;
use clap::Subcommand;

/// What to compute.
#[derive(Subcommand)]
pub(super) enum Calc {
    /// Registers read to steps, doubtful steps, and volumes by local day or month, as JSON
    #[command(after_help = water::EXAMPLES)]
    Water(water::Water),
}

pub(super) fn run(what: &Calc) -> Outcome {
    match what {
        Calc::Water(water) => water::run(water),
    }
}
