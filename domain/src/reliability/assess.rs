//! All that the lives of one group tell, in one answer.

use super::estimate::{Bounds, Estimate, NoEstimate};
use super::fit::{self, BoundedFit};
use super::kaplan_meier::{KaplanMeier, kaplan_meier};
use super::life::{Life, Tally};
use super::posterior::{Credible, Posterior};
use super::prior::{About, Prior, RATED_LIFE_WEIGHT, SHAPE_SD_LN};
use super::replace::{self, Advice, Costs};
use super::rivals::{Comparison, Misfit, compare};
use super::turnbull::{Turnbull, turnbull};
use super::weibull::Weibull;
use serde::Serialize;

/// Failures from which on the group's own fit is the one to use; below, the posterior. With ten
/// failures the shape is known to about a quarter of itself (0.78/sqrt(r), Weibull with little
/// censoring).
pub const FAILURES_ENOUGH: usize = 10;
/// Failures from which on chances are the fit's own. A fit of fewer, taken for the truth, gives chances too
/// near 0 and 1; the mean over what the lives leave open comes true more nearly as often as it says, however far
/// off the rated life is (`benches/coverage` shows all of it).
pub const FAILURES_SETTLED: usize = 100;
/// Deviation of ln(scale) where the lives are to tell it alone: the prior says next to nothing.
const VAGUE_SD_LN: f64 = 2.0;

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Question {
    /// The life the part is sold for, in its run basis.
    pub rated_life: Option<f64>,
    /// How many failures that is worth.
    pub rated_life_weight: f64,
    /// Part of cases that bounds cover.
    pub level: f64,
}

impl Question {
    /// A rated life of the usual weight, bounds of 90 %.
    #[must_use]
    pub fn usual(rated_life: Option<f64>) -> Self {
        Self { rated_life, rated_life_weight: RATED_LIFE_WEIGHT, level: 0.9 }
    }
}

/// What the lives of a group tell.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Assessment {
    /// The lives counted.
    pub tally: Tally,
    /// Survival without a model, of exact and right-censored ages.
    pub kaplan_meier: Estimate<KaplanMeier>,
    /// Survival without a model, where there are intervals.
    pub turnbull: Option<Turnbull>,
    /// The Weibull by maximum likelihood.
    pub weibull: Estimate<BoundedFit>,
    /// The models side by side.
    pub comparison: Comparison,
    /// The Weibull by Bayes.
    pub held: Estimate<Held>,
    /// What to forecast with.
    pub basis: Basis,
    /// What the reader should know, in order.
    pub notes: Vec<Note>,
}

/// The posterior in figures. Its bounds hold for few failures too, where those of the likelihood ratio are
/// too narrow; without a rated life they rest on the lives alone.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Held {
    /// What was held before.
    pub prior: Prior,
    /// The shape after.
    pub shape: Credible,
    /// The scale after.
    pub scale: Credible,
    /// The median life after.
    pub median_life: Credible,
    /// Probability that the part wears.
    pub wears_out: f64,
}

/// What forecasts rest on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// The group's own lives.
    Lives,
    /// The rated life and the lives there are.
    RatedLifeAndLives,
    /// The rated life alone.
    RatedLife,
    /// Nothing: there is no forecast.
    Nothing,
}

/// Something the reader should know.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Note {
    /// No rated life is known.
    NoRatedLife,
    /// There is no maximum-likelihood estimate, and why.
    NoFit(NoEstimate),
    /// The Weibull does not fit.
    Misfit(Misfit),
    /// Parts at risk ran out at this age by chance, and the survival without a model is zero
    /// from there on.
    RiskSetEmptied {
        /// The age.
        age: f64,
    },
    /// Fewer failures than a fit of one's own needs.
    FewFailures {
        /// How many.
        failures: usize,
    },
}

/// Assesses the lives of one group.
#[must_use]
pub fn assess(lives: &[Life], question: &Question) -> Assessment {
    let tally = Tally::of(lives);
    let prior = prior(lives, question);
    let kaplan_meier = kaplan_meier(lives, question.level);
    let weibull = fit::bounded_weibull(lives, question.level);
    let comparison = compare(lives);
    let basis = match (&weibull, question.rated_life) {
        (Estimate::Found(_), _) if tally.failures >= FAILURES_ENOUGH => Basis::Lives,
        (_, Some(_)) if tally.lives > 0 && prior.is_ok() => Basis::RatedLifeAndLives,
        (_, Some(_)) if prior.is_ok() => Basis::RatedLife,
        (Estimate::Found(_), _) => Basis::Lives,
        _ => Basis::Nothing,
    };
    let mut notes = Vec::new();
    if question.rated_life.is_none() {
        notes.push(Note::NoRatedLife);
    }
    if let Estimate::None(why) = weibull {
        notes.push(Note::NoFit(why));
    }
    notes.extend(comparison.misfit.map(Note::Misfit));
    if let Some(age) = kaplan_meier.as_ref().ok().and_then(|table| table.emptied_at) {
        notes.push(Note::RiskSetEmptied { age });
    }
    if tally.failures < FAILURES_ENOUGH {
        notes.push(Note::FewFailures { failures: tally.failures });
    }
    Assessment {
        tally,
        turnbull: if tally.intervals > 0 { turnbull(lives).ok() } else { None },
        kaplan_meier: kaplan_meier.into(),
        weibull,
        comparison,
        held: prior.map(|prior| Held::of(&Posterior::of(lives, &prior), prior, question.level)).into(),
        basis,
        notes,
    }
}

