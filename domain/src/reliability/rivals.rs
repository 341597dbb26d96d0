//! The Weibull beside its rivals, and whether it fits: exponential (no wear), lognormal (wear
//! that tires), compared by AICc and against the survival without a model.

use super::estimate::{Estimate, NoEstimate};
use super::fit::{self, WeibullFit};
use super::kaplan_meier::kaplan_meier;
use super::life::{End, Life, Tally};
use super::location_scale::{Model, Normals, Params, Weibulls};
use super::solve::root;
use super::special::{chi_square_tail, normal_tail};
use super::turnbull::turnbull;
use super::weibull::Weibull;
use serde::{Deserialize, Serialize};

/// Chance of the observed misfit below which it is told.
const MISFIT_BELOW: f64 = 0.05;
/// AICc by which a rival must be better: "considerably less support" for the other
/// (Burnham and Anderson 2002, section 2.6).
const BETTER_BY: f64 = 4.0;
/// Failures that a band of ages should hold for the chi-square to hold.
const FAILURES_A_BAND: usize = 5;
/// Most bands.
const BANDS_MAX: usize = 10;

/// A model of lives.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Family {
    /// Constant hazard.
    Exponential,
    /// Hazard that rises or falls as a power of the age.
    Weibull,
    /// Logarithms of ages are normal: the hazard rises and falls again.
    Lognormal,
}

/// Lives with a constant hazard.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Exponential {
    /// Mean life.
    pub mean: f64,
    /// Standard error of the mean.
    pub se_mean: f64,
    /// Natural logarithm of the likelihood.
    pub ln_likelihood: f64,
}

/// Lives whose logarithms are normal.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Lognormal {
    /// Median life.
    pub median: f64,
    /// Mean of ln(age).
    pub mu: f64,
    /// Standard deviation of ln(age).
    pub sigma: f64,
    /// Standard error of the mean of ln(age).
    pub se_mu: f64,
    /// Standard error of the standard deviation.
    pub se_sigma: f64,
    /// Natural logarithm of the likelihood.
    pub ln_likelihood: f64,
}

/// How well a model fits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Merit {
    /// The model.
    pub family: Family,
    /// Akaike's information criterion.
    pub aic: f64,
    /// The same, corrected for few observations, which with censoring are the failures; none
    /// when there are too few of them to correct.
    pub aicc: Option<f64>,
    /// Greatest distance between its survival and the one without a model.
    pub distance: f64,
}

/// Whether observed failures by age agree with the Weibull's: Pearson's chi-square over bands of
/// ages, set right for the two estimated parameters (Akritas 1988, JASA 83; Hjort 1990, Scand.
/// J. Statist. 17).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Agreement {
    /// The statistic.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub degrees: usize,
    /// Chance of a greater one if the Weibull is true.
    pub p: f64,
}

/// Why the Weibull should not be relied on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Misfit {
    /// Failures by age do not agree with it; chance of that if it were true.
    Ages {
        /// The chance.
        p: f64,
    },
    /// Another model fits clearly better.
    Rival {
        /// Which.
        family: Family,
        /// By how much its AICc is lower.
        aicc_lower_by: f64,
    },
}

/// The models side by side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Constant hazard.
    pub exponential: Estimate<Exponential>,
    /// The Weibull.
    pub weibull: Estimate<WeibullFit>,
    /// The lognormal.
    pub lognormal: Estimate<Lognormal>,
    /// How well each that exists fits, the best by AICc first (by AIC with too few failures).
    pub merits: Vec<Merit>,
    /// The Weibull against failures by age; none with fewer than ten exact failures or with
    /// intervals.
    pub agreement: Option<Agreement>,
    /// Why the Weibull should not be relied on; none when nothing speaks against it.
    pub misfit: Option<Misfit>,
}

/// Whether the Weibull fits: what [`compare`] says without the rivals' distances. The night makes one for
/// every group of parts, so that what takes long for thousands of intervals is left out.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Standing {
    /// AICc of the constant hazard; less is better.
    pub exponential_aicc: Option<f64>,
    /// That of the Weibull.
    pub weibull_aicc: Option<f64>,
    /// That of the lognormal.
    pub lognormal_aicc: Option<f64>,
    /// Chance of failures by age as far off the Weibull, if it is true; as of [`Comparison::agreement`].
    pub agreement_p: Option<f64>,
    /// Greatest distance between its survival and the one without a model; none where that would take long:
    /// for more than 500 lives some of which are known to intervals.
    pub distance: Option<f64>,
    /// Why the Weibull should not be relied on.
    pub misfit: Option<Misfit>,
}

