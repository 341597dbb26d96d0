//! Forecasts against what happened, beside the two rules that they should beat.

use super::LEVEL;
use crate::reliability::life::Life;
use crate::reliability::score::{Bins, Concordance, Score, Scored, by_rated_life, rank_by_rated_life, score};
use serde::Serialize;
use uuid::Uuid;

/// A forecast whose outcome is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judged {
    /// The part or unit: forecasts of one share its end.
    pub of: Uuid,
    /// The probability that was forecast.
    pub probability: f64,
    /// Whether it failed by the horizon.
    pub failed: bool,
    /// Days from the forecast to the failure, else to the horizon.
    pub after_days: f64,
    /// Age when it was forecast, in the run basis.
    pub age: f64,
    /// Use that was expected up to the horizon.
    pub use_: f64,
    /// Rated life.
    pub rated_life: Option<f64>,
    /// Probability as if all parts alike failed at one rate.
    pub by_constant_rate: f64,
}

/// How a set of forecasts turned out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Scores {
    /// The score, its parts and its calibration by tenths of the forecasts.
    pub score: Score,
    /// Part of the pairs whose order is known in which the one at higher risk failed first;
    /// none without such pairs.
    pub concordance: Option<f64>,
    /// The rule "it fails when its rated life is over", for parts that have one.
    pub rated_life: Option<Rival>,
    /// The rule "all parts of a kind fail at one rate".
    pub constant_rate: Option<Rival>,
}

/// A simple rule on the same forecasts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Rival {
    /// Forecasts that it could make.
    pub count: usize,
    /// Its Brier score.
    pub brier: f64,
    /// The forecasts' Brier score on the same parts.
    pub brier_of_forecasts: f64,
    /// Its concordance.
    pub concordance: Option<f64>,
}

/// Scores forecasts; `None` without any.
#[must_use]
pub fn scores(judged: &[Judged]) -> Option<Scores> {
    let scored = |one: &Judged| Some(Scored::new(one.probability, one.failed)?.of(one.of));
    let forecasts: Vec<Scored> = judged.iter().filter_map(scored).collect();
    let by_rate = |one: &Judged| Some((one.by_constant_rate, one.by_constant_rate));
    let by_life = |one: &Judged| {
        let rated = one.rated_life?;
        Some((by_rated_life(one.age, one.use_, rated), rank_by_rated_life(one.age, rated)))
    };
    Some(Scores {
        score: score(&forecasts, Bins::OfEqualCount(10), LEVEL)?,
        concordance: concordance(judged.iter().map(|one| (one, one.probability))),
        rated_life: rival(judged, by_life),
        constant_rate: rival(judged, by_rate),
    })
}

/// A rule's probability and the risk by which it ranks, for those it can tell.
fn rival(judged: &[Judged], rule: impl Fn(&Judged) -> Option<(f64, f64)>) -> Option<Rival> {
    let (mut own, mut forecast, mut ranked) = (0.0, 0.0, Vec::new());
    for one in judged {
        let Some((p, risk)) = rule(one) else { continue };
        let outcome = f64::from(u8::from(one.failed));
        own += (p - outcome).powi(2);
        forecast += (one.probability - outcome).powi(2);
        ranked.push((one, risk));
    }
    let count = ranked.len();
    (count > 0).then(|| Rival {
        count,
        brier: own / count as f64,
        brier_of_forecasts: forecast / count as f64,
        concordance: concordance(ranked.into_iter()),
    })
}

