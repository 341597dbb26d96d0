//! Lives of parts alike, and what they tell.
//!
//! Parts are alike by kind, duty and what ages them; those of one maker's model are a group of
//! their own as soon as enough of them failed, and so are those of one soil. Groups of one kind that
//! differ in duty lend each other what they know while they know little, and dealers who agreed to it
//! lend each other counts.

use super::LEVEL;
use super::fleet::{Aging, Fleet, Part, local};
use crate::component::{Duty, RunBasis};
use crate::reliability::assess::{FAILURES_ENOUGH, Forecaster, Question, prior};
use crate::reliability::counts::Counts;
use crate::reliability::estimate::NoEstimate;
use crate::reliability::life::{Life, Tally};
use crate::reliability::pool::pool;
use crate::reliability::prior::Prior;
use crate::reliability::records::{Ends, Lives, Record};
use crate::reliability::replace::{Advice, Costs};
use crate::reliability::rivals::Standing;
use crate::site::SoilClass;
use chrono::{DateTime, Utc};
use rayon::iter::{IndexedParallelIterator, IntoParallelIterator, IntoParallelRefIterator, ParallelIterator};
use std::collections::BTreeMap;

/// What parts have in common.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct GroupKey {
    /// What they are.
    pub kind: String,
    /// When they work.
    pub duty: Duty,
    /// What ages them.
    pub run_basis: RunBasis,
    /// Which of those it is of.
    pub of: Of,
}

/// Which parts of a kind a group is of.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Of {
    /// All of them.
    Kind,
    /// Those of one maker's model.
    Model(String),
    /// Those at sites of one soil.
    Soil(SoilClass),
}

impl GroupKey {
    /// The maker's model, where the group is of one.
    #[must_use]
    pub fn model(&self) -> Option<&str> {
        match &self.of {
            Of::Model(model) => Some(model),
            Of::Kind | Of::Soil(_) => None,
        }
    }

    /// The soil, where the group is of one.
    #[must_use]
    pub fn soil(&self) -> Option<SoilClass> {
        match self.of {
            Of::Soil(soil) => Some(soil),
            Of::Kind | Of::Model(_) => None,
        }
    }
}

/// What the lives of a group tell.
#[derive(Debug, Clone)]
pub struct LifeModel {
    /// Whose.
    pub key: GroupKey,
    /// The lives counted.
    pub tally: Tally,
    /// How they ended, and what was left out.
    pub ends: Ends,
    /// The middle one of the rated lives of its parts.
    pub rated_life: Option<f64>,
    /// What other dealers counted of such parts, as far as it was held beside the rated life.
    pub elsewhere: Option<Counts>,
    /// What to forecast with, or why there is nothing.
    pub forecaster: Result<Forecaster, NoEstimate>,
    /// Whether the Weibull fits, where failures are enough for a fit; with fewer nothing tells.
    pub standing: Option<Standing>,
    /// Use a day of its parts without a counter.
    pub assumed_per_day: f64,
    seen: Seen,
}

/// How many of the parts alike whose state at an age is known had failed by it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Alike {
    /// Failed by that age.
    pub failed: usize,
    /// Known to have failed by it or to have been good beyond it.
    pub known: usize,
}

/// Ages in order, for counting.
#[derive(Debug, Clone, Default)]
struct Seen {
    failed: Vec<f64>,
    good: Vec<f64>,
    entered: Vec<f64>,
}

impl Seen {
    fn of(lives: &[Life]) -> Self {
        let sorted = |mut ages: Vec<f64>| {
            ages.sort_unstable_by(f64::total_cmp);
            ages
        };
        Self {
            failed: sorted(lives.iter().filter(|life| life.has_failed()).map(Life::age).collect()),
            good: sorted(lives.iter().map(Life::last_good).collect()),
            entered: sorted(lives.iter().map(Life::entry).collect()),
        }
    }
}

impl LifeModel {
    /// How many parts alike had failed by an age.
    #[must_use]
    pub fn alike(&self, age: f64) -> Alike {
        let up_to = |ages: &[f64]| ages.partition_point(|of| *of <= age);
        let beyond = |ages: &[f64]| ages.len() - up_to(ages);
        let failed = up_to(&self.seen.failed);
        // Who came under watch only beyond the age says nothing about it.
        let known = failed + beyond(&self.seen.good).saturating_sub(beyond(&self.seen.entered));
        Alike { failed, known }
    }

    /// What to do about a part of the group; none where nothing is held of its life.
    #[must_use]
    pub fn advice(&self, costs: &Costs) -> Option<Advice> {
        self.forecaster.as_ref().ok().map(|forecaster| forecaster.advice(costs))
    }
}

/// Parts alike before anything is made of them.
struct Group<'a> {
    key: GroupKey,
    parts: Vec<&'a Part>,
    assumed_per_day: f64,
    lives: Lives,
    rated_life: Option<f64>,
    elsewhere: Option<Counts>,
}

impl<'a> Group<'a> {
    fn new(fleet: &Fleet, key: GroupKey, parts: Vec<&'a Part>, assumed_per_day: f64, now: DateTime<Utc>) -> Self {
        let aging: Vec<Aging<'_>> = parts.iter().map(|part| fleet.aging(part, assumed_per_day, now)).collect();
        let runs: Vec<_> = parts
            .iter()
            .zip(&aging)
            .map(|(part, aging)| {
                let (zone, clock) = (fleet.zone_of(part), aging.clock());
                move |from, to| Some(clock.run(local(zone, from), local(zone, to)).amount)
            })
            .collect();
        let records = parts.iter().zip(&runs).map(|(part, run)| Record {
            component: &part.component,
            place: part.place,
            watched_from: part.component.tracked_from,
            failed_calibration_at: part.failed_calibration_at,
            run,
        });
        let lives = Lives::of(records, now);
        let rated_life = middle(parts.iter().filter_map(|part| part.component.rated_life).collect());
        let GroupKey { kind, duty, run_basis, .. } = &key;
        let elsewhere = fleet.elsewhere.get(&(kind.clone(), *duty, *run_basis)).filter(|of| of.failures > 0).copied();
        Self { key, parts, assumed_per_day, lives, rated_life, elsewhere }
    }