/// Most lives of which survival without a model is estimated from intervals for a standing.
const DISTANCE_LIVES_MAX: usize = 500;

/// Fits a constant hazard.
///
/// # Errors
/// [`NoEstimate::NoFailures`]; [`NoEstimate::ShapeUnbounded`] when all failed before any was seen
/// good, so that the mean tends to zero.
pub fn exponential(lives: &[Life]) -> Result<Exponential, NoEstimate> {
    let tally = Tally::of(lives);
    if tally.failures == 0 {
        return Err(NoEstimate::NoFailures);
    }
    if tally.time_at_risk <= 0.0 {
        return Err(NoEstimate::ShapeUnbounded);
    }
    let failures = tally.failures as f64;
    let mean = tally.time_at_risk / failures;
    if tally.intervals == 0 {
        let ln_likelihood = -failures * (mean.ln() + 1.0);
        return Ok(Exponential { mean, se_mean: mean / failures.sqrt(), ln_likelihood });
    }
    let model = Model::<Weibulls>::of(lives);
    let top = model.at_steepness(1.0, mean.ln()).ok_or(NoEstimate::OutOfRange)?;
    let mean = top.location.exp();
    Ok(Exponential { mean, se_mean: mean * top.se_location, ln_likelihood: top.ln_likelihood })
}

/// Fits a lognormal.
///
/// # Errors
/// Why there is no estimate; the conditions are those of the Weibull.
pub fn lognormal(lives: &[Life]) -> Result<Lognormal, NoEstimate> {
    Tally::of(lives).bounds_the_shape()?;
    let model = Model::<Normals>::of(lives);
    let start = model.start();
    // The logarithms of a Weibull spread pi/sqrt(6) of its steepness.
    let start = Params { steepness: start.steepness / 1.28, ..start };
    let top = model.maximise(start).ok_or(NoEstimate::OutOfRange)?;
    let (sigma, mu) = (1.0 / top.params.steepness, top.params.location);
    let found = Lognormal {
        median: mu.exp(),
        mu,
        sigma,
        se_mu: top.spread.ln_scale.sqrt(),
        se_sigma: top.spread.shape.sqrt() * sigma * sigma,
        ln_likelihood: top.ln_likelihood,
    };
    let figures = [found.median, found.sigma, found.se_mu, found.se_sigma, found.ln_likelihood];
    if top.params.steepness < 1e-3 {
        Err(NoEstimate::ShapeVanishes)
    } else if figures.iter().all(|figure| figure.is_finite()) {
        Ok(found)
    } else {
        Err(NoEstimate::OutOfRange)
    }
}

impl Exponential {
    /// Part of the parts that reach an age.
    #[must_use]
    pub fn survival(&self, age: f64) -> f64 {
        (-age.max(0.0) / self.mean).exp()
    }
}

impl Lognormal {
    /// Part of the parts that reach an age.
    #[must_use]
    pub fn survival(&self, age: f64) -> f64 {
        if age <= 0.0 { 1.0 } else { normal_tail((age.ln() - self.mu) / self.sigma) }
    }
}

/// Compares the three models on the same lives.
#[must_use]
pub fn compare(lives: &[Life]) -> Comparison {
    let (exponential, weibull, lognormal) = (exponential(lives), fit::weibull(lives), lognormal(lives));
    let failures = Tally::of(lives).failures;
    let seen = Seen::of(lives);
    let mut merits = Vec::new();
    if let Ok(found) = &exponential {
        let distance = seen.distance(|age| found.survival(age));
        merits.push(Merit::new(Family::Exponential, found.ln_likelihood, failures, distance));
    }
    if let Ok(found) = &weibull {
        let distance = seen.distance(|age| found.weibull.survival(age));
        merits.push(Merit::new(Family::Weibull, found.ln_likelihood, failures, distance));
    }
    if let Ok(found) = &lognormal {
        let distance = seen.distance(|age| found.survival(age));
        merits.push(Merit::new(Family::Lognormal, found.ln_likelihood, failures, distance));
    }
    let corrected = merits.iter().all(|merit| merit.aicc.is_some());
    let rank = |merit: &Merit| if corrected { merit.aicc.unwrap_or(merit.aic) } else { merit.aic };
    merits.sort_by(|a, b| rank(a).total_cmp(&rank(b)));
    let agreement = weibull.as_ref().ok().and_then(|found| agreement(lives, found));
    Comparison {
        misfit: misfit(agreement, merits.iter().map(|merit| (merit.family, merit.aicc))),
        exponential: exponential.into(),
        weibull: weibull.into(),
        lognormal: lognormal.into(),
        merits,
        agreement,
    }
}

