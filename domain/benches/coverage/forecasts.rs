//! Whether forecasts come true as often as they say.
//!
//! Binomial bounds hold for outcomes that have nothing in common. Parts of one dealer share a shape and a
//! scale that nobody knows, and forecasts of one part a month apart share its end: so one part of each of
//! many dealers is judged, of a truth that is drawn from what is held before; how far rated lives that are off
//! for all dealers move it is shown. All parts of fewer dealers, month after month, stand beside the two simple
//! rules, and are shown within bounds that allow for what a dealer's parts have in common.

use crate::{Faults, age, drawn};
use domain::reliability::assess::{FAILURES_ENOUGH, Forecaster, Question};
use domain::reliability::fit::weibull;
use domain::reliability::forecast::by_rate;
use domain::reliability::life::{Life, Tally};
use domain::reliability::prior::{Prior, RATED_LIFE_WEIGHT};
use domain::reliability::score::{Bins, Score, Scored, score};
use domain::reliability::weibull::Weibull;
use domain::risk::scores::{Judged, Scores, scores};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use uuid::Uuid;

const LEVEL: f64 = 0.9;
/// Tenths of forecasts whose 90 % bounds must hold: fewer than seven of ten do by chance once in a hundred.
const TENTHS_MIN: usize = 7;
/// Dealers of whom one part each is judged.
const DEALERS: usize = 40_000;
const DAYS: [f64; 2] = [30.0, 90.0];
/// Days from the first part to the forecast.
const NOW: f64 = 730.0;

pub(crate) fn calibration(faults: &mut Faults) {
    for (off, judged) in [(1.0, true), (2.0, false), (0.5, false)] {
        let mut chance = ChaCha8Rng::seed_from_u64(7);
        let what = if judged { "JUDGED" } else { "shown" };
        println!(
            "one part of each of {DEALERS} dealers, truths of the prior, lives {off} times as long as rated; {what}"
        );
        let dealers = dealers(&mut chance, off);
        for (days, of) in DAYS.into_iter().zip(dealers) {
            let served = tenths(days, "as served", of.iter().map(|one| (one.served, one.failed)));
            let fits = || of.iter().filter(|one| one.by_fit.is_some());
            tenths(days, "as served, from ten failures on", fits().map(|one| (one.served, one.failed)));
            tenths(days, "by the fit alone, from ten on", fits().filter_map(|one| Some((one.by_fit?, one.failed))));
            if judged {
                let unrated = of.iter().filter_map(|one| Some((one.unrated?, one.failed)));
                tenths(days, "without a rated life, from a fit on", unrated);
                let agree = agreeing(&served);
                faults.expect(agree >= TENTHS_MIN, || format!("{days} days: {agree} tenths within their bounds"));
                bins(&served);
            }
        }
    }
    dependent(faults);
}

/// A forecast of one part, and what became of it.
struct One {
    served: f64,
    /// The same without a rated life, where failures tell.
    unrated: Option<f64>,
    by_fit: Option<f64>,
    failed: bool,
}

/// One part of each dealer, for each horizon. Truths are the prior's; the rated life that the dealer
/// enters is as many times too short.
fn dealers(chance: &mut ChaCha8Rng, off: f64) -> [Vec<One>; 2] {
    let mut found = [Vec::new(), Vec::new()];
    for _ in 0..DEALERS {
        let rated = chance.random_range(200.0..900.0);
        let prior = Prior::for_rated_life(rated, RATED_LIFE_WEIGHT).expect("the rated life is sound");
        let truth = drawn(chance, &prior);
        let places: Vec<Vec<f64>> = (0..chance.random_range(3..60)).map(|_| place(chance, &truth)).collect();
        let lives = lives(&places, NOW);
        let forecaster = Forecaster::of(&lives, &Question::usual(Some(rated / off))).expect("there is a rated life");
        let unrated = Forecaster::of(&lives, &Question::usual(None)).ok();
        let fit = weibull(&lives).ok().filter(|_| Tally::of(&lives).failures >= FAILURES_ENOUGH);
        let running: Vec<(f64, f64)> = running(&places, NOW).collect();
        let (from, to) = running.get(chance.random_range(0..running.len())).expect("a part runs in each place");
        for (found, days) in found.iter_mut().zip(DAYS) {
            found.push(One {
                served: forecaster.failure_ahead(NOW - from, days),
                unrated: unrated.as_ref().map(|forecaster| forecaster.failure_ahead(NOW - from, days)),
                by_fit: fit.map(|fit| fit.weibull.failure_ahead(NOW - from, days)),
                failed: *to <= NOW + days,
            });
        }
    }
    found
}

