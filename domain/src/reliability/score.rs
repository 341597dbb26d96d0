//! Forecasts against what happened: how far off, how well they tell parts apart, and whether
//! they beat two simple rules.

use super::life::{End, Life, Tally};
use super::special::bounds_of_parts;
use serde::Serialize;
use std::collections::BTreeMap;
use uuid::Uuid;

/// A forecast whose outcome is known: the part's state at the horizon was seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Scored {
    probability: f64,
    failed: bool,
    of: Option<Uuid>,
}

impl Scored {
    /// `None` when the probability is none.
    #[must_use]
    pub fn new(probability: f64, failed: bool) -> Option<Self> {
        (0.0..=1.0).contains(&probability).then_some(Self { probability, failed, of: None })
    }

    /// The same of a part or unit of which there may be others, whose outcomes then depend on one another.
    #[must_use]
    pub fn of(self, of: Uuid) -> Self {
        Self { of: Some(of), ..self }
    }

    fn outcome(&self) -> f64 {
        f64::from(u8::from(self.failed))
    }
}

/// How forecasts are put into bins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bins {
    /// As many in each, by probability, equal ones together: ten are deciles.
    OfEqualCount(usize),
    /// Equal parts of 0 to 1; an edge belongs to the bin above it.
    OfEqualWidth(usize),
}

/// Forecasts of about the same probability, and how often it came true.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bin {
    /// Forecasts in it.
    pub count: usize,
    /// Their mean probability.
    pub forecast: f64,
    /// Part of them that failed.
    pub observed: f64,
    /// Exact binomial bounds of that part; forecasts of one thing count for as many as their outcomes tell.
    pub lower: f64,
    /// Its upper bound.
    pub upper: f64,
    /// Whether the mean probability lies within the bounds.
    pub agrees: bool,
}

/// The score of a set of forecasts. The Brier score is the mean squared error of the
/// probabilities (Brier 1950), and
///
/// ```text
/// brier = reliability - resolution + uncertainty + within
/// ```
///
/// (Murphy 1973, J. Appl. Meteor. 12), `within` what the forecasts vary inside their bins
/// (Stephenson and others 2008, Weather and Forecasting 23).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Score {
    /// Forecasts.
    pub count: usize,
    /// Failures among them.
    pub failed: usize,
    /// The Brier score; less is better.
    pub brier: f64,
    /// Mean squared distance of the bins' forecasts from their outcomes; less is better.
    pub reliability: f64,
    /// Mean squared distance of the bins' outcomes from the overall one; more is better.
    pub resolution: f64,
    /// What the outcomes vary by themselves.
    pub uncertainty: f64,
    /// What is left by putting different probabilities into one bin.
    pub within: f64,
    /// Mean distance of the bins' forecasts from their outcomes (expected calibration error).
    pub calibration_error: f64,
    /// The bins that have forecasts, by probability.
    pub bins: Vec<Bin>,
}

/// Scores forecasts; `None` without any.
#[must_use]
pub fn score(forecasts: &[Scored], bins: Bins, level: f64) -> Option<Score> {
    if forecasts.is_empty() {
        return None;
    }
    let mut sorted = forecasts.to_vec();
    sorted.sort_by(|a, b| a.probability.total_cmp(&b.probability));
    let n = sorted.len() as f64;
    let bins: Vec<Bin> = grouped(&sorted, bins).into_iter().map(|of| Bin::of(of, level)).collect();
    let failed = sorted.iter().filter(|forecast| forecast.failed).count();
    let base = failed as f64 / n;
    let weighted = |of: &dyn Fn(&Bin) -> f64| bins.iter().map(|bin| bin.count as f64 / n * of(bin)).sum::<f64>();
    let brier = sorted.iter().map(|forecast| (forecast.probability - forecast.outcome()).powi(2)).sum::<f64>() / n;
    let reliability = weighted(&|bin| (bin.forecast - bin.observed).powi(2));
    let resolution = weighted(&|bin| (bin.observed - base).powi(2));
    let uncertainty = base * (1.0 - base);
    Some(Score {
        count: sorted.len(),
        failed,
        brier,
        reliability,
        resolution,
        uncertainty,
        within: brier - (reliability - resolution + uncertainty),
        calibration_error: weighted(&|bin| (bin.forecast - bin.observed).abs()),
        bins,
    })
}

