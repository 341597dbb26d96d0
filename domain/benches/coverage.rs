//! Long runs on simulated fleets whose truth is known: how often intervals hold it, whether forecasts
//! come true as often as they say and beat two simple rules, how often tests of condition are wrong
//! and how soon they are right. What is out of its bounds is named at the end, and the exit code is 1. The
//! tests do the same in short, on fixed seeds.
//!
//! `cargo bench -p weirbook-domain --bench coverage`

#![expect(clippy::expect_used, reason = "what cannot be set up cannot be measured")]

use chrono::{Days, NaiveDate};
use domain::condition::days::{Day, Meters, falling_flow};
use domain::condition::steady::{Charts, Found, IN_CONTROL_POINTS, charts};
use domain::reliability::assess::{Forecaster, Question};
use domain::reliability::fit::weibull;
use domain::reliability::forecast::by_rate;
use domain::reliability::life::{Life, Tally};
use domain::reliability::weibull::Weibull;
use domain::risk::scores::{Judged, Scores, scores};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;

const LEVEL: f64 = 0.9;

/// Within which intervals of 90 % have to hold the truth, over so many fleets of enough failures.
const HELD: std::ops::RangeInclusive<f64> = 0.87..=0.93;
const FLEETS: usize = 2000;
/// Failures from which on that is asked.
const ENOUGH: usize = 8;
/// Tenths of forecasts whose 90 % bounds must hold: fewer than seven of ten do by chance once in a hundred.
const TENTHS_MIN: usize = 7;

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
    coverage(&mut faults);
    calibration(&mut faults);
    alarms(&mut faults);
    for fault in &faults.0 {
        println!("OUT OF BOUNDS: {fault}");
    }
    if faults.0.is_empty() { std::process::ExitCode::SUCCESS } else { std::process::ExitCode::FAILURE }
}

fn part(hits: usize, of: usize) -> String {
    let (p, n) = (hits as f64 / of.max(1) as f64, of.max(1) as f64);
    format!("{:5.1} % +- {:.1} ({of})", 100.0 * p, 100.0 * 2.0 * (p * (1.0 - p) / n).sqrt())
}

/// How often each interval held the truth.
#[derive(Default, Clone, Copy)]
struct Held {
    fleets: usize,
    fits: usize,
    shape: usize,
    scale: usize,
    survival: usize,
    ahead: usize,
}

/// Thirty lives, some entered late, cut short at ages of their own up to `longest`.
fn fleet(chance: &mut ChaCha8Rng, truth: &Weibull, longest: f64) -> Vec<Life> {
    let mut fleet = Vec::new();
    while fleet.len() < 30 {
        let age = truth.quantile(chance.random_range(1e-12..1.0));
        let cut = chance.random_range(0.1..1.0) * longest;
        let entry = if chance.random_range(0.0..1.0) < 0.2 { 300.0 * chance.random_range(0.0..1.0) } else { 0.0 };
        let life = if age <= cut { Life::failed(age) } else { Life::running(cut) };
        fleet.extend(life.and_then(|life| life.watched_from(entry)));
    }
    fleet
}

