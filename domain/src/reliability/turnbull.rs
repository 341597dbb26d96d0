//! Survival without a model where failures are known to intervals: Turnbull's estimate.
//!
//! The likelihood depends only on how much probability lies in each of the innermost intervals:
//! those that begin where some life's interval begins and end where the next one ends. Turnbull
//! (1976), JRSS B 38, shares every life out over the intervals it may have ended in, and what
//! late entries kept from being seen over those before their entries, until the shares agree.
//! Steps are Turnbull's; the end is told by the likelihood's slope: moving all probability to
//! one interval could raise the logarithm of the likelihood by no more than the greatest slope
//! (so without late entries, where it is concave).

use super::estimate::NoEstimate;
use super::life::{End, Life};
use serde::Serialize;

/// Rounds at most: the shares of intervals that get nothing die slowly.
const ROUNDS_MAX: usize = 50_000;
/// Lives gone over in all rounds at most, about a second: very many lives get fewer rounds.
const LIVES_GONE_OVER_MAX: usize = 200_000_000;
/// The part by which a slope may exceed that of the top, in lives.
const SLOPE_LEFT: f64 = 1e-7;

/// The probability of failing within one interval; where in it, the data do not tell.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Mass {
    /// Its lower end, itself outside; equal to the upper one for an exact age.
    pub after: f64,
    /// Its upper end, itself inside; none for what lies beyond the last age seen.
    pub by: Option<f64>,
    /// Probability of failing within.
    pub probability: f64,
}

/// The estimate.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Turnbull {
    /// Innermost intervals that have probability, by age.
    pub masses: Vec<Mass>,
    /// Natural logarithm of the likelihood.
    pub ln_likelihood: f64,
    /// How much the logarithm of the likelihood could still rise at most.
    pub could_rise: f64,
}

/// An end of an interval, open or closed, as a place on the line.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
struct Cut {
    age: f64,
    /// Just after the age, not at it.
    after: bool,
}

/// What each life leaves open: the innermost intervals it may have ended in, those after its
/// entry, as ranges.
struct Shares {
    ended: Vec<(usize, usize)>,
    seen_from: Vec<usize>,
}

/// Estimates survival from lives of every kind.
///
/// # Errors
/// [`NoEstimate::NoFailures`] when nothing failed.
pub fn turnbull(lives: &[Life]) -> Result<Turnbull, NoEstimate> {
    if !lives.iter().any(Life::has_failed) {
        return Err(NoEstimate::NoFailures);
    }
    let inner = innermost(lives);
    let shares = Shares::of(lives, &inner);
    let start = vec![1.0 / inner.len() as f64; inner.len()];
    let (probability, could_rise) = shares.settle(start);
    let ln_likelihood = shares.ln_likelihood(&probability);
    let masses = inner.iter().zip(&probability).filter(|(_, p)| **p > 0.0);
    let masses = masses.map(|(&(from, to), &probability)| Mass {
        after: from.age,
        by: to.age.is_finite().then_some(to.age),
        probability,
    });
    Ok(Turnbull { masses: masses.collect(), ln_likelihood, could_rise })
}

/// The stretch a life may have ended in: from just after one age, to another one inclusive.
fn stretch(life: &Life) -> (Cut, Cut) {
    let after = |age| Cut { age, after: true };
    match life.end() {
        End::Failed => (Cut { age: life.age(), after: false }, after(life.age())),
        End::FailedSince { last_good } => (after(last_good), after(life.age())),
        End::Running => (after(life.age()), after(f64::INFINITY)),
    }
}

/// Innermost intervals: a beginning with an end right after it in the order of all ends.
fn innermost(lives: &[Life]) -> Vec<(Cut, Cut)> {
    let mut cuts: Vec<(Cut, bool)> = Vec::with_capacity(2 * lives.len());
    for life in lives {
        let (from, to) = stretch(life);
        cuts.push((from, true));
        cuts.push((to, false));
        // A failure before an entry would not have been seen: of a stretch that an entry cuts,
        // the part before it counts differently (Frydman 1994, JRSS B 56).
        if life.entry() > 0.0 {
            cuts.push((Cut { age: life.entry(), after: true }, false));
        }
    }
    // At one place ends come before beginnings: the stretches touch and share nothing.
    cuts.sort_unstable_by(|a, b| a.0.age.total_cmp(&b.0.age).then(a.0.after.cmp(&b.0.after)).then(a.1.cmp(&b.1)));
    let pairs = cuts.iter().zip(cuts.iter().skip(1));
    pairs.filter(|(a, b)| a.1 && !b.1 && a.0 < b.0).map(|(a, b)| (a.0, b.0)).collect()
}