/// Forecasts in order of probability, cut into bins; empty bins are left out.
fn grouped(sorted: &[Scored], bins: Bins) -> Vec<&[Scored]> {
    let (Bins::OfEqualCount(most) | Bins::OfEqualWidth(most)) = bins;
    let most = most.max(1);
    let mut ends: Vec<usize> = match bins {
        Bins::OfEqualCount(_) => (1..=most)
            .map(|bin| {
                let about = bin * sorted.len() / most;
                let last = about.checked_sub(1).and_then(|at| sorted.get(at));
                last.map_or(0, |last| sorted.partition_point(|forecast| forecast.probability <= last.probability))
            })
            .collect(),
        Bins::OfEqualWidth(_) => (1..=most)
            .map(|bin| {
                let edge = if bin == most { f64::INFINITY } else { bin as f64 / most as f64 };
                sorted.partition_point(|forecast| forecast.probability < edge)
            })
            .collect(),
    };
    ends.dedup();
    let begins = std::iter::once(0).chain(ends.iter().copied());
    let cut = begins.zip(&ends).filter_map(|(begin, end)| sorted.get(begin..*end));
    cut.filter(|bin| !bin.is_empty()).collect()
}

impl Bin {
    fn of(forecasts: &[Scored], level: f64) -> Self {
        let count = forecasts.len();
        let failed = forecasts.iter().filter(|forecast| forecast.failed).count();
        let forecast = forecasts.iter().map(|forecast| forecast.probability).sum::<f64>() / count as f64;
        let each = 1.0 / repeats(forecasts);
        let (lower, upper) = bounds_of_parts(failed as f64 * each, (count - failed) as f64 * each, level);
        let agrees = (lower..=upper).contains(&forecast);
        Self { count, forecast, observed: failed as f64 / count as f64, lower, upper, agrees }
    }
}

/// How many times as much the share that failed varies as that of as many forecasts that have nothing in
/// common: those of one part a week apart share its end. By the sums over each part of what its outcomes lie
/// off the share (the design effect of Korn and Graubard 1998, Survey Methodology 24, from memory); where all
/// or none failed, the forecasts of a part.
fn repeats(forecasts: &[Scored]) -> f64 {
    let count = forecasts.len() as f64;
    let share = forecasts.iter().map(Scored::outcome).sum::<f64>() / count;
    let mut known: BTreeMap<Uuid, f64> = BTreeMap::new();
    let (mut alone, mut squares) = (0_usize, 0.0);
    for forecast in forecasts {
        let off = forecast.outcome() - share;
        match forecast.of {
            Some(of) => *known.entry(of).or_default() += off,
            None => (alone, squares) = (alone + 1, squares + off * off),
        }
    }
    let things = (alone + known.len()) as f64;
    squares += known.values().map(|off| off * off).sum::<f64>();
    let by_chance = count * share * (1.0 - share);
    if things >= count {
        1.0
    } else if by_chance > 0.0 && things > 1.0 {
        (squares * things / (things - 1.0) / by_chance).max(1.0)
    } else {
        count / things
    }
}

/// How well a ranking tells which part fails first: of the pairs whose order is known, the part
/// in which the one at higher risk failed first (Harrell and others 1982, JAMA 247). A pair is
/// comparable when the shorter life ended in a failure; at equal ages, when just one did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Concordance {
    /// Pairs ranked as they failed.
    pub concordant: u64,
    /// Pairs ranked the other way round.
    pub discordant: u64,
    /// Pairs ranked equal.
    pub tied: u64,
}

impl Concordance {
    /// Counts the pairs of lives with their risks, in n log n steps.
    ///
    /// Intervals count by the age at which they were found. Lives without a number for a risk
    /// are left out.
    #[must_use]
    pub fn of(lives: &[(Life, f64)]) -> Self {
        let mut lives: Vec<&(Life, f64)> = lives.iter().filter(|(_, risk)| !risk.is_nan()).collect();
        lives.sort_by(|a, b| b.0.age().total_cmp(&a.0.age()));
        let mut risks: Vec<f64> = lives.iter().map(|(_, risk)| *risk).collect();
        risks.sort_unstable_by(f64::total_cmp);
        risks.dedup();
        // Ranks from 1; equal risks share one (minus zero is zero: dedup holds them equal).
        let rank = |risk: f64| risks.partition_point(|other| *other < risk) + 1;
        let mut longer = Counts::new(risks.len());
        let mut found = Self::default();
        for of_age in lives.chunk_by(|a, b| a.0.age() == b.0.age()) {
            for (_, risk) in of_age.iter().filter(|(life, _)| life.end() == End::Running) {
                longer.add(rank(*risk));
            }
            for (_, risk) in of_age.iter().filter(|(life, _)| life.has_failed()) {
                let (below, up_to) = (longer.up_to(rank(*risk) - 1), longer.up_to(rank(*risk)));
                found.concordant += below;
                found.tied += up_to - below;
                found.discordant += longer.all - up_to;
            }
            for (_, risk) in of_age.iter().filter(|(life, _)| life.has_failed()) {
                longer.add(rank(*risk));
            }
        }
        found
    }