impl Standing {
    /// How the Weibull stands beside its rivals on these lives.
    #[must_use]
    pub fn of(lives: &[Life]) -> Self {
        let failures = Tally::of(lives).failures;
        let weibull = fit::weibull(lives).ok();
        let aicc = |family, ln_likelihood: Option<f64>| criteria(family, ln_likelihood?, failures).1;
        let exponential_aicc = aicc(Family::Exponential, exponential(lives).ok().map(|found| found.ln_likelihood));
        let weibull_aicc = aicc(Family::Weibull, weibull.map(|found| found.ln_likelihood));
        let lognormal_aicc = aicc(Family::Lognormal, lognormal(lives).ok().map(|found| found.ln_likelihood));
        let agreement = weibull.as_ref().and_then(|found| agreement(lives, found));
        let each = [
            (Family::Exponential, exponential_aicc),
            (Family::Weibull, weibull_aicc),
            (Family::Lognormal, lognormal_aicc),
        ];
        Self {
            exponential_aicc,
            weibull_aicc,
            lognormal_aicc,
            agreement_p: agreement.map(|agreement| agreement.p),
            distance: weibull
                .filter(|_| lives.len() <= DISTANCE_LIVES_MAX || !lives.iter().any(Life::is_interval))
                .map(|found| Seen::of(lives).distance(|age| found.weibull.survival(age))),
            misfit: misfit(agreement, each.into_iter()),
        }
    }
}

/// Akaike's criterion of a model with its correction.
fn criteria(family: Family, ln_likelihood: f64, failures: usize) -> (f64, Option<f64>) {
    let k = match family {
        Family::Exponential => 1.0,
        Family::Weibull | Family::Lognormal => 2.0,
    };
    let aic = 2.0 * (k - ln_likelihood);
    let left = failures as f64 - k - 1.0;
    (aic, (left > 0.0).then(|| aic + 2.0 * k * (k + 1.0) / left))
}

impl Merit {
    fn new(family: Family, ln_likelihood: f64, failures: usize, distance: f64) -> Self {
        let (aic, aicc) = criteria(family, ln_likelihood, failures);
        Self { family, aic, aicc, distance }
    }
}

/// Disagreement with the ages first: it needs no other model to be right.
fn misfit(agreement: Option<Agreement>, aicc: impl Iterator<Item = (Family, Option<f64>)> + Clone) -> Option<Misfit> {
    if let Some(Agreement { p, .. }) = agreement.filter(|agreement| agreement.p < MISFIT_BELOW) {
        return Some(Misfit::Ages { p });
    }
    let known = || aicc.clone().filter_map(|(family, aicc)| Some((family, aicc?)));
    let own = known().find(|(family, _)| *family == Family::Weibull)?.1;
    let (family, best) = known().min_by(|a, b| a.1.total_cmp(&b.1))?;
    (best < own - BETTER_BY).then_some(Misfit::Rival { family, aicc_lower_by: own - best })
}

/// The survival without a model: age, and the least and greatest value it may have there.
struct Seen(Vec<(f64, f64, f64)>);

impl Seen {
    fn of(lives: &[Life]) -> Self {
        if let Ok(table) = kaplan_meier(lives, 0.9) {
            let mut before = 1.0;
            let steps = table.steps.iter().map(|step| {
                let high = std::mem::replace(&mut before, step.survival);
                (step.age, step.survival, high)
            });
            return Self(steps.collect());
        }
        let mut left = 1.0;
        let masses = turnbull(lives).map(|table| table.masses).unwrap_or_default();
        let after = masses.iter().filter_map(|mass| {
            left -= mass.probability;
            mass.by.map(|by| (by, left.max(0.0), if mass.after == by { left + mass.probability } else { left }))
        });
        Self(after.collect())
    }

    fn distance(&self, survival: impl Fn(f64) -> f64) -> f64 {
        let off = self.0.iter().map(|&(age, low, high)| {
            let model = survival(age);
            (model - low).abs().max((model - high).abs())
        });
        off.fold(0.0, f64::max)
    }
}

