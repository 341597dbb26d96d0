//! `weirbook calc bill`: a file with a tariff in, a bill and a saving out.

use crate::cli::Outcome;
use crate::extract::from_json;
use chrono::{Months, NaiveDate};
use clap::Args;
use domain::fault::{Fault, Faults};
use domain::tariff::{Cycle, CyclePrices, Tariff, WaterAccount, WaterUse};
use domain::units::{Dimension, Litres, RegisterUnit};
use serde::de::DeserializeOwned;
use serde_json::{Map, json};
use std::error::Error;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

pub(super) const EXAMPLES: &str = "\
The tariff is JSON, with its prices as texts so that they stay exact:
  { \"name\": \"City\", \"currency\": \"EUR\", \"rounding\": \"half_up\", \"versions\": [{
      \"from\": \"2026-01-01\", \"unit\": \"m3\", \"per\": \"month\",
      \"water\": {
        \"fixed\": [{ \"code\": \"base\", \"words\": \"Base charge\", \"price\": \"20\" }],
        \"blocks\": [{ \"up_to\": \"100\", \"price\": \"1.10\" }, { \"price\": \"1.85\" }] },
      \"sewer\": { \"blocks\": [{ \"price\": \"2.20\" }], \"volume\": { \"return_factor\": \"0.9\" } } }] }
The account, where the tariff asks for more than its meter's size:
  { \"name\": \"Yard\", \"meter_size\": \"1 in\", \"cycle_months\": 1, \"strengths_mg_per_l\": { \"bod\": \"300\" } }

Examples:
  weirbook calc bill tariff.json --from 2026-03-01 --use 900
  weirbook calc bill tariff.json --from 2026-03-01 --use 900 --baseline 960
  weirbook calc bill tariff.json --from 2026-01-01 --cycle-months 3 --use 240 --unit kgal --meter-size '1 in'";

/// What to bill, and by which tariff.
#[derive(Args)]
pub(crate) struct Bill {
    /// The tariff, as JSON
    tariff: PathBuf,
    /// All water used on the account in the cycle, in --unit
    #[arg(long = "use", value_name = "VOLUME")]
    used: f64,
    /// What would have been used on it: prints the saving too
    #[arg(long, value_name = "VOLUME")]
    baseline: Option<f64>,
    /// Unit of the volumes: l, m3, us_gal, ft3, ccf or kgal
    #[arg(long, default_value = "m3")]
    unit: String,
    /// First day of the cycle
    #[arg(long, value_name = "DATE")]
    from: NaiveDate,
    /// The day after its last [default: after --cycle-months]
    #[arg(long, value_name = "DATE")]
    to: Option<NaiveDate>,
    /// Months of a billing cycle, 1 to 3
    #[arg(long, default_value_t = 1, conflicts_with = "account")]
    cycle_months: u8,
    /// Size of the account's meter, by the name that the tariff has for it
    #[arg(long, conflicts_with = "account")]
    meter_size: Option<String>,
    /// The account, as JSON
    #[arg(long, value_name = "FILE")]
    account: Option<PathBuf>,
    /// Water used in an average month of the winter before, where sewer is billed by that
    #[arg(long, value_name = "VOLUME")]
    winter: Option<f64>,
    /// What the discharge meter counted, where sewer is billed by that
    #[arg(long, value_name = "VOLUME")]
    discharge: Option<f64>,
}

type Failed = Box<dyn Error>;

pub(super) fn run(asked: &Bill) -> Outcome {
    let tariff: Tariff = read(&asked.tariff)?;
    let tariff = tariff.checked().map_err(|faults| said(&asked.tariff, &faults))?;
    let account = asked.account()?;
    let months = Months::new(u32::from(account.cycle_months));
    let to = asked.to.or_else(|| asked.from.checked_add_months(months)).ok_or("--from: give a day in this century")?;
    let prices = CyclePrices::new(&account, &tariff, Cycle { from: asked.from, to })?;
    let used = asked.volumes(asked.used)?;
    let mut answer = Map::new();
    answer.insert("bill".to_owned(), json!(prices.bill(&used)?));
    if let Some(baseline) = asked.baseline {
        let baseline = asked.volumes(baseline)?;
        answer.insert("bill_at_baseline".to_owned(), json!(prices.bill(&baseline)?));
        answer.insert("saving".to_owned(), json!(prices.saving(Litres::ZERO, &baseline, &used)?));
    }
    writeln!(io::stdout(), "{}", serde_json::to_string_pretty(&answer)?)?;
    Ok(())
}

impl Bill {
    fn account(&self) -> Result<WaterAccount, Failed> {
        if let Some(file) = &self.account {
            let account: WaterAccount = read(file)?;
            return account.checked().map_err(|faults| said(file, &faults));
        }
        let account = WaterAccount {
            name: "Account".to_owned(),
            meter_size: self.meter_size.clone(),
            cycle_months: self.cycle_months,
            other_use: None,
            strengths_mg_per_l: std::collections::BTreeMap::new(),
        };
        account.checked().map_err(|faults| said(Path::new("--cycle-months"), &faults))
    }

    fn volumes(&self, water: f64) -> Result<WaterUse, Failed> {
        let unit = RegisterUnit::from_name(&self.unit).filter(|unit| unit.dimension() == Dimension::Volume);
        let unit = unit.ok_or_else(|| format!("--unit {}: give one of: l, m3, us_gal, ft3, ccf, kgal", self.unit))?;
        let litres = |volume: f64| Litres(volume * unit.factor());
        Ok(WaterUse {
            water_l: litres(water),
            winter_l_per_month: self.winter.map(litres),
            discharge_l: self.discharge.map(litres),
        })
    }
}

fn read<T: DeserializeOwned>(file: &Path) -> Result<T, Failed> {
    let bytes = fs::read(file).map_err(|cause| format!("{}: {cause}", file.display()))?;
    from_json(&bytes).map_err(|problem| match problem.faults() {
        [Fault { pointer, detail, .. }, ..] => format!("{}: {pointer}: {detail}", file.display()).into(),
        [] => format!("{}: {}", file.display(), problem.detail()).into(),
    })
}

/// All faults of a file, a line each, with their pointers.
fn said(file: &Path, faults: &Faults) -> Failed {
    let lines = faults.0.iter().map(|fault| format!("{}: {}: {}", file.display(), fault.pointer, fault.detail));
    lines.collect::<Vec<_>>().join("\n").into()
}
