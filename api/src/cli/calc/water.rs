//! `weirbook calc water`: a file of readings in, what they come to out.

mod answer;
mod fold;
mod input;

use super::rows;
use crate::cli::Outcome;
use answer::Answer;
use clap::{Args, ValueEnum};
use std::path::PathBuf;

pub(super) const EXAMPLES: &str = "\
The readings are CSV with a header: the columns meter, read_at and register, in any order; without
the column meter all rows are of one meter. read_at is an RFC 3339 instant, or the local time in the
zone, such as `2026-01-31 08:15`. Rows may come in any order. A row that can't be taken is named with
its line and costs no other one; the exit status says that there was one.

The facts are JSON. What they leave out stands in the options, and the other way round:
  { \"zone\": \"Europe/Vienna\",
    \"meters\": { \"M-17\": {
      \"stream\": \"makeup\", \"unit\": \"m3\", \"digits\": 6, \"multiplier\": 1, \"max_flow_per_h\": 3000,
      \"read_by\": \"technician\", \"accuracy_class\": 2, \"in_service_factor\": 2,
      \"checks\": [{ \"at\": \"2026-03-01T09:00:00Z\", \"indicated_l\": 206, \"reference_l\": 200, \"u_reference_share\": 0.005 }],
      \"exchanges\": [{ \"at\": \"2026-03-02T11:15:00Z\", \"old_final\": 48210, \"new_start\": 0 }],
      \"rulings\": [{ \"ruling\": \"void\", \"read_at\": \"2026-04-01T08:00:00Z\" }] } } }

What they may say besides: `working_hours`, such as [{ \"from\": \"2026-01-01\", \"hours\": [seven times
{ \"opens\": \"07:00:00\", \"closes\": \"16:00:00\" } or null, Monday first], \"closed\": [\"2026-01-06\"] }], over
which what people read is spread; of a meter `pulses_of`, the name of the dial that people read and
whose pulses it counts: these spread the dial; and `session_pause_min`, where it serves a single gun:
the minutes without water after which what comes is another wash. `expanded` is the expanded
uncertainty (k = 2) of each volume.

Examples:
  weirbook calc water readings.csv --zone Europe/Vienna --unit m3 --digits 6 --flow-max 3000
  weirbook calc water readings.csv --facts facts.json --by month
  printf 'read_at,register\\n2026-01-01 08:00,10\\n2026-01-03 08:00,14\\n' | weirbook calc water - --unit m3";

/// What to compute, and of what.
#[derive(Args)]
pub(crate) struct Water {
    /// The readings, as CSV; `-` for standard input
    file: PathBuf,
    /// Facts of the meters and what befell their registers, as JSON
    #[arg(long, value_name = "FILE")]
    facts: Option<PathBuf>,
    #[command(flatten)]
    options: Options,
    /// Volumes by local day or by month
    #[arg(long, value_enum, default_value_t = By::Day)]
    by: By,
}

/// Facts for meters of which the file of facts does not say them.
#[derive(Args)]
struct Options {
    /// IANA zone by which days and months begin [default: UTC]
    #[arg(long)]
    zone: Option<String>,
    /// What the meter measures
    #[arg(long, default_value = "makeup")]
    stream: String,
    /// What a count stands for: l, m3, us_gal, ft3, ccf, kgal, kwh, h or count
    #[arg(long, default_value = "m3")]
    unit: String,
    /// Painted zeros: 1, 10, 100 or 1000 units a count
    #[arg(long, default_value_t = 1.0)]
    multiplier: f64,
    /// Digits of the register; it begins again at 10^digits [default: never]
    #[arg(long)]
    digits: Option<u8>,
    /// Most that can pass in an hour, in litres, kWh, hours or events
    #[arg(long, value_name = "PER_H")]
    flow_max: Option<f64>,
    /// Accuracy class of the plate, 1 or 2 [default: not known, taken as 2]
    #[arg(long, value_name = "CLASS")]
    accuracy_class: Option<i16>,
    /// Who reads it: telemetry, technician, customer or never
    #[arg(long, default_value = "technician")]
    read_by: String,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum By {
    Day,
    Month,
}

pub(super) fn run(asked: &Water) -> Outcome {
    let facts = input::facts(asked.facts.as_deref())?;
    let zone = input::zone(facts.zone.as_deref().or(asked.options.zone.as_deref()))?;
    let working = input::working(&facts)?;
    let (meters, mut rejected) = input::readings(&asked.file, zone)?;
    let mut known = Vec::with_capacity(meters.len());
    for mut meter in meters {
        let of = input::meter(&meter.name, facts.meters.get(&meter.name), &asked.options)?;
        rejected.append(&mut meter.sort(of.facts.digits));
        known.push((meter, of));
    }
    rejected.sort_by_key(|row| row.line);
    rows::name(&rejected);
    let answers: Vec<Answer> =
        fold::all(zone, working.as_ref(), &known)?.iter().map(|one| Answer::of(one, zone, asked.by)).collect();
    answer::print(zone, &answers, &rejected)
}