impl Shares {
    fn of(lives: &[Life], inner: &[(Cut, Cut)]) -> Self {
        let from = |cut: Cut| inner.partition_point(|(begin, _)| *begin < cut);
        let to = |cut: Cut| inner.partition_point(|(_, end)| *end <= cut);
        let ended = lives.iter().map(stretch).map(|(begin, end)| (from(begin), to(end))).collect();
        let seen_from = lives.iter().map(|life| from(Cut { age: life.entry(), after: true }));
        Self { ended, seen_from: seen_from.map(|first| first.min(inner.len().saturating_sub(1))).collect() }
    }

    /// Rounds until no slope is left, and how much the likelihood could still rise.
    fn settle(&self, mut p: Vec<f64>) -> (Vec<f64>, f64) {
        let lives = self.ended.len() as f64;
        let mut could_rise = f64::INFINITY;
        let rounds = (LIVES_GONE_OVER_MAX / (self.ended.len() + p.len())).clamp(100, ROUNDS_MAX);
        for _ in 0..rounds {
            let (wanted, hidden) = self.slopes(&p);
            let total: f64 = p.iter().zip(&hidden).map(|(p, hidden)| p * (1.0 + hidden / lives)).sum::<f64>() * lives;
            let slope = wanted.iter().zip(&hidden).map(|(wanted, hidden)| wanted + hidden - total);
            could_rise = slope.fold(0.0, f64::max);
            for (p, (wanted, hidden)) in p.iter_mut().zip(wanted.iter().zip(&hidden)) {
                *p *= (wanted + hidden).max(0.0) / total;
                // Gone for good: it would only slow the sums down.
                if *p < 1e-14 && wanted + hidden < 0.9 * total {
                    *p = 0.0;
                }
            }
            if could_rise <= SLOPE_LEFT * lives {
                break;
            }
        }
        (p, could_rise)
    }

    /// For every interval: the lives that may have ended there, each over its probability; and
    /// the lives hidden before their entry that would have, likewise.
    ///
    /// Differences at the ends of each life's range, summed up: linear in lives and intervals.
    fn slopes(&self, p: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let below = running_sums(p);
        let at = |i: usize| below.get(i).copied().unwrap_or(1.0);
        let all = at(p.len());
        let (mut ended, mut hidden) = (vec![0.0; p.len() + 1], vec![0.0; p.len() + 1]);
        let add = |sums: &mut Vec<f64>, from: usize, to: usize, amount: f64| {
            if let Some(first) = sums.get_mut(from) {
                *first += amount;
            }
            if let Some(last) = sums.get_mut(to) {
                *last -= amount;
            }
        };
        for (&(from, to), &seen) in self.ended.iter().zip(&self.seen_from) {
            let within = at(to) - at(from);
            if within > 0.0 {
                add(&mut ended, from, to, 1.0 / within);
            }
            if seen > 0 && all - at(seen) > 0.0 {
                add(&mut hidden, 0, seen, 1.0 / (all - at(seen)));
            }
        }
        let slopes = |steps: &[f64]| running_sums(steps).into_iter().skip(1).take(p.len()).collect();
        (slopes(&ended), slopes(&hidden))
    }

    fn ln_likelihood(&self, p: &[f64]) -> f64 {
        let below = running_sums(p);
        let at = |i: usize| below.get(i).copied().unwrap_or(1.0);
        let lives = self.ended.iter().zip(&self.seen_from);
        lives.map(|(&(from, to), &seen)| ((at(to) - at(from)) / (at(p.len()) - at(seen))).ln()).sum()
    }
}

/// Sums of the first 0, 1, 2, ... values.
fn running_sums(values: &[f64]) -> Vec<f64> {
    let mut sum = 0.0;
    let sums = values.iter().map(|value| {
        sum += value;
        sum
    });
    std::iter::once(0.0).chain(sums).collect()
}

impl Turnbull {
    /// Bounds of the survival at an age: within an innermost interval the data do not tell.
    #[must_use]
    pub fn survival(&self, age: f64) -> (f64, f64) {
        let beyond = |mass: &&Mass| mass.by.is_none_or(|by| by > age);
        let surely = |mass: &&Mass| mass.after >= age && (mass.by != Some(mass.after) || mass.after > age);
        let sum = |masses: &dyn Fn(&&Mass) -> bool| {
            self.masses.iter().filter(|mass| masses(mass)).map(|mass| mass.probability).sum::<f64>()
        };
        (sum(&surely).min(1.0), sum(&beyond).min(1.0))
    }
}
