//! `weirbook calc chart`: a file of values by time in, a control chart out.

mod input;

use super::rows::{self, Rejected};
use crate::cli::Outcome;
use clap::Args;
use domain::condition::baseline::{Baseline, POINTS_MIN};
use domain::condition::chart::{Cusum, Ewma, Point};
use domain::condition::run_length::{cusum_limit, ewma_limit};
use input::Charted;
use serde_json::{Value, json};
use std::error::Error;
use std::io::{self, Write};
use std::path::PathBuf;

pub(super) const EXAMPLES: &str = "\
The values are CSV with a header and the columns time and value, in order of time. What is usual is
the median of the first values, and their deviation comes from the median absolute deviation.
Run lengths hold for independent normal values. A row that can't be taken is named with its line
and costs no other one; the exit status says that there was one.

Examples:
  weirbook calc chart flow.csv                          a CUSUM for a shift of one deviation
  weirbook calc chart flow.csv --run-length 1000 --shift 2
  weirbook calc chart flow.csv --lambda 0.2             an EWMA
  weirbook calc chart flow.csv --mean 10 --deviation 1  against what is known to be usual";

/// What to chart, and how.
#[derive(Args)]
pub(crate) struct Chart {
    /// The values, as CSV; `-` for standard input
    file: PathBuf,
    /// Points until a false alarm on average, while nothing changes
    #[arg(long, default_value_t = 370.0)]
    run_length: f64,
    /// Shift to detect, in deviations: the CUSUM's reference value is half of it
    #[arg(long, default_value_t = 1.0, conflicts_with = "lambda")]
    shift: f64,
    /// Begin the CUSUM's sums there, in deviations: half of its limit finds sooner what is wrong from
    /// the begin
    #[arg(long, default_value_t = 0.0, conflicts_with = "lambda")]
    head_start: f64,
    /// Draw an EWMA instead, with this weight of the newest value
    #[arg(long)]
    lambda: Option<f64>,
    /// How many of the first values tell what is usual
    #[arg(long, default_value_t = 60, conflicts_with = "mean")]
    baseline: usize,
    /// What is usual, where it is known
    #[arg(long, requires = "deviation", allow_hyphen_values = true)]
    mean: Option<f64>,
    /// The standard deviation of it
    #[arg(long, requires = "mean")]
    deviation: Option<f64>,
}

pub(super) fn run(asked: &Chart) -> Outcome {
    let (values, rejected) = input::values(&asked.file)?;
    rows::name(&rejected);
    let all = asked.answer(&values, &rejected)?;
    writeln!(io::stdout(), "{}", serde_json::to_string_pretty(&all)?)?;
    rows::outcome(&rejected)
}

impl Chart {
    fn answer(&self, values: &[Charted], rejected: &[Rejected]) -> Result<Value, Box<dyn Error>> {
        let usual = self.usual(values)?;
        let z: Option<Vec<f64>> = values.iter().map(|one| usual.standardised(one.value)).collect();
        let z = z.ok_or("the first values do not deviate: give --mean and --deviation")?;
        let (method, limit, points) = self.points(&z)?;
        let signals: Vec<&str> =
            values.iter().zip(&points).filter(|(_, point)| point.signal).map(|(v, _)| v.time.as_str()).collect();
        let point = |(one, point): (&Charted, &Point)| json!({ "time": one.time, "value": one.value, "upper": point.upper, "lower": point.lower, "signal": point.signal });
        Ok(json!({
            "method": method,
            "in_control_run_length": self.run_length,
            "usual": { "mean": usual.mean, "deviation": usual.sd },
            "limit_in_deviations": limit,
            "points": values.iter().zip(&points).map(point).collect::<Vec<_>>(),
            "signals": signals,
            "rejected": rejected,
        }))
    }

    fn usual(&self, values: &[Charted]) -> Result<Baseline, Box<dyn Error>> {
        if let Some((mean, sd)) = self.mean.zip(self.deviation) {
            let good = mean.is_finite() && sd > 0.0 && sd.is_finite();
            return good.then_some(Baseline { mean, sd }).ok_or_else(|| "--deviation: give a positive number".into());
        }
        let first: Vec<f64> = values.iter().take(self.baseline).map(|one| one.value).collect();
        let few =
            || format!("{} values are no baseline: give at least {POINTS_MIN}, or --mean and --deviation", first.len());
        Ok(Baseline::of(&first).ok_or_else(few)?)
    }

    /// The method in words, its limit and its points.
    fn points(&self, z: &[f64]) -> Result<(Value, f64, Vec<Point>), Box<dyn Error>> {
        let wrong = "--run-length: give 10 to 1,000,000 points; --shift above 0; --lambda above 0 and up to 1";
        if let Some(lambda) = self.lambda {
            let width = ewma_limit(lambda, self.run_length).ok_or(wrong)?;
            let chart = Ewma { lambda, width };
            return Ok((
                json!({ "ewma": { "lambda": lambda, "width": width } }),
                chart.asymptotic_limit(),
                chart.points(z),
            ));
        }
        let k = self.shift / 2.0;
        // Two sums watch, each half as often wrong.
        let h = cusum_limit(k, 2.0 * self.run_length).ok_or(wrong)?;
        if !(0.0..=h).contains(&self.head_start) {
            return Err(format!("--head-start: give 0 to the limit, {h:.3}").into());
        }
        let chart = json!({ "cusum": { "k": k, "h": h, "head_start": self.head_start } });
        Ok((chart, h, Cusum { k, h }.points_from(self.head_start, z)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(lambda: Option<f64>) -> Chart {
        Chart {
            file: "-".into(),
            run_length: 465.44,
            shift: 1.0,
            head_start: 0.0,
            lambda,
            baseline: 60,
            mean: Some(10.0),
            deviation: Some(1.0),
        }
    }

    fn value(n: usize, value: f64) -> Charted {
        Charted { time: n.to_string(), value }
    }

    /// The decision interval is that of the published run length 465 at h 5, k 0.5.
    #[test]
    fn a_rise_signals_in_both_charts_and_too_few_values_do_not() {
        let values: Vec<Charted> = (0..12).map(|n| value(n, if n < 6 { 10.0 } else { 13.0 })).collect();
        let cusum = asked(None).answer(&values, &[]).unwrap();
        assert!((cusum["limit_in_deviations"].as_f64().unwrap() - 5.0).abs() < 0.01, "{cusum}");
        assert_eq!(cusum["signals"][0], "8");
        let ewma = asked(Some(0.2)).answer(&values, &[]).unwrap();
        assert!(!ewma["signals"].as_array().unwrap().is_empty(), "{ewma}");
        let own = Chart { mean: None, deviation: None, ..asked(None) };
        assert!(own.answer(&values, &[]).unwrap_err().to_string().starts_with("12 values are no baseline"));
        assert!(Chart { run_length: 0.0, ..asked(None) }.answer(&values, &[]).is_err());
        let started = Chart { head_start: 4.9, ..asked(None) }.answer(&values, &[]).unwrap();
        assert_eq!(started["signals"][0], "7", "{started}");
        assert!(Chart { head_start: 5.5, ..asked(None) }.answer(&values, &[]).is_err());
    }
}
