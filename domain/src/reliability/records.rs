//! From records of components to lives: what ends a life, and what only ends the watch over it.

use super::life::{Life, LifeError};
use crate::component::{Component, OutWhy, RunBasis};
use chrono::{DateTime, Duration, Utc};
use serde::{Deserialize, Serialize};

/// Hours in which parts lost to external causes at one place count as one event: a night of
/// frost, a wrong drum (common practice, no source).
pub const EVENT_HOURS: i64 = 72;

/// A component with what else is known of its life.
pub struct Record<'a, P> {
    /// The component.
    pub component: &'a Component,
    /// Where it stood: parts of one place may be lost in one event.
    pub place: P,
    /// From when on its failure would have been written down; its fitting unless set.
    pub watched_from: Option<DateTime<Utc>>,
    /// When a calibration found it beyond use; the end of its life, taken out or not.
    pub failed_calibration_at: Option<DateTime<Utc>>,
    /// What its counter ran between two instants, in its run basis; `None` where that is not
    /// known. Not asked for parts that age by days.
    pub run: &'a dyn Fn(DateTime<Utc>, DateTime<Utc>) -> Option<f64>,
}

/// What became of the records of a kind.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Lives {
    /// The lives.
    pub lives: Vec<Life>,
    /// How they ended, and what was left out.
    pub ends: Ends,
}

/// Ends by their cause.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Ends {
    /// Failed in use: the end of a life.
    pub failed: usize,
    /// Found worn out: the end of a life since it was last seen good.
    pub worn_out_found: usize,
    /// Failed a calibration: likewise.
    pub failed_calibration: usize,
    /// Still fitted; censored, like all that follow.
    pub running: usize,
    /// Taken out in good order, before it could fail.
    pub preventive: usize,
    /// Taken out for a better one.
    pub upgrade: usize,
    /// Lost to external causes.
    pub external: usize,
    /// The events that these come to, parts of one place within [`EVENT_HOURS`] being one.
    pub external_events: usize,
    /// Faulty when new: says nothing of wear.
    pub faulty_new: usize,
    /// Taken out for a reason that nobody wrote down: counted as in good order, and as many
    /// lives as this may be longer than they were.
    pub unknown: usize,
    /// Left out: what its counter ran is not known.
    pub without_age: usize,
    /// Left out: not watched for any length of its life.
    pub without_length: usize,
}

/// Why a record gives no life.
enum Unusable {
    NoAge,
    NoLength,
}

impl Lives {
    /// The lives of components of one kind at an instant.
    ///
    /// A component taken out `failed` failed between its last sight in good order and then; with
    /// no such sight, at that age. Found worn out or failing a calibration, it did so since it
    /// was last seen good or watched at all. Everything else ends the watch, not the life.
    pub fn of<'a, P: Ord + 'a>(records: impl IntoIterator<Item = Record<'a, P>>, now: DateTime<Utc>) -> Self {
        let mut found = Self::default();
        let mut external = Vec::new();
        for record in records {
            match record.life(now) {
                Ok(life) => found.lives.push(life),
                Err(Unusable::NoAge) => found.ends.without_age += 1,
                Err(Unusable::NoLength) => found.ends.without_length += 1,
            }
            let out = record.out(now);
            found.ends.count(&record, out);
            if let Some((at, OutWhy::External)) = out.filter(|_| record.failed_calibration_at.is_none()) {
                external.push((record.place, at));
            }
        }
        found.ends.external_events = events(external);
        found
    }
}

/// To how many events losses come, each of a place and at an instant.
#[must_use]
pub fn events<P: Ord>(losses: impl IntoIterator<Item = (P, DateTime<Utc>)>) -> usize {
    let mut losses: Vec<(P, DateTime<Utc>)> = losses.into_iter().collect();
    losses.sort_unstable();
    losses.chunk_by(|a, b| a.0 == b.0 && b.1 - a.1 <= Duration::hours(EVENT_HOURS)).count()
}

