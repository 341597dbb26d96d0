//! `weirbook calc lives`: a file of lives of parts in, what they tell out.

mod answer;
mod input;

use super::rows;
use crate::cli::Outcome;
use clap::Args;
use domain::money::{Currency, Money};
use domain::reliability::prior::RATED_LIFE_WEIGHT;
use domain::reliability::replace::Costs;
use rust_decimal::Decimal;
use serde_json::json;
use std::error::Error;
use std::io::{self, Write};
use std::path::PathBuf;

pub(super) const EXAMPLES: &str = "\
The lives are CSV with a header, one life a row, in any unit that ages the parts:
  time        the age at the end: failed, found failed, or still good
  event       1 if it failed then or was found failed, 0 if it was still good
  entry       the age from which it was watched; 0 or empty if from new
  last_good   of a failure, the age at which it was last seen good; empty if the failure was seen
  group       parts alike, where there are several kinds
  rated_life  the life the part is sold for
A row that can't be taken is named with its line and costs no other one; the exit status says that
there was one.
A rated life is worth two failures unless said otherwise: the scale then lies within a factor of 2.2 of
the rated one with 90 %, and six failures outweigh it three to one. As soon as ten have failed the lives tell
alone: survival and chances are then means over what they leave open, until a hundred have failed; without a
rated life they are those of the fit.

Examples:
  weirbook calc lives tubes.csv --at 1000,2000
  weirbook calc lives tubes.csv --at 1000,2000 --rated-life-weight 6
  weirbook calc lives tubes.csv --age 5480 --within 300 --cost-planned 80 --cost-failure 600
  printf 'time,event\\n54,1\\n187,1\\n216,1\\n500,0\\n' | weirbook calc lives -";

/// What to compute, and of what.
#[derive(Args)]
pub(crate) struct Lives {
    /// The lives, as CSV; `-` for standard input
    file: PathBuf,
    /// Ages at which to give the part that survives, separated by commas
    #[arg(long, value_name = "AGES", value_delimiter = ',')]
    at: Vec<f64>,
    /// Age of a running part: prints the probability that it fails --within
    #[arg(long, requires = "within")]
    age: Option<f64>,
    /// How much further it is to run
    #[arg(long, requires = "age")]
    within: Option<f64>,
    /// What a planned replacement costs: prints the age by which to replace
    #[arg(long, requires = "cost_failure")]
    cost_planned: Option<Decimal>,
    /// What a failure costs, the replacement included
    #[arg(long, requires = "cost_planned")]
    cost_failure: Option<Decimal>,
    /// Currency of the costs
    #[arg(long, default_value = "EUR")]
    currency: String,
    /// Part of cases that intervals cover, between 0.5 and 0.999
    #[arg(long, default_value_t = 0.9)]
    level: f64,
    /// How many failures a rated life is worth, from 0.001 to 1000000
    #[arg(long, value_name = "FAILURES", default_value_t = RATED_LIFE_WEIGHT)]
    rated_life_weight: f64,
}

pub(super) fn run(asked: &Lives) -> Outcome {
    let question = asked.question()?;
    let (groups, rejected) = input::lives(&asked.file)?;
    rows::name(&rejected);
    let groups: Vec<_> = groups.iter().map(|group| answer::of(group, &question)).collect();
    let all = json!({ "level": question.level, "rated_life_weight": question.rated_life_weight, "groups": groups, "rejected": rejected });
    writeln!(io::stdout(), "{}", serde_json::to_string_pretty(&all)?)?;
    rows::outcome(&rejected)
}

/// What is asked of every group, checked.
struct Question {
    at: Vec<f64>,
    ahead: Option<(f64, f64)>,
    costs: Option<Costs>,
    level: f64,
    rated_life_weight: f64,
}

impl Lives {
    fn question(&self) -> Result<Question, Box<dyn Error>> {
        let ages = self.at.iter().chain(&self.age).chain(&self.within);
        if let Some(wrong) = ages.into_iter().find(|age| !(0.0..=1e15).contains(*age)) {
            return Err(format!("{wrong}: give ages as numbers from 0 to 1e15").into());
        }
        if !(0.5..=0.999).contains(&self.level) {
            return Err("--level: give a part of cases from 0.5 to 0.999, such as 0.9".into());
        }
        if !(1e-3..=1e6).contains(&self.rated_life_weight) {
            return Err("--rated-life-weight: give a number of failures from 0.001 to 1000000, such as 2".into());
        }
        let currency = Currency::parse(&self.currency)
            .map_err(|_faults| format!("--currency {}: give an ISO 4217 code such as EUR", self.currency))?;
        let costs = self.cost_planned.zip(self.cost_failure);
        let money = |amount| Money { amount, currency };
        Ok(Question {
            at: self.at.clone(),
            ahead: self.age.zip(self.within),
            costs: costs.map(|(planned, failure)| Costs { planned: money(planned), failure: money(failure) }),
            level: self.level,
            rated_life_weight: self.rated_life_weight,
        })
    }
}
