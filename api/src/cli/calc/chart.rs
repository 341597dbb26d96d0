//! `weirbook calc chart`: a file of values by time in, a control chart out.

mod input;

use super::rows::{self, Rejected};
use crate::cli::Outcome;
use clap::{Args, ValueEnum};
use domain::condition::baseline::{Baseline, POINTS_MIN};
use domain::condition::chart::{Cusum, Ewma, Limits};
use domain::condition::run_length::{cusum_limit, cusum_one_sided, ewma, ewma_limit};
use input::Charted;
use serde_json::{Value, json};
use std::error::Error;
use std::io::{self, Write};
use std::path::PathBuf;

pub(super) const EXAMPLES: &str = "\
The values are CSV with a header and the columns time and value, in order of time. What is usual is
the median of the first values, and their deviation comes from the median absolute deviation.
A chart is made for a run length, or drawn with a limit of your own, for which its run length is told.
Run lengths hold for independent normal values, without a head start and with steady limits.
Points after a signal go on from where the chart stands. A row that can't be taken is named with its
line and costs no other one; the exit status says that there was one.

Each point of a CUSUM has both sums in deviations, and for how many points in a row each is above zero;
each point of an EWMA has the average and its limits there, in the unit of the values.

Examples:
  weirbook calc chart flow.csv                          a CUSUM for a shift of one deviation
  weirbook calc chart flow.csv --run-length 1000 --shift 2
  weirbook calc chart flow.csv --k 0.5 --h 5 --head-start 2.5 --mean 10 --deviation 1
  weirbook calc chart flow.csv --lambda 0.2             an EWMA
  weirbook calc chart flow.csv --lambda 0.1 --width 2.7 --mean 10 --deviation 1
  weirbook calc chart flow.csv --lambda 0.3 --width 3 --limits steady --mean 50 --deviation 2.0539";

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
    /// The CUSUM's reference value itself, in deviations
    #[arg(long, conflicts_with_all = ["shift", "lambda"])]
    k: Option<f64>,
    /// The CUSUM's decision interval, in deviations, in place of a run length
    #[arg(long, conflicts_with_all = ["run_length", "lambda"])]
    h: Option<f64>,
    /// Begin the CUSUM's sums there, in deviations: half of its decision interval finds sooner what is
    /// wrong from the begin
    #[arg(long, default_value_t = 0.0, conflicts_with = "lambda")]
    head_start: f64,
    /// Draw an EWMA instead, with this weight of the newest value
    #[arg(long, visible_alias = "weight")]
    lambda: Option<f64>,
    /// The EWMA's limits, in deviations of the average, in place of a run length
    #[arg(long, requires = "lambda", conflicts_with = "run_length")]
    width: Option<f64>,
    /// What the average is held against; exact where --width is given, else steady
    #[arg(long, requires = "lambda")]
    limits: Option<Against>,
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

/// What an average is held against.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Against {
    /// Its own deviation at each point, narrower at first
    Exact,
    /// The deviation that it comes to, for which run lengths hold
    Steady,
}

impl Against {
    fn limits(self) -> (Limits, &'static str) {
        match self {
            Self::Exact => (Limits::Exact, "exact"),
            Self::Steady => (Limits::Steady, "steady"),
        }
    }
}

/// A chart that was drawn.
struct Drawn {
    method: Value,
    run_length: Option<f64>,
    /// In deviations, of the sums or, as it comes to be, of the average.
    limit: f64,
    /// What is said of each point beside its time and value, and whether it signals.
    points: Vec<(Value, bool)>,
}