fn coverage(faults: &mut Faults) {
    println!("coverage of 90 % intervals, fleets of 30 lives, a fifth entered late");
    let mut chance = ChaCha8Rng::seed_from_u64(2026);
    for (shape, longest) in [(1.0, 2000.0), (1.8, 1700.0), (3.0, 1700.0), (1.8, 900.0), (3.0, 900.0)] {
        let truth = Weibull::new(shape, 1000.0).expect("the parameters are sound");
        let mut by_failures: BTreeMap<bool, Held> = BTreeMap::new();
        let mut ones: BTreeMap<usize, Held> = BTreeMap::new();
        while by_failures.get(&true).is_none_or(|held| held.fleets < FLEETS) {
            let lives = fleet(&mut chance, &truth, longest);
            let failures = Tally::of(&lives).failures;
            // The rated life is as far off as the prior takes it to be: by half of itself, mostly.
            let rated = truth.median() * (0.47 * normal(&mut chance)).exp();
            let held = held(&lives, &truth, rated);
            add(by_failures.entry(failures >= ENOUGH).or_default(), held);
            add(ones.entry(failures.min(ENOUGH)).or_default(), held);
        }
        let setup = format!("shape {shape}, cut up to {longest} h of a scale of 1000");
        println!(" {setup}");
        by_failures.get(&true).into_iter().for_each(|held| held.check(&setup, faults));
        for (enough, held) in &by_failures {
            line(if *enough { "8 failures or more" } else { "fewer than 8" }, held);
        }
        for (failures, held) in ones.iter().filter(|(failures, _)| **failures < ENOUGH) {
            line(&format!("{failures} failures"), held);
        }
    }
}

fn held(lives: &[Life], truth: &Weibull, rated: f64) -> Held {
    let mut held = Held { fleets: 1, ..Held::default() };
    if let Ok(fit) = weibull(lives) {
        let bounded = fit.with_bounds(lives, LEVEL);
        held.fits = 1;
        held.shape = usize::from(bounded.shape_bounds.contains(truth.shape()));
        held.scale = usize::from(bounded.scale_bounds.contains(truth.scale()));
        held.survival = usize::from(fit.survival_bounds(500.0, LEVEL).contains(truth.survival(500.0)));
    }
    if let Ok(forecaster) = Forecaster::of(lives, &Question::usual(Some(rated))) {
        let (_, bounds) = forecaster.failure_ahead_within(400.0, 200.0, LEVEL);
        held.ahead = usize::from(bounds.contains(truth.failure_ahead(400.0, 200.0)));
    }
    held
}

impl Held {
    fn check(&self, setup: &str, faults: &mut Faults) {
        for (what, hits, of) in [
            ("shape", self.shape, self.fits),
            ("scale", self.scale, self.fits),
            ("survival", self.survival, self.fits),
            ("forecast", self.ahead, self.fleets),
        ] {
            let part = hits as f64 / of.max(1) as f64;
            faults.expect(HELD.contains(&part), || format!("{setup}: intervals of the {what} held it in {part:.3}"));
        }
    }
}

fn add(sum: &mut Held, one: Held) {
    sum.fleets += one.fleets;
    sum.fits += one.fits;
    sum.shape += one.shape;
    sum.scale += one.scale;
    sum.survival += one.survival;
    sum.ahead += one.ahead;
}

fn line(what: &str, held: &Held) {
    println!(
        "  {what:20} shape {}, scale {}, survival {}; the forecast served {}",
        part(held.shape, held.fits),
        part(held.scale, held.fits),
        part(held.survival, held.fits),
        part(held.ahead, held.fleets),
    );
}

/// Dealers with forty places for a part: whatever fails is replaced; forecasts each month of the
/// third year from what was known then.
fn calibration(faults: &mut Faults) {
    let mut chance = ChaCha8Rng::seed_from_u64(7);
    let mut judged: [Vec<Judged>; 2] = [Vec::new(), Vec::new()];
    let mut firsts: [Vec<Judged>; 2] = [Vec::new(), Vec::new()];
    for shape in [1.0, 1.5, 2.5, 4.0].into_iter().cycle().take(300) {
        let truth = Weibull::new(shape, chance.random_range(150.0..900.0)).expect("the parameters are sound");
        let rated = truth.median() * (chance.random_range(-1.0..1.0_f64) * 0.7).exp();
        let places: Vec<Vec<f64>> = (0..40).map(|_| place(&mut chance, &truth)).collect();
        for month in 0..12 {
            let now = 730.0 + 30.0 * f64::from(month);
            for ((judged, firsts), days) in judged.iter_mut().zip(&mut firsts).zip([30.0, 90.0]) {
                let made = forecast(&places, now, days, rated);
                // Forecasts of one part a month apart share its end: binomial bounds hold for one of them.
                firsts.extend(made.iter().filter(|_| month == 0));
                judged.extend(made);
            }
        }
    }
    for ((judged, firsts), days) in judged.iter().zip(&firsts).zip([30, 90]) {
        let found = scores(judged).expect("there are forecasts");
        show(days, &found);
        for (name, rival) in [("rated life", found.rated_life), ("one rate", found.constant_rate)] {
            let better = rival.is_some_and(|rival| rival.brier_of_forecasts < rival.brier);
            faults.expect(better, || format!("{days} days: the Brier score is no better than by {name}"));
        }
        let bins = scores(firsts).expect("there are forecasts").score.bins;
        let agree = bins.iter().filter(|bin| bin.agrees).count();
        println!("  first month alone: {agree} of {} tenths within their binomial bounds", bins.len());
        faults.expect(agree >= TENTHS_MIN, || format!("{days} days: {agree} tenths within their bounds"));
    }
}