    /// What is held before its lives are looked at. What others counted is worth more than a guess about
    /// where its own few lives lie.
    fn prior(&self, rated_life_weight: f64) -> Result<Prior, NoEstimate> {
        let own = || prior(&self.lives.lives, &Question { rated_life_weight, ..Question::usual(self.rated_life) });
        match (self.elsewhere, self.rated_life) {
            (None, _) => own(),
            (Some(counts), Some(_)) => own().map(|prior| counts.moved(prior)),
            (Some(counts), None) => counts.prior().map_or_else(own, Ok),
        }
    }

    /// Those of its models and of its soils of which enough parts failed.
    fn narrower(&self, fleet: &Fleet, now: DateTime<Utc>) -> Vec<Group<'a>> {
        let mut alike: BTreeMap<Of, Vec<&'a Part>> = BTreeMap::new();
        for part in &self.parts {
            let model = part.component.model.clone().map(Of::Model);
            for of in model.into_iter().chain(part.soil.map(Of::Soil)) {
                alike.entry(of).or_default().push(part);
            }
        }
        // A group of one model alone is that model's already.
        alike.retain(|_, parts| parts.len() >= FAILURES_ENOUGH && parts.len() < self.parts.len());
        let groups = alike.into_iter().map(|(of, parts)| {
            let key = GroupKey { of, ..self.key.clone() };
            Group::new(fleet, key, parts, self.assumed_per_day, now)
        });
        groups.filter(|group| Tally::of(&group.lives.lives).failures >= FAILURES_ENOUGH).collect()
    }

    fn model(self, prior: Result<Prior, NoEstimate>) -> LifeModel {
        let lives = &self.lives.lives;
        let question = Question { level: LEVEL, ..Question::usual(self.rated_life) };
        let forecaster = Forecaster::with_prior(lives, prior, &question);
        LifeModel {
            tally: Tally::of(lives),
            ends: self.lives.ends,
            rated_life: self.rated_life,
            elsewhere: self.elsewhere,
            standing: forecaster.as_ref().is_ok_and(|of| of.fit().is_some()).then(|| Standing::of(lives)),
            forecaster,
            assumed_per_day: self.assumed_per_day,
            seen: Seen::of(lives),
            key: self.key,
        }
    }
}

/// The middle one of some values.
fn middle(mut values: Vec<f64>) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// The life models of a fleet as of an instant, by their groups; a rated life is worth so many failures.
#[must_use]
pub fn life_models(fleet: &Fleet, now: DateTime<Utc>, rated_life_weight: f64) -> BTreeMap<GroupKey, LifeModel> {
    let mut alike: BTreeMap<(&str, Duty, RunBasis), Vec<&Part>> = BTreeMap::new();
    for part in fleet.parts.iter().filter(|part| part.component.fitted_at <= now) {
        let Part { component, .. } = part;
        alike.entry((&component.kind, component.duty, component.run_basis)).or_default().push(part);
    }
    let groups: Vec<Group<'_>> = alike
        .into_par_iter()
        .map(|((kind, duty, run_basis), parts)| {
            let key = GroupKey { kind: kind.to_owned(), duty, run_basis, of: Of::Kind };
            let assumed = fleet.assumed_per_day(&parts);
            Group::new(fleet, key, parts, assumed, now)
        })
        .collect();
    let narrower: Vec<Group<'_>> = groups.par_iter().flat_map_iter(|group| group.narrower(fleet, now)).collect();
    let priors = pooled(&groups, rated_life_weight);
    let own = narrower.into_par_iter().map(|group| {
        let prior = group.prior(rated_life_weight);
        group.model(prior)
    });
    let models = groups.into_par_iter().zip(priors).map(|(group, prior)| group.model(prior)).chain(own);
    models.map(|model| (model.key.clone(), model)).collect()
}

/// The groups' priors, each moved by what other duties of its kind tell, in the groups' order.
fn pooled(groups: &[Group<'_>], rated_life_weight: f64) -> Vec<Result<Prior, NoEstimate>> {
    let mut priors: Vec<Result<Prior, NoEstimate>> =
        groups.iter().map(|group| group.prior(rated_life_weight)).collect();
    let mut kin: BTreeMap<(&str, RunBasis), Vec<usize>> = BTreeMap::new();
    for (at, group) in groups.iter().enumerate().filter(|(at, _)| priors.get(*at).is_some_and(Result::is_ok)) {
        kin.entry((&group.key.kind, group.key.run_basis)).or_default().push(at);
    }
    for places in kin.values().filter(|places| places.len() > 1) {
        let own: Vec<(&[Life], Prior)> = places
            .iter()
            .filter_map(|at| Some((groups.get(*at)?.lives.lives.as_slice(), priors.get(*at)?.ok()?)))
            .collect();
        for (at, moved) in places.iter().zip(pool(&own)) {
            if let Some(prior) = priors.get_mut(*at) {
                *prior = Ok(moved);
            }
        }
    }
    priors
}
