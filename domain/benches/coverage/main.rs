//! Long runs on simulated fleets whose truth is known: how often intervals hold it, whether forecasts
//! come true as often as they say and beat two simple rules, how often tests of condition are wrong
//! and how soon they are right. What is out of its bounds is named at the end, and the exit code is 1. The
//! tests do the same in short, on fixed seeds.
//!
//! `cargo bench -p weirbook-domain --bench coverage`

#![expect(clippy::expect_used, reason = "what cannot be set up cannot be measured")]

mod alarms;
mod forecasts;
mod intervals;

use domain::reliability::prior::{About, Prior};
use domain::reliability::weibull::Weibull;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

/// What was out of its bounds.
#[derive(Default)]
struct Faults(Vec<String>);

impl Faults {
    fn expect(&mut self, holds: bool, what: impl FnOnce() -> String) {
        if !holds {
            self.0.push(what());
        }
    }
}

fn main() -> std::process::ExitCode {
    // Cargo's own arguments are nothing to it.
    let mut faults = Faults::default();
    intervals::coverage(&mut faults);
    forecasts::calibration(&mut faults);
    alarms::alarms(&mut faults);
    for fault in &faults.0 {
        println!("OUT OF BOUNDS: {fault}");
    }
    if faults.0.is_empty() { std::process::ExitCode::SUCCESS } else { std::process::ExitCode::FAILURE }
}

fn normal(chance: &mut ChaCha8Rng) -> f64 {
    let (u, v): (f64, f64) = (chance.random_range(1e-12..1.0), chance.random_range(0.0..1.0));
    (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
}

/// A life's age by a truth, not so short that it is no life.
fn age(chance: &mut ChaCha8Rng, truth: &Weibull) -> f64 {
    truth.quantile(chance.random_range(1e-12..1.0)).max(0.01)
}

/// A truth as the prior has it.
fn drawn(chance: &mut ChaCha8Rng, prior: &Prior) -> Weibull {
    let mut draw = |about: About| about.median * (about.sd_ln * normal(chance)).exp();
    let (shape, scale) = (draw(prior.shape), draw(prior.scale));
    Weibull::new(shape, scale).expect("the parameters are sound")
}