/// When parts in one place failed, for four years; it began to be used at a time of its own.
fn place(chance: &mut ChaCha8Rng, truth: &Weibull) -> Vec<f64> {
    let mut at = chance.random_range(0.0..600.0);
    let mut times = vec![at];
    while at < 1460.0 {
        at += truth.quantile(chance.random_range(1e-12..1.0)).max(0.01);
        times.push(at);
    }
    times
}

fn forecast(places: &[Vec<f64>], now: f64, days: f64, rated: f64) -> Vec<Judged> {
    let spans =
        || places.iter().flat_map(|times| times.iter().zip(times.iter().skip(1))).filter(|(from, _)| **from < now);
    let life = |(from, to): (&f64, &f64)| if *to <= now { Life::failed(to - from) } else { Life::running(now - from) };
    let lives: Vec<Life> = spans().filter_map(|span| life(span).ok()).collect();
    let Ok(forecaster) = Forecaster::of(&lives, &Question::usual(Some(rated))) else { return Vec::new() };
    let tally = Tally::of(&lives);
    let rate = tally.failures as f64 / tally.time_at_risk;
    let running = spans().filter(|(_, to)| **to > now);
    let judge = |(from, to): (&f64, &f64)| Judged {
        probability: forecaster.failure_ahead(now - from, days),
        failed: *to <= now + days,
        after_days: (to - now).min(days),
        age: now - from,
        use_: days,
        rated_life: Some(rated),
        by_constant_rate: by_rate(rate, days),
    };
    running.map(judge).collect()
}

fn show(days: u32, found: &Scores) {
    let score = &found.score;
    println!("forecasts within {days} days: {} of 300 dealers, {} failed", score.count, score.failed);
    println!("  Brier {:.5} (reliability {:.5}, resolution {:.5})", score.brier, score.reliability, score.resolution);
    for (name, rival) in [("rated life", found.rated_life), ("one rate", found.constant_rate)] {
        let rival = rival.expect("every part is rated");
        println!("  {name}: {:.5}, concordance {:.3}", rival.brier, rival.concordance.unwrap_or(f64::NAN));
    }
    println!("  concordance {:.3}", found.concordance.unwrap_or(f64::NAN));
    for bin in &score.bins {
        let word = if bin.agrees { "within" } else { "OUTSIDE" };
        let (lower, upper) = (bin.lower, bin.upper);
        println!(
            "  {:6} forecast {:.4} observed {:.4} [{lower:.4}, {upper:.4}] {word}",
            bin.count, bin.forecast, bin.observed
        );
    }
}