/// When parts in one place failed, for four years; it began to be used at a time of its own.
fn place(chance: &mut ChaCha8Rng, truth: &Weibull) -> Vec<f64> {
    let mut at = chance.random_range(0.0..600.0);
    let mut times = vec![at];
    while at < 1460.0 {
        at += age(chance, truth);
        times.push(at);
    }
    times
}

/// From when to when each part is in its place, of those fitted by now.
fn spans(places: &[Vec<f64>], now: f64) -> impl Iterator<Item = (f64, f64)> {
    let spans = places.iter().flat_map(|times| times.iter().copied().zip(times.iter().copied().skip(1)));
    spans.filter(move |(from, _)| *from < now)
}

fn running(places: &[Vec<f64>], now: f64) -> impl Iterator<Item = (f64, f64)> {
    spans(places, now).filter(move |(_, to)| *to > now)
}

/// What is known now.
fn lives(places: &[Vec<f64>], now: f64) -> Vec<Life> {
    let life = |(from, to): (f64, f64)| if to <= now { Life::failed(to - from) } else { Life::running(now - from) };
    spans(places, now).filter_map(|span| life(span).ok()).collect()
}

/// The score of forecasts that have nothing in common, in a line.
fn tenths(days: f64, what: &str, forecasts: impl Iterator<Item = (f64, bool)>) -> Score {
    let forecasts: Vec<Scored> = forecasts.filter_map(|(p, failed)| Scored::new(p, failed)).collect();
    let score = score(&forecasts, Bins::OfEqualCount(10), LEVEL).expect("there are forecasts");
    let forecast = score.bins.iter().map(|bin| bin.forecast * bin.count as f64).sum::<f64>();
    let (agree, of, brier) = (agreeing(&score), score.bins.len(), score.brier);
    println!(
        "  {days} days, {what}: {agree} of {of} tenths within; {:.1} % failed, {:.1} % forecast; Brier {brier:.5} ({})",
        100.0 * score.failed as f64 / score.count as f64,
        100.0 * forecast / score.count as f64,
        score.count,
    );
    let ends = [score.bins.first(), score.bins.last()].into_iter().flatten();
    let ends: Vec<String> = ends.map(|bin| format!("{:.4} came true in {:.4}", bin.forecast, bin.observed)).collect();
    println!("    lowest and highest tenth: {}", ends.join(", "));
    score
}

fn agreeing(score: &Score) -> usize {
    score.bins.iter().filter(|bin| bin.agrees).count()
}

fn bins(score: &Score) {
    for bin in &score.bins {
        let word = if bin.agrees { "within" } else { "OUTSIDE" };
        let (lower, upper) = (bin.lower, bin.upper);
        println!(
            "    {:6} forecast {:.4} observed {:.4} [{lower:.4}, {upper:.4}] {word}",
            bin.count, bin.forecast, bin.observed
        );
    }
}