/// Observed against expected failures, in bands of ages in which as many are expected.
///
/// With N observed and E = Σ over lives of the hazard met in the band, and C = dE/dshape:
///
/// ```text
/// X^2 = Σ (N - E)^2/E + (Σ C (N - E)/E)^2 / (I - Σ C^2/E),   I = r/shape^2 + Σ H ln^2(t/scale)
/// ```
///
/// the second term gives back what estimating the shape took away; the scale takes one degree,
/// for it makes Σ E = Σ N.
pub(super) fn agreement(lives: &[Life], found: &WeibullFit) -> Option<Agreement> {
    if lives.iter().any(Life::is_interval) {
        return None;
    }
    let mut failed: Vec<f64> = lives.iter().filter(|life| life.end() == End::Failed).map(Life::age).collect();
    failed.sort_unstable_by(f64::total_cmp);
    let bands = (failed.len() / FAILURES_A_BAND).min(BANDS_MAX);
    let oldest = lives.iter().map(Life::age).fold(0.0, f64::max);
    if bands < 2 {
        return None;
    }
    let met = Met::of(lives, found.weibull);
    let information = failed.len() as f64 / found.weibull.shape().powi(2) + met.up_to(oldest).bend;
    let (mut plain, mut tilt, mut explained) = (0.0, 0.0, 0.0);
    let (mut before, mut seen) = (Sums::default(), 0);
    for band in 1..=bands {
        let share = failed.len() as f64 * band as f64 / bands as f64;
        let end = if band == bands {
            oldest
        } else {
            root(|ln_age| met.up_to(ln_age.exp()).hazard - share, failed.first()?.ln() - 40.0, oldest.ln(), 1e-9)?.exp()
        };
        let (after, passed) = (met.up_to(end), failed.partition_point(|age| *age <= end));
        let off = (passed - seen) as f64 - (after.hazard - before.hazard);
        let (expected, by_shape) = (after.hazard - before.hazard, after.slope - before.slope);
        plain += off * off / expected;
        tilt += by_shape * off / expected;
        explained += by_shape * by_shape / expected;
        (before, seen) = (after, passed);
    }
    let chi_square = plain + tilt * tilt / (information - explained);
    let degrees = bands - 1;
    let valid = chi_square.is_finite() && information > explained;
    valid.then(|| Agreement { chi_square, degrees, p: chi_square_tail(degrees as f64, chi_square) })
}

/// The hazard met by all lives up to an age, and its derivatives by the shape.
#[derive(Clone, Copy, Default)]
struct Sums {
    hazard: f64,
    slope: f64,
    bend: f64,
}

impl Sums {
    fn at(weibull: &Weibull, age: f64, times: f64) -> Self {
        let hazard = times * weibull.cumulative_hazard(age);
        let along = if hazard > 0.0 { (age / weibull.scale()).ln() } else { 0.0 };
        Self { hazard, slope: hazard * along, bend: hazard * along * along }
    }

    fn plus(self, other: Self, sign: f64) -> Self {
        Self {
            hazard: self.hazard + sign * other.hazard,
            slope: self.slope + sign * other.slope,
            bend: self.bend + sign * other.bend,
        }
    }
}

/// Ages in order, each with the sums up to it: what is met by any age is then found by search.
struct Met {
    weibull: Weibull,
    ends: Vec<(f64, Sums)>,
    entries: Vec<(f64, Sums)>,
}

impl Met {
    fn of(lives: &[Life], weibull: Weibull) -> Self {
        let summed = |ages: Vec<f64>| {
            let mut ages = ages;
            ages.sort_unstable_by(f64::total_cmp);
            let mut sums = Sums::default();
            let summed = ages.into_iter().map(|age| {
                sums = sums.plus(Sums::at(&weibull, age, 1.0), 1.0);
                (age, sums)
            });
            summed.collect()
        };
        let ends = summed(lives.iter().map(Life::age).collect());
        Self { weibull, ends, entries: summed(lives.iter().map(Life::entry).collect()) }
    }

    fn up_to(&self, age: f64) -> Sums {
        let side = |ages: &[(f64, Sums)]| {
            let passed = ages.partition_point(|(other, _)| *other <= age);
            let sums = passed.checked_sub(1).and_then(|at| ages.get(at)).map_or(Sums::default(), |(_, sums)| *sums);
            sums.plus(Sums::at(&self.weibull, age, (ages.len() - passed) as f64), 1.0)
        };
        side(&self.ends).plus(side(&self.entries), -1.0)
    }
}