const WRONG: &str = "--run-length: give 10 to 1,000,000 points; --shift and --k above 0; --lambda above 0 and up to 1";
/// No limit lies further out, in deviations: no run length is told beyond it.
const LIMIT_MAX: f64 = 40.0;

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
        let drawn = match self.lambda {
            Some(lambda) => self.average(lambda, &usual, &z)?,
            None => self.sums(&z)?,
        };
        let each = || values.iter().zip(&drawn.points);
        let point = |(one, (more, signal)): (&Charted, &(Value, bool))| {
            let mut point = json!({ "time": one.time, "value": one.value, "signal": signal });
            json_patch::merge(&mut point, more);
            point
        };
        Ok(json!({
            "method": drawn.method,
            "in_control_run_length": drawn.run_length,
            "usual": { "mean": usual.mean, "deviation": usual.sd },
            "limit_in_deviations": drawn.limit,
            "points": each().map(point).collect::<Vec<_>>(),
            "signals": each().filter(|(_, point)| point.1).map(|(one, _)| one.time.as_str()).collect::<Vec<_>>(),
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

    /// A CUSUM. Two sums watch, each half as often wrong as both together.
    fn sums(&self, z: &[f64]) -> Result<Drawn, Box<dyn Error>> {
        let k = self.k.unwrap_or(self.shift / 2.0);
        if !(k > 0.0 && k.is_finite()) {
            return Err(WRONG.into());
        }
        let (h, run_length) = match self.h {
            Some(h) if h > 0.0 && h <= LIMIT_MAX => (h, told(cusum_one_sided(k, h, 0.0).map(|run| run / 2.0))),
            Some(_) => return Err(format!("--h: give a decision interval above 0 and up to {LIMIT_MAX}").into()),
            None => (cusum_limit(k, 2.0 * self.run_length).ok_or(WRONG)?, Some(self.run_length)),
        };
        if !(0.0..=h).contains(&self.head_start) {
            return Err(format!("--head-start: give 0 to the decision interval, {h:.3}").into());
        }
        let points = Cusum { k, h }.points_from(self.head_start, z).into_iter().map(|point| {
            let more = json!({
                "upper": point.upper, "lower": point.lower, "limit": h,
                "upper_run": point.upper_run, "lower_run": point.lower_run,
            });
            (more, point.signal)
        });
        let method = json!({ "cusum": { "k": k, "h": h, "head_start": self.head_start } });
        Ok(Drawn { method, run_length, limit: h, points: points.collect() })
    }

    fn average(&self, lambda: f64, usual: &Baseline, z: &[f64]) -> Result<Drawn, Box<dyn Error>> {
        if !(lambda > 0.0 && lambda <= 1.0) {
            return Err(WRONG.into());
        }
        let (width, run_length) = match self.width {
            Some(width) if width > 0.0 && width <= LIMIT_MAX => (width, told(ewma(lambda, width, 0.0))),
            Some(_) => return Err(format!("--width: give limits above 0 and up to {LIMIT_MAX} deviations").into()),
            None => (ewma_limit(lambda, self.run_length).ok_or(WRONG)?, Some(self.run_length)),
        };
        let unless_said = if self.width.is_some() { Against::Exact } else { Against::Steady };
        let (limits, name) = self.limits.unwrap_or(unless_said).limits();
        let chart = Ewma { lambda, width };
        let at = |deviations: f64| usual.mean + usual.sd * deviations;
        let points = chart.points(limits, z).into_iter().map(|point| {
            let more = json!({
                "average": at(point.value), "lower_limit": at(-point.limit), "upper_limit": at(point.limit),
            });
            (more, point.signal)
        });
        let method = json!({ "ewma": { "lambda": lambda, "width": width, "limits": name } });
        Ok(Drawn { method, run_length, limit: chart.asymptotic_limit(), points: points.collect() })
    }
}

/// A run length that can be told: with wide limits rounding leaves no probability of a signal.
fn told(run_length: Option<f64>) -> Option<f64> {
    run_length.filter(|run| run.is_finite() && (1.0..=1e12).contains(run))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(lambda: Option<f64>) -> Chart {
        Chart {
            file: "-".into(),
            run_length: 465.44,
            shift: 1.0,
            k: None,
            h: None,
            head_start: 0.0,
            lambda,
            width: None,
            limits: None,
            baseline: 60,
            mean: Some(10.0),
            deviation: Some(1.0),
        }
    }

    fn value(n: usize, value: f64) -> Charted {
        Charted { time: n.to_string(), value }
    }

    fn column(answer: &Value, name: &str) -> Vec<f64> {
        answer["points"].as_array().unwrap().iter().map(|point| point[name].as_f64().unwrap()).collect()
    }

    fn near(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() < within, "{found}, not {expected}");
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
        assert_eq!(ewma["method"]["ewma"]["limits"], "steady");
        let own = Chart { mean: None, deviation: None, ..asked(None) };
        assert!(own.answer(&values, &[]).unwrap_err().to_string().starts_with("12 values are no baseline"));
        assert!(Chart { run_length: 0.0, ..asked(None) }.answer(&values, &[]).is_err());
        let started = Chart { head_start: 4.9, ..asked(None) }.answer(&values, &[]).unwrap();
        assert_eq!(started["signals"][0], "7", "{started}");
        assert!(Chart { head_start: 5.5, ..asked(None) }.answer(&values, &[]).is_err());
        for wrong in [
            Chart { k: Some(0.0), ..asked(None) },
            Chart { h: Some(0.0), ..asked(None) },
            Chart { h: Some(f64::NAN), ..asked(None) },
            Chart { width: Some(-1.0), ..asked(Some(0.1)) },
            Chart { width: Some(3.0), ..asked(Some(1.5)) },
        ] {
            assert!(wrong.answer(&values, &[]).is_err());
        }
    }

    /// Lucas and Crosier 1982, table 5, with a head start: also the points after the signal. A CUSUM of
    /// k 0.5, h 5 runs 465 points (Montgomery).
    #[test]
    fn a_cusum_of_ones_own_is_drawn_beyond_its_signal() {
        let values = [0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6];
        let values: Vec<Charted> = values.iter().enumerate().map(|(n, z)| value(n + 1, 10.0 + z)).collect();
        let chart = Chart { k: Some(0.5), h: Some(5.0), head_start: 2.5, ..asked(None) };
        let answer = chart.answer(&values, &[]).unwrap();
        for (found, expected) in column(&answer, "upper").iter().zip([2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5]) {
            near(*found, expected, 1e-9);
        }
        assert_eq!((column(&answer, "limit"), column(&answer, "upper_run")[6]), (vec![5.0; 7], 7.0));
        assert_eq!(answer["signals"], json!(["3", "4", "5", "6", "7"]));
        near(answer["in_control_run_length"].as_f64().unwrap(), 465.44, 2.0);
    }

    /// The limits are exact at each point: at the first 0.1 of 2.7 deviations, and in the long run
    /// 10.6193, with Montgomery's weight and width; or steady, NIST's 52.5884 (6.3.2.4).
    #[test]
    fn an_average_of_ones_own_has_its_limits_at_each_point() {
        let values: Vec<Charted> = (0..60).map(|n| value(n, 9.5)).collect();
        let exact = Chart { width: Some(2.7), ..asked(Some(0.1)) }.answer(&values, &[]).unwrap();
        let (average, upper, lower) =
            (column(&exact, "average"), column(&exact, "upper_limit"), column(&exact, "lower_limit"));
        near(average[0], 9.95, 1e-12);
        near(upper[0], 10.27, 1e-12);
        near(lower[0], 9.73, 1e-12);
        near(upper[28], 10.618_735, 1e-8);
        near(upper[59], 10.0 + 2.7 * (0.1_f64 / 1.9).sqrt(), 1e-4);
        let nist = Chart {
            width: Some(3.0),
            limits: Some(Against::Steady),
            mean: Some(50.0),
            deviation: Some(2.0539),
            ..asked(Some(0.3))
        };
        let steady = nist.answer(&values, &[]).unwrap();
        near(column(&steady, "upper_limit")[0], 52.588_431_738, 1e-8);
        near(column(&steady, "lower_limit")[0], 47.411_568_262, 1e-8);
        assert!(steady["in_control_run_length"].as_f64().unwrap() > 300.0, "{steady}");
    }
}