fn normal(chance: &mut ChaCha8Rng) -> f64 {
    let (u, v): (f64, f64) = (chance.random_range(1e-12..1.0), chance.random_range(0.0..1.0));
    (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
}

/// Days of a pump of 2000 L/h with 3 % noise that loses a share of its flow from a day on.
fn pump(chance: &mut ChaCha8Rng, days: u64, from: u64, lost: f64) -> Vec<Day> {
    let first: NaiveDate = NaiveDate::default();
    let one = |n| {
        let run = chance.random_range(2.0..6.0);
        let flow = 2000.0 * (1.0 + 0.03 * normal(chance)) * if n >= from { 1.0 - lost } else { 1.0 };
        Day { day: first + Days::new(n), wash_l: Some(flow * run), run_h: Some(run), energy_kwh: None, starts: None }
    };
    (0..days).map(one).collect()
}

const ONE_OF_EACH: Meters = Meters { wash: 1, run_hours: 1, energy: 0, starts: 0 };

/// The nights of a unit as the night run has them, which looks back so many days: how often a
/// finding was opened, and on how many of them one was open.
fn nights(days: &[Day], from: usize, charts: &Charts) -> (usize, usize) {
    let (mut opened, mut open_days, mut known): (usize, usize, Vec<Found>) = (0, 0, Vec::new());
    for until in from..=days.len() {
        let seen = days.get(until.saturating_sub(550)..until).unwrap_or_default();
        let today = seen.last().map(|day| day.day);
        let open = known.iter().position(|found| found.until.is_none());
        let Ok(ran) = falling_flow(seen, ONE_OF_EACH, charts.daily, &known) else { continue };
        match (ran.finding, open) {
            (Some(found), None) => {
                opened += 1;
                known.push(Found { since: found.since, until: None });
            }
            (Some(found), Some(at)) => known.iter_mut().skip(at).take(1).for_each(|open| open.since = found.since),
            (None, Some(at)) => known.iter_mut().skip(at).take(1).for_each(|open| open.until = today),
            (None, None) => {}
        }
        open_days += usize::from(ran.finding.is_some());
    }
    (opened, open_days)
}

fn alarms(faults: &mut Faults) {
    let charts = charts().expect("the charts' constants are sound");
    let stated = 365.0 / IN_CONTROL_POINTS;
    let mut chance = ChaCha8Rng::seed_from_u64(25);
    let (units, years) = (400, 3);
    let (mut opened, mut open_days) = (0, 0);
    for _ in 0..units {
        let days = pump(&mut chance, 60 + 365 * years, u64::MAX, 0.0);
        let of_unit = nights(&days, 60, &charts);
        opened += of_unit.0;
        open_days += of_unit.1;
    }
    let unit_years = f64::from(units) * years as f64;
    println!("falling flow, 3 % noise, baseline of 60 days: stated {stated:.2} false alarms a unit-year");
    println!("  {:.3} a unit-year in {unit_years} unit-years; open on {open_days} days", opened as f64 / unit_years);
    let (rate, sd) = (opened as f64 / unit_years, (stated / unit_years).sqrt());
    faults.expect(rate <= stated + 3.0 * sd, || format!("{rate:.3} false alarms a unit-year, {stated:.2} stated"));
    // Days to detect: what the short test holds them to.
    for (lost, days_max) in [(0.05, 15), (0.2, 3)] {
        let mut after: Vec<usize> = (0..1000)
            .map(|_| {
                let days = pump(&mut chance, 200, 100, lost);
                let open = |until: &usize| {
                    let seen = days.get(..*until).unwrap_or_default();
                    falling_flow(seen, ONE_OF_EACH, charts.daily, &[]).is_ok_and(|ran| ran.finding.is_some())
                };
                (101..=200).find(open).map_or(100, |until| until - 100)
            })
            .collect();
        after.sort_unstable();
        let at = |p: usize| after.get(after.len() * p / 100).copied().unwrap_or(0);
        faults.expect(at(50) <= days_max, || format!("{:.0} % lost: found after {} days", 100.0 * lost, at(50)));
        println!("  {:.0} % lost: found after {} days at the median, {} in nine of ten", 100.0 * lost, at(50), at(90));
    }
}
