//! Survival without a model: Kaplan and Meier's estimate, and Nelson and Aalen's hazard.
//!
//! At each failed age t, with d failures among the n parts at risk (entry < t <= age):
//!
//! ```text
//! S(t) = Π (1 - d/n)             Greenwood's variance: S^2 Σ d/(n(n - d))
//! H(t) = Σ d/n                   its variance:             Σ d/n^2
//! ```
//!
//! Kaplan and Meier (1958), JASA 53; Greenwood (1926); Aalen (1978), Ann. Statist. 6. With late
//! entries the number at risk may fall to nothing early by chance, and S is then zero for good
//! though parts run on: [`KaplanMeier::emptied_at`] says so.

use super::estimate::{Bounds, NoEstimate};
use super::life::{End, Life};
use super::special::two_sided_z;
use serde::Serialize;

/// The estimate at one failed age; it holds from there to the next.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Step {
    /// The age.
    pub age: f64,
    /// Parts at risk just before.
    pub at_risk: usize,
    /// Failures at this age.
    pub failed: usize,
    /// Part of the parts that survive it.
    pub survival: f64,
    /// Greenwood's standard error; none once no part survives.
    pub standard_error: Option<f64>,
    /// Bounds of the survival, normal in ln(-ln S); none once no part survives.
    pub bounds: Option<Bounds>,
    /// Nelson and Aalen's cumulative hazard.
    pub cumulative_hazard: f64,
    /// Its standard error.
    pub hazard_standard_error: f64,
}

/// The estimate at every failed age.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KaplanMeier {
    /// By age.
    pub steps: Vec<Step>,
    /// Part of cases that each step's bounds cover.
    pub level: f64,
    /// Greatest age at which a part is known to have been good.
    pub last_age: f64,
    /// The age at which the parts at risk all failed though older ones came to be watched: from
    /// there the survival is zero by chance.
    pub emptied_at: Option<f64>,
}

/// The sums so far.
#[derive(Default)]
struct Sums {
    ln_survival: f64,
    greenwood: f64,
    hazard: f64,
    hazard_variance: f64,
}

/// Estimates survival from exact, right-censored and late entered lives.
///
/// # Errors
/// Intervals, which need [`super::turnbull`].
pub fn kaplan_meier(lives: &[Life], level: f64) -> Result<KaplanMeier, NoEstimate> {
    if lives.iter().any(Life::is_interval) {
        return Err(NoEstimate::HasIntervals);
    }
    let mut ages: Vec<(f64, bool)> = lives.iter().map(|life| (life.age(), life.end() == End::Failed)).collect();
    let mut entries: Vec<f64> = lives.iter().map(Life::entry).collect();
    ages.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    entries.sort_unstable_by(f64::total_cmp);

    let z = two_sided_z(level);
    let (mut entered, mut left) = (0, 0);
    let (mut sums, mut steps) = (Sums::default(), Vec::new());
    let mut emptied_at = None;
    for of_age in ages.chunk_by(|a, b| a.0 == b.0) {
        let age = of_age.first().map_or(0.0, |first| first.0);
        entered += entries.iter().skip(entered).take_while(|entry| **entry < age).count();
        let (at_risk, failed) = (entered - left, of_age.iter().filter(|(_, failed)| *failed).count());
        if failed > 0 {
            steps.push(sums.step(age, at_risk, failed, z));
            if failed == at_risk && entered < lives.len() {
                emptied_at = emptied_at.or(Some(age));
            }
        }
        left += of_age.len();
    }
    let last_age = ages.last().map_or(0.0, |last| last.0);
    Ok(KaplanMeier { steps, level: super::special::level(level), last_age, emptied_at })
}

impl Sums {
    fn step(&mut self, age: f64, at_risk: usize, failed: usize, z: f64) -> Step {
        let (n, d) = (at_risk as f64, failed as f64);
        self.ln_survival += (-d / n).ln_1p();
        self.greenwood += d / (n * (n - d));
        self.hazard += d / n;
        self.hazard_variance += d / (n * n);
        let survival = self.ln_survival.exp();
        let error = survival * self.greenwood.sqrt();
        let factor = (z * self.greenwood.sqrt() / self.ln_survival.abs()).exp();
        let bounds = || Bounds::both((self.ln_survival * factor).exp(), (self.ln_survival / factor).exp());
        Step {
            age,
            at_risk,
            failed,
            survival,
            standard_error: error.is_finite().then_some(error),
            bounds: error.is_finite().then(bounds),
            cumulative_hazard: self.hazard,
            hazard_standard_error: self.hazard_variance.sqrt(),
        }
    }
}

impl KaplanMeier {
    /// Part of the parts that survive `age`.
    #[must_use]
    pub fn survival(&self, age: f64) -> f64 {
        let passed = self.steps.partition_point(|step| step.age <= age);
        passed.checked_sub(1).and_then(|at| self.steps.get(at)).map_or(1.0, |step| step.survival)
    }

    /// The first age by which a part `p` of the parts has failed; none when it is not reached.
    #[must_use]
    pub fn quantile(&self, p: f64) -> Option<f64> {
        // The product of many factors rounds: equality within that counts as reached.
        self.steps.iter().find(|step| step.survival <= 1.0 - p + 1e-12).map(|step| step.age)
    }

    /// Mean life up to `age`: the area under the survival.
    #[must_use]
    pub fn mean_up_to(&self, age: f64) -> f64 {
        let (mut area, mut from, mut survival) = (0.0, 0.0, 1.0);
        for step in self.steps.iter().take_while(|step| step.age < age) {
            area += survival * (step.age - from);
            (from, survival) = (step.age, step.survival);
        }
        area + survival * (age.max(from) - from)
    }

    /// Probability that a part that reached `age` fails within `ahead`; none when none did.
    #[must_use]
    pub fn failure_ahead(&self, age: f64, ahead: f64) -> Option<f64> {
        let reached = self.survival(age);
        (reached > 0.0).then(|| 1.0 - self.survival(age + ahead) / reached)
    }
}
