//! Published data sets and figures, which lie in `tests/data/reliability` with their sources.

use crate::reliability::life::Life;
use serde_json::Value;

/// A file of them.
#[track_caller]
pub(crate) fn parsed(name: &str) -> Value {
    let (_, text) = FILES.iter().find(|(of, _)| *of == name).unwrap();
    serde_json::from_str(text).unwrap()
}

macro_rules! files {
    ($($name:literal)+) => {
        const FILES: &[(&str, &str)] =
            &[$(($name, include_str!(concat!("../../../../tests/data/reliability/", $name, ".json")))),+];
    };
}

files! {
    "age_replacement" "automotive_sae" "bayes" "calibration" "charts" "conditional_series" "edge_cases" "fleet"
    "kidney_transplant" "larynx" "leukemia_6mp" "leukemia_placebo" "lieblein_zelen" "macs_late_entry" "nhpp"
    "nist_8215_km" "nist_8413" "rossi" "waltons" "waltons_control" "waltons_mir137"
}

/// The data sets of lives, each with a Weibull fit and a Kaplan-Meier table computed
/// independently at high precision.
pub(crate) const LIVES: [&str; 13] = [
    "automotive_sae",
    "kidney_transplant",
    "larynx",
    "leukemia_6mp",
    "leukemia_placebo",
    "lieblein_zelen",
    "macs_late_entry",
    "nist_8215_km",
    "nist_8413",
    "rossi",
    "waltons",
    "waltons_control",
    "waltons_mir137",
];

#[track_caller]
pub(crate) fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

#[track_caller]
pub(crate) fn list(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(number).collect()
}

/// Lives from `time`, `event` and, where there is one, `entry`.
#[track_caller]
pub(crate) fn lives(data: &Value) -> Vec<Life> {
    let (times, events) = (list(&data["time"]), list(&data["event"]));
    let entries = data["entry"].as_array().map_or_else(|| vec![0.0; times.len()], |_| list(&data["entry"]));
    let lives = times.iter().zip(events).zip(entries).map(|((time, event), entry)| {
        let life = if event == 1.0 { Life::failed(*time) } else { Life::running(*time) };
        life.unwrap().watched_from(entry).unwrap()
    });
    lives.collect()
}

/// Asserts two numbers to agree to a part of the expected one.
#[track_caller]
pub(crate) fn near(found: f64, expected: f64, relative: f64) {
    let off = (found - expected).abs();
    assert!(off <= relative * expected.abs(), "{found} is not {expected} to {relative:e}, but off by {off:e}");
}

/// Asserts two numbers to agree to an amount.
#[track_caller]
pub(crate) fn within(found: f64, expected: f64, absolute: f64) {
    assert!((found - expected).abs() <= absolute, "{found} is not {expected} to {absolute:e}");
}

/// A stream of numbers between 0 and 1 that is the same every time (xorshift64*, Vigna 2016).
pub(crate) struct Stream(pub(crate) u64);

impl Stream {
    pub(crate) fn next(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        ((self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }
}
