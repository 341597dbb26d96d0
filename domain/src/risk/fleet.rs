//! The records that one night's forecasts are made from.

use super::counter::{AgeFrom, Counter, Run, days_between, usual_per_day};
use super::outcome::ended;
use super::upset::Counted;
use crate::component::{Component, RunBasis, TakenOut};
use crate::ids::{ComponentId, UnitId};
use crate::site::Fallback;
use crate::zone::Month;
use chrono::{DateTime, Utc};
use std::collections::BTreeMap;
use uuid::Uuid;

/// A part, fitted or taken out.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Its key.
    pub id: ComponentId,
    /// Its record.
    pub component: Component,
    /// Where it stood at its end, so that losses of one event are told: a site, else the unit.
    pub place: Uuid,
    /// A counter that is the part's own.
    pub counter: Option<Counter>,
    /// When a calibration left it beyond use: the end of its life, fitted or not.
    pub failed_calibration_at: Option<DateTime<Utc>>,
}

impl Part {
    /// The end of its life, as far as one is known.
    #[must_use]
    pub fn ended(&self) -> Option<TakenOut> {
        ended(self.component.out, self.failed_calibration_at)
    }
}

/// What its parts share.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct UnitFacts {
    /// Whether it is not yet retired: its parts are forecast.
    pub kept: bool,
    /// What the bay falls back on where it stands; none while it stands nowhere.
    pub fallback: Option<Fallback>,
    /// Stretches to come in which it is planned to stand idle.
    pub idle: Vec<(DateTime<Utc>, DateTime<Utc>)>,
    /// Its process upsets.
    pub upsets: Counted,
    /// Its counters, by what they age.
    pub counters: Vec<(RunBasis, Counter)>,
}

/// All of a dealer's parts.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Fleet {
    /// The parts.
    pub parts: Vec<Part>,
    /// Their units.
    pub units: BTreeMap<UnitId, UnitFacts>,
}

impl Fleet {
    /// The counter that ages a part: its own, else its unit's.
    #[must_use]
    pub fn counter_of<'a>(&'a self, part: &'a Part) -> Option<&'a Counter> {
        let of_unit = || {
            let counters = &self.units.get(&part.component.unit_id)?.counters;
            counters.iter().find(|(basis, _)| *basis == part.component.run_basis).map(|(_, counter)| counter)
        };
        part.counter.as_ref().or_else(of_unit)
    }

    /// Use a day of parts alike that have no counter: the mean of those that have one, else the
    /// usual.
    #[must_use]
    pub fn assumed_per_day(&self, alike: &[&Part]) -> f64 {
        let rates = || alike.iter().filter_map(|part| self.counter_of(part)).map(Counter::mean_per_day);
        let counted = rates().count();
        match alike.first() {
            _ if counted > 0 => rates().sum::<f64>() / counted as f64,
            Some(part) => usual_per_day(part.component.run_basis, part.component.duty),
            None => 0.0,
        }
    }
}

/// What a part's age is told by.
#[derive(Debug, Clone, Copy)]
pub struct Clock<'a> {
    /// What ages the part.
    pub basis: RunBasis,
    /// Its counter.
    pub counter: Option<&'a Counter>,
    /// Use a day where there is none.
    pub assumed_per_day: f64,
}

impl Clock<'_> {
    /// Run between two instants.
    #[must_use]
    pub fn run(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Run {
        let days = days_between(from, to).max(0.0);
        match (self.basis, self.counter) {
            (RunBasis::Days, _) => Run { amount: days, counted_days: days, days },
            (_, Some(counter)) => counter.run(from, to),
            (_, None) => Run { amount: days * self.assumed_per_day, counted_days: 0.0, days },
        }
    }

    /// Use a day to be expected in a month to come.
    #[must_use]
    pub fn expected_per_day(&self, month: Month) -> f64 {
        match (self.basis, self.counter) {
            (RunBasis::Days, _) => 1.0,
            (_, Some(counter)) => counter.expected_per_day(month),
            (_, None) => self.assumed_per_day,
        }
    }

    /// Where an age that comes from this run is from.
    #[must_use]
    pub fn age_from(&self, run: &Run) -> AgeFrom {
        match self.basis {
            RunBasis::Days => AgeFrom::Calendar,
            _ if self.counter.is_some() && run.counted_days * 2.0 >= run.days => AgeFrom::Counter,
            _ => AgeFrom::Assumed,
        }
    }
}