    /// Pairs whose order is known.
    #[must_use]
    pub fn comparable(&self) -> u64 {
        self.concordant + self.discordant + self.tied
    }

    /// The part of them ranked right, ties half; 0.5 is no better than a coin. None without pairs.
    #[must_use]
    pub fn index(&self) -> Option<f64> {
        let pairs = self.comparable();
        (pairs > 0).then(|| (self.concordant as f64 + self.tied as f64 / 2.0) / pairs as f64)
    }
}

/// Counts by rank with running sums, after Fenwick (1994).
struct Counts {
    tree: Vec<u64>,
    all: u64,
}

impl Counts {
    fn new(ranks: usize) -> Self {
        Self { tree: vec![0; ranks + 1], all: 0 }
    }

    fn add(&mut self, mut rank: usize) {
        self.all += 1;
        while let Some(count) = self.tree.get_mut(rank) {
            *count += 1;
            rank += rank & rank.wrapping_neg();
        }
    }

    fn up_to(&self, mut rank: usize) -> u64 {
        let mut sum = 0;
        while rank > 0 {
            sum += self.tree.get(rank).copied().unwrap_or(0);
            rank &= rank - 1;
        }
        sum
    }
}

/// The Brier score at an age where some lives were cut short before: failures weigh 1/G just
/// before their age, those that reach `age` 1/G there, G the estimated chance of not being cut
/// short (Graf and others 1999, Statist. Med. 18). `survival` is the forecast for each life.
///
/// `None` without lives, or when no life could be watched that far.
#[must_use]
pub fn censored_brier(lives: &[(Life, f64)], age: f64) -> Option<f64> {
    let mut ages: Vec<(f64, bool)> = lives.iter().map(|(life, _)| (life.age(), life.end() == End::Running)).collect();
    ages.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    // At equal ages failures come first: a part cut short at t was at risk of failing at t.
    let mut left = ages.len();
    let mut steps = vec![(0.0, 1.0)];
    let mut uncut = 1.0;
    for of_age in ages.chunk_by(|a, b| a.0 == b.0) {
        let cut = of_age.iter().filter(|(_, cut)| *cut).count();
        let at_risk = left - (of_age.len() - cut);
        if cut > 0 {
            uncut *= 1.0 - cut as f64 / at_risk as f64;
        }
        left -= of_age.len();
        steps.push((of_age.first().map_or(0.0, |first| first.0), uncut));
    }
    let g = |passed: usize| passed.checked_sub(1).and_then(|at| steps.get(at)).map_or(1.0, |step| step.1);
    let before = |t: f64| g(steps.partition_point(|step| step.0 < t));
    let at = |t: f64| g(steps.partition_point(|step| step.0 <= t));
    let terms = lives.iter().map(|(life, survival)| match life.end() {
        _ if life.age() > age => (1.0 - survival).powi(2) / at(age),
        End::Running => 0.0,
        End::Failed | End::FailedSince { .. } => survival.powi(2) / before(life.age()),
    });
    let mean = terms.sum::<f64>() / lives.len() as f64;
    mean.is_finite().then_some(mean)
}

/// A simple rule that forecasts should beat: it fails when its rated life is over.
#[must_use]
pub fn by_rated_life(age: f64, ahead: f64, rated_life: f64) -> f64 {
    f64::from(u8::from(age + ahead >= rated_life))
}

/// The same as a ranking: age over rated life.
#[must_use]
pub fn rank_by_rated_life(age: f64, rated_life: f64) -> f64 {
    age / rated_life
}

/// The other one: all parts of a kind fail at one rate, whatever their age.
#[must_use]
pub fn by_constant_rate(lives: &[Life], ahead: f64) -> f64 {
    let tally = Tally::of(lives);
    if tally.time_at_risk > 0.0 {
        super::forecast::by_rate(tally.failures as f64 / tally.time_at_risk, ahead)
    } else {
        f64::from(u8::from(tally.failures > 0))
    }
}