fn concordance<'a>(ranked: impl Iterator<Item = (&'a Judged, f64)>) -> Option<f64> {
    let lives = ranked.filter_map(|(one, risk)| {
        let life = if one.failed { Life::failed(one.after_days) } else { Life::running(one.after_days) };
        Some((life.ok()?, risk))
    });
    Concordance::of(&lives.collect::<Vec<_>>()).index()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reliability::assess::{Forecaster, Question};
    use crate::reliability::forecast::by_rate;
    use crate::reliability::life::Tally;
    use crate::reliability::tests::published::Stream;
    use crate::reliability::weibull::Weibull;

    fn judged(probability: f64, failed: bool, age: f64) -> Judged {
        let after_days = if failed { 12.0 } else { 30.0 };
        let (of, rated_life) = (Uuid::from_u128(u128::from(age.to_bits())), Some(100.0));
        Judged { of, probability, failed, after_days, age, use_: 30.0, rated_life, by_constant_rate: 0.25 }
    }

    #[test]
    fn forecasts_stand_beside_the_rules_they_should_beat() {
        let judged =
            [judged(0.8, true, 90.0), judged(0.1, false, 95.0), judged(0.1, false, 10.0), judged(0.0, false, 5.0)];
        let found = scores(&judged).unwrap();
        assert!((found.score.brier - (0.04 + 0.01 + 0.01) / 4.0).abs() < 1e-12);
        assert_eq!(found.concordance, Some(1.0));
        let rated = found.rated_life.unwrap();
        // It says that the second fails, and ranks it above the one that did.
        assert_eq!((rated.count, rated.brier, rated.concordance), (4, 0.25, Some(2.0 / 3.0)));
        let rate = found.constant_rate.unwrap();
        assert_eq!((rate.brier, rate.concordance), ((0.75_f64.powi(2) + 3.0 * 0.0625) / 4.0, Some(0.5)));
    }

    /// Dealers with thirty places for a part that is replaced when it fails, forecast in the third year
    /// from what was known then; ages of a Weibull, the rated life off by up to twice or half.
    #[test]
    fn simulated_dealers_forecasts_come_true_as_often_as_they_say() {
        let mut stream = Stream(12);
        let mut judged = Vec::new();
        for n in 0..60 {
            let truth = Weibull::new([1.2, 2.0, 3.0][n % 3], 200.0 + 500.0 * stream.next()).unwrap();
            let rated = truth.median() * (1.4 * stream.next() - 0.7).exp();
            let (mut lives, mut running) = (Vec::new(), Vec::new());
            for _ in 0..30 {
                let (mut from, mut to) = (0.0, 500.0 * stream.next());
                while to < 1000.0 {
                    lives.extend(Life::failed(to - from).ok().filter(|_| from > 0.0));
                    (from, to) = (to, to + truth.quantile(stream.next()));
                }
                lives.extend(Life::running(1000.0 - from));
                running.push((1000.0 - from, to - 1000.0));
            }
            let forecaster = Forecaster::of(&lives, &Question::usual(Some(rated))).unwrap();
            let tally = Tally::of(&lives);
            judged.extend(running.into_iter().zip(0_u128..).map(|((age, left), at)| Judged {
                of: Uuid::from_u128(100 * n as u128 + at),
                probability: forecaster.failure_ahead(age, 30.0),
                failed: left <= 30.0,
                after_days: left.clamp(0.01, 30.0),
                age,
                use_: 30.0,
                rated_life: Some(rated),
                by_constant_rate: by_rate(tally.failures as f64 / tally.time_at_risk, 30.0),
            }));
        }
        let found = scores(&judged).unwrap();
        let agree = found.score.bins.iter().filter(|bin| bin.agrees).count();
        // Of ten intervals of 90 % fewer than seven hold in one case of a hundred.
        assert!(agree >= 7, "{:?}", found.score.bins);
        for rival in [found.rated_life.unwrap(), found.constant_rate.unwrap()] {
            assert!(rival.brier_of_forecasts < rival.brier, "{rival:?}");
            assert!(found.concordance > rival.concordance, "{found:?}");
        }
    }

    /// Of the nights of a year the first of each week is scored. The others say the same of the same parts a
    /// day or some later: seven times as many rows, and scores that differ by less than chance. What is said
    /// of a part over and over counts as often as it tells, so that bounds are as wide.
    #[test]
    fn the_first_night_of_a_week_scores_as_all_nights_do() {
        let mut stream = Stream(3);
        let (mut weekly, mut nightly): (Vec<Judged>, Vec<Judged>) = (Vec::new(), Vec::new());
        for n in 0..40 {
            let truth = Weibull::new([1.2, 2.0, 3.0][n % 3], 200.0 + 300.0 * stream.next()).unwrap();
            let places: Vec<Vec<f64>> = (0..25)
                .map(|_| {
                    let mut times = vec![300.0 * stream.next()];
                    while times[times.len() - 1] < 1000.0 {
                        times.push(times[times.len() - 1] + truth.quantile(stream.next()));
                    }
                    times
                })
                .collect();
            for night in (500..864).map(f64::from) {
                let spans = || places.iter().flat_map(|times| times.iter().zip(times.iter().skip(1)));
                let running = spans().filter(|(from, to)| **from < night && night < **to);
                nightly.extend(running.map(|(from, to)| Judged {
                    of: Uuid::from_u128(u128::from(to.to_bits())),
                    probability: truth.failure_ahead(night - from, 30.0),
                    failed: to - night <= 30.0,
                    after_days: (to - night).min(30.0),
                    age: night - from,
                    use_: 30.0,
                    rated_life: None,
                    by_constant_rate: by_rate(1.0 / truth.mean().unwrap(), 30.0),
                }));
                if (night - 500.0) % 7.0 == 0.0 {
                    weekly.extend(nightly.iter().rev().take(25));
                }
            }
        }
        let (weekly, all) = (scores(&weekly).unwrap(), scores(&nightly).unwrap());
        assert!(all.score.count >= 6 * weekly.score.count);
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 0.02;
        assert!(near(weekly.score.brier, all.score.brier), "{} {}", weekly.score.brier, all.score.brier);
        assert!(near(weekly.concordance.unwrap(), all.concordance.unwrap()));
        let rate = |scores: &Scores| scores.constant_rate.unwrap().brier;
        assert!(near(rate(&weekly), rate(&all)));
        let width = |scores: &Scores| scores.score.bins.iter().map(|bin| bin.upper - bin.lower).sum::<f64>();
        let times = width(&all) / width(&weekly);
        assert!((0.8..1.2).contains(&times), "{times}");
    }

    #[test]
    fn a_rule_without_parts_is_no_rival_and_nothing_has_no_score() {
        let unrated = Judged { rated_life: None, ..judged(0.5, true, 1.0) };
        assert_eq!(scores(&[unrated]).unwrap().rated_life, None);
        assert_eq!(scores(&[]), None);
    }
}