/// Dealers with forty places for a part: whatever fails is replaced; forecasts each month of the
/// third year from what was known then. Shapes are four, rated lives up to twice or half the true ones.
fn dependent(faults: &mut Faults) {
    let mut chance = ChaCha8Rng::seed_from_u64(7);
    let mut judged: [Vec<Judged>; 2] = [Vec::new(), Vec::new()];
    let mut of_dealers: [Vec<Scored>; 2] = [Vec::new(), Vec::new()];
    for (shape, dealer) in [1.0, 1.5, 2.5, 4.0].into_iter().cycle().zip(0..300) {
        let truth = Weibull::new(shape, chance.random_range(150.0..900.0)).expect("the parameters are sound");
        let rated = truth.median() * (chance.random_range(-1.0..1.0_f64) * 0.7).exp();
        let places: Vec<Vec<f64>> = (0..40).map(|_| place(&mut chance, &truth)).collect();
        for month in 0..12 {
            let now = NOW + 30.0 * f64::from(month);
            for ((judged, of_dealers), days) in judged.iter_mut().zip(&mut of_dealers).zip(DAYS) {
                let made = forecast(&places, now, days, rated);
                let scored = made.iter().filter_map(|one| Scored::new(one.probability, one.failed));
                of_dealers.extend(scored.map(|one| one.of(Uuid::from_u128(dealer))));
                judged.extend(made);
            }
        }
    }
    println!("all parts of 300 dealers each month of a year, truths not of the prior; JUDGED: Brier");
    for ((judged, of_dealers), days) in judged.iter().zip(&of_dealers).zip(DAYS) {
        let found = scores(judged).expect("there are forecasts");
        show(days, &found);
        let by_dealer = score(of_dealers, Bins::OfEqualCount(10), LEVEL).expect("there are forecasts");
        let (agree, alone) = (agreeing(&by_dealer), alone(judged));
        println!(
            "   tenths within: {agree} by dealer, {} by part as served, {alone} as if alone",
            agreeing(&found.score)
        );
        bins(&by_dealer);
        for (name, rival) in [("rated life", found.rated_life), ("one rate", found.constant_rate)] {
            let better = rival.is_some_and(|rival| rival.brier_of_forecasts < rival.brier);
            faults.expect(better, || format!("{days} days: the Brier score is no better than by {name}"));
        }
    }
}

fn forecast(places: &[Vec<f64>], now: f64, days: f64, rated: f64) -> Vec<Judged> {
    let lives = lives(places, now);
    let Ok(forecaster) = Forecaster::of(&lives, &Question::usual(Some(rated))) else { return Vec::new() };
    let tally = Tally::of(&lives);
    let rate = tally.failures as f64 / tally.time_at_risk;
    let judge = |(from, to): (f64, f64)| Judged {
        // No two parts end at one instant.
        of: Uuid::from_u128(to.to_bits().into()),
        probability: forecaster.failure_ahead(now - from, days),
        failed: to <= now + days,
        after_days: (to - now).min(days),
        age: now - from,
        use_: days,
        rated_life: Some(rated),
        by_constant_rate: by_rate(rate, days),
    };
    running(places, now).map(judge).collect()
}

/// Tenths within bounds that take no forecast to depend on another.
fn alone(judged: &[Judged]) -> usize {
    let alone: Vec<Scored> = judged.iter().filter_map(|one| Scored::new(one.probability, one.failed)).collect();
    agreeing(&score(&alone, Bins::OfEqualCount(10), LEVEL).expect("there are forecasts"))
}

fn show(days: f64, found: &Scores) {
    let score = &found.score;
    println!("  {days} days: {} forecasts, {} failed", score.count, score.failed);
    println!("   Brier {:.5} (reliability {:.5}, resolution {:.5})", score.brier, score.reliability, score.resolution);
    for (name, rival) in [("rated life", found.rated_life), ("one rate", found.constant_rate)] {
        let rival = rival.expect("every part is rated");
        println!("   {name}: {:.5}, concordance {:.3}", rival.brier, rival.concordance.unwrap_or(f64::NAN));
    }
    println!("   concordance {:.3}", found.concordance.unwrap_or(f64::NAN));
}