/// The prior to use: by the rated life; without one, vague about the fit.
///
/// # Errors
/// [`NoEstimate::NoRatedLife`] when there is neither.
pub fn prior(lives: &[Life], question: &Question) -> Result<Prior, NoEstimate> {
    if let Some(rated) = question.rated_life {
        return Prior::for_rated_life(rated, question.rated_life_weight);
    }
    let centre = fit::weibull(lives).map(|fit| fit.weibull.median()).map_err(|_none| NoEstimate::NoRatedLife)?;
    let usual = Prior::for_rated_life(centre, RATED_LIFE_WEIGHT)?;
    let scale = About { sd_ln: VAGUE_SD_LN, ..usual.scale };
    Ok(Prior { shape: About { sd_ln: 2.0 * SHAPE_SD_LN, ..usual.shape }, scale })
}

impl Held {
    fn of(posterior: &Posterior, prior: Prior, level: f64) -> Self {
        Self {
            prior,
            shape: posterior.shape(level),
            scale: posterior.scale(level),
            median_life: posterior.median_life(level),
            wears_out: posterior.wears_out(),
        }
    }
}

/// A forecaster: the posterior where failures are few, the fit where they are enough.
#[derive(Debug, Clone)]
pub enum Forecaster {
    /// By the fit.
    Fitted(Box<BoundedFit>),
    /// Advice by the fit, chances as means over what the lives leave open.
    Averaged(Box<BoundedFit>, Box<Posterior>),
    /// By the posterior.
    Held(Box<Posterior>),
}

impl Forecaster {
    /// The forecaster for a group.
    ///
    /// # Errors
    /// [`NoEstimate::NoRatedLife`] when neither lives nor a rated life allow one.
    pub fn of(lives: &[Life], question: &Question) -> Result<Self, NoEstimate> {
        Self::with_prior(lives, prior(lives, question), question)
    }

    /// The same with a prior that was made otherwise, such as by pooling.
    ///
    /// # Errors
    /// The prior's, where it is needed.
    pub fn with_prior(
        lives: &[Life],
        prior: Result<Prior, NoEstimate>,
        question: &Question,
    ) -> Result<Self, NoEstimate> {
        let failures = Tally::of(lives).failures;
        match fit::weibull(lives) {
            Ok(fit) if failures >= FAILURES_ENOUGH => {
                let fit = Box::new(fit.with_bounds(lives, question.level));
                // Where nothing is held beforehand, chances are the fit's own, as anyone computes them.
                let averaged = question.rated_life.is_some() && failures < FAILURES_SETTLED;
                Ok(match prior {
                    Ok(prior) if averaged => {
                        let open = Prior { scale: About { sd_ln: VAGUE_SD_LN, ..prior.scale }, ..prior };
                        Self::Averaged(fit, Box::new(Posterior::of(lives, &open)))
                    }
                    _ => Self::Fitted(fit),
                })
            }
            _ => Ok(Self::Held(Box::new(Posterior::of(lives, &prior?)))),
        }
    }

    /// The fit, where failures are enough for one.
    #[must_use]
    pub fn fit(&self) -> Option<&BoundedFit> {
        match self {
            Self::Fitted(fit) | Self::Averaged(fit, _) => Some(fit),
            Self::Held(_) => None,
        }
    }

    /// The Weibull that advice rests on: the fit, or the most probable one.
    #[must_use]
    pub fn weibull(&self) -> Weibull {
        match self {
            Self::Fitted(fit) | Self::Averaged(fit, _) => fit.fit.weibull,
            Self::Held(posterior) => posterior.mode(),
        }
    }

    /// Probability that a part that reached `age` fails within `ahead`, in its run basis.
    #[must_use]
    pub fn failure_ahead(&self, age: f64, ahead: f64) -> f64 {
        match self {
            Self::Fitted(fit) => fit.fit.weibull.failure_ahead(age, ahead),
            Self::Averaged(_, posterior) | Self::Held(posterior) => posterior.failure_ahead(age, ahead),
        }
    }

    /// The same with the bounds within which the probability lies.
    #[must_use]
    pub fn failure_ahead_within(&self, age: f64, ahead: f64, level: f64) -> (f64, Bounds) {
        let bounds = match self {
            Self::Fitted(fit) => fit.fit.failure_ahead_bounds(age, ahead, level),
            Self::Averaged(_, posterior) | Self::Held(posterior) => {
                posterior.failure_ahead_within(age, ahead, level).bounds
            }
        };
        (self.failure_ahead(age, ahead), bounds)
    }

    /// What to do about a part of the group.
    #[must_use]
    pub fn advice(&self, costs: &Costs) -> Advice {
        match self {
            Self::Fitted(fit) | Self::Averaged(fit, _) => replace::by_fit(fit, costs),
            Self::Held(posterior) => replace::by_posterior(posterior, costs),
        }
    }
}