impl Ends {
    /// These ends and others of other kinds, which came to so many external events together: one event
    /// may take parts of several kinds, so events do not add up.
    #[must_use]
    pub fn with(self, other: Self, external_events: usize) -> Self {
        Self {
            failed: self.failed + other.failed,
            worn_out_found: self.worn_out_found + other.worn_out_found,
            failed_calibration: self.failed_calibration + other.failed_calibration,
            running: self.running + other.running,
            preventive: self.preventive + other.preventive,
            upgrade: self.upgrade + other.upgrade,
            external: self.external + other.external,
            external_events,
            faulty_new: self.faulty_new + other.faulty_new,
            unknown: self.unknown + other.unknown,
            without_age: self.without_age + other.without_age,
            without_length: self.without_length + other.without_length,
        }
    }

    fn count<P>(&mut self, record: &Record<'_, P>, out: Option<(DateTime<Utc>, OutWhy)>) {
        let counter = match out.map(|(_, why)| why) {
            _ if record.failed_calibration_at.is_some() => &mut self.failed_calibration,
            None => &mut self.running,
            Some(OutWhy::Failed) => &mut self.failed,
            Some(OutWhy::WornOutFound) => &mut self.worn_out_found,
            Some(OutWhy::Preventive) => &mut self.preventive,
            Some(OutWhy::Upgrade) => &mut self.upgrade,
            Some(OutWhy::External) => &mut self.external,
            Some(OutWhy::FaultyNew) => &mut self.faulty_new,
            Some(OutWhy::Unknown) => &mut self.unknown,
        };
        *counter += 1;
    }
}

impl<P> Record<'_, P> {
    /// Its end as far as it lies before `now`.
    fn out(&self, now: DateTime<Utc>) -> Option<(DateTime<Utc>, OutWhy)> {
        self.component.out.filter(|out| out.at <= now).map(|out| (out.at, out.why))
    }

    fn life(&self, now: DateTime<Utc>) -> Result<Life, Unusable> {
        let fitted = self.component.fitted_at;
        let entry = self.age_at(self.watched_from.map_or(fitted, |from| from.max(fitted)))?;
        let good = self.component.last_good_at.map(|at| self.age_at(at)).transpose()?.map(|age| age.max(entry));
        let since = |found: f64| Life::failed_between(good.unwrap_or(entry), found);
        let life = match (self.failed_calibration_at, self.out(now)) {
            (Some(at), _) => since(self.age_at(at)?),
            (None, None) => Life::running(self.age_at(now)?),
            (None, Some((at, why))) => {
                let age = self.age_at(at)?;
                match why {
                    // Seen good at the very age: the interval is a point.
                    OutWhy::Failed if good.is_none_or(|good| good >= age) => Life::failed(age),
                    OutWhy::Failed | OutWhy::WornOutFound => since(age),
                    OutWhy::Preventive | OutWhy::Upgrade | OutWhy::External | OutWhy::FaultyNew | OutWhy::Unknown => {
                        Life::running(age)
                    }
                }
            }
        };
        life.and_then(|life| life.watched_from(entry)).map_err(|why| match why {
            LifeError::AgeOutOfRange => Unusable::NoAge,
            LifeError::NoLength
            | LifeError::NeverWatched
            | LifeError::GoodAfterFound
            | LifeError::GoodBeforeWatched => Unusable::NoLength,
        })
    }

    /// Its age at an instant, in its run basis.
    fn age_at(&self, at: DateTime<Utc>) -> Result<f64, Unusable> {
        let fitted = self.component.fitted_at;
        let run = match self.component.run_basis {
            RunBasis::Days => Some((at - fitted).as_seconds_f64() / 86_400.0),
            RunBasis::Hours | RunBasis::Starts | RunBasis::Washes | RunBasis::Litres => (self.run)(fitted, at),
        };
        run.map(|run| self.component.age_at_fitting + run.max(0.0)).ok_or(Unusable::NoAge)
    }
}
