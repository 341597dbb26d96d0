//! Simulated dealers whose truth the prior draws, one part of each judged: outcomes that have nothing in
//! common, as binomial bounds ask for. Parts of one dealer share a shape and a scale that nobody knows.

use crate::reliability::assess::{FAILURES_ENOUGH, Forecaster, Question};
use crate::reliability::fit::weibull;
use crate::reliability::life::{Life, Tally};
use crate::reliability::prior::{About, Prior, RATED_LIFE_WEIGHT};
use crate::reliability::score::{Bins, Scored, score};
use crate::reliability::special::normal_quantile;
use crate::reliability::tests::published::Stream;
use crate::reliability::weibull::Weibull;

const RATED: f64 = 400.0;
const NOW: f64 = 730.0;
const DAYS: f64 = 90.0;

/// What a dealer knows of the parts in its places, and a running one.
struct Dealer {
    truth: Weibull,
    lives: Vec<Life>,
    /// Its age.
    age: f64,
    /// How long it lives on.
    left: f64,
}

fn dealer(stream: &mut Stream, places: u8) -> Dealer {
    let prior = Prior::for_rated_life(RATED, RATED_LIFE_WEIGHT).unwrap();
    let mut draw = |about: About| about.median * (about.sd_ln * normal_quantile(stream.next())).exp();
    let truth = Weibull::new(draw(prior.shape), draw(prior.scale)).unwrap();
    let (mut lives, mut last) = (Vec::new(), (0.0, 0.0));
    for _ in 0..places {
        let mut at = 600.0 * stream.next();
        loop {
            let life = truth.quantile(stream.next()).max(0.01);
            if at + life > NOW {
                break last = (NOW - at, at + life - NOW);
            }
            lives.push(Life::failed(life).unwrap());
            at += life;
        }
        lives.push(Life::running(last.0).unwrap());
    }
    Dealer { truth, lives, age: last.0, left: last.1 }
}

/// Forecasts of whatever dealer: few failures or many.
#[test]
fn forecasts_come_true_as_often_as_they_say() {
    let mut stream = Stream(31);
    let mut scored = Vec::new();
    for places in [3, 6, 12, 24].into_iter().cycle().take(2000) {
        let Dealer { lives, age, left, .. } = dealer(&mut stream, places);
        let forecaster = Forecaster::of(&lives, &Question::usual(Some(RATED))).unwrap();
        scored.extend(Scored::new(forecaster.failure_ahead(age, DAYS), left <= DAYS));
    }
    let found = score(&scored, Bins::OfEqualCount(10), 0.9).unwrap();
    let agree = found.bins.iter().filter(|bin| bin.agrees).count();
    // Of ten intervals of 90 % fewer than seven hold in one case of a hundred.
    assert!(agree >= 7, "{:?}", found.bins);
}

/// How far the true chances lie above the forecasts on average, over the third with the highest forecasts.
fn above(mut forecasts: Vec<(f64, f64)>) -> f64 {
    forecasts.sort_by(|a, b| b.0.total_cmp(&a.0));
    forecasts.truncate(forecasts.len() / 3);
    forecasts.iter().map(|(forecast, truth)| truth - forecast).sum::<f64>() / forecasts.len() as f64
}

/// With ten to forty failures the fit, taken for the truth, says too much where it says most. What is served says
/// less than half of that too much; the chances are held against the true ones, which outcomes are about.
#[test]
fn a_fit_of_a_few_failures_is_not_taken_for_the_truth() {
    let mut stream = Stream(5);
    let (mut served, mut by_fit) = (Vec::new(), Vec::new());
    while served.len() < 1800 {
        let Dealer { truth, lives, age, .. } = dealer(&mut stream, 20);
        if !(FAILURES_ENOUGH..40).contains(&Tally::of(&lives).failures) {
            continue;
        }
        let true_chance = truth.failure_ahead(age, DAYS);
        let forecaster = Forecaster::of(&lives, &Question::usual(Some(RATED))).unwrap();
        served.push((forecaster.failure_ahead(age, DAYS), true_chance));
        by_fit.push((weibull(&lives).unwrap().weibull.failure_ahead(age, DAYS), true_chance));
    }
    let (served, by_fit) = (above(served), above(by_fit));
    assert!(by_fit < -0.015 && served.abs() < by_fit.abs() / 2.0, "{served} {by_fit}");
}
