//! `weirbook calc`: the arithmetic on files, without a database.

mod bill;
mod chart;
mod lives;
mod rows;
mod water;

use super::Outcome;
use clap::Subcommand;

/// What to compute.
#[derive(Subcommand)]
pub(super) enum Calc {
    /// Registers read to steps, doubtful steps, and volumes by local day or month, as JSON
    #[command(after_help = water::EXAMPLES)]
    Water(water::Water),
    /// A water account's bill by its tariff, and what less water saves on it, as JSON
    #[command(after_help = bill::EXAMPLES)]
    Bill(bill::Bill),
    /// Lives of parts to estimates with intervals, risks and the age to replace at, as JSON
    #[command(after_help = lives::EXAMPLES)]
    Lives(lives::Lives),
    /// Values by time to a control chart of a stated in-control run length, as JSON
    #[command(after_help = chart::EXAMPLES)]
    Chart(chart::Chart),
}

pub(super) fn run(what: &Calc) -> Outcome {
    match what {
        Calc::Water(water) => water::run(water),
        Calc::Bill(bill) => bill::run(bill),
        Calc::Lives(lives) => lives::run(lives),
        Calc::Chart(chart) => chart::run(chart),
    }
}
