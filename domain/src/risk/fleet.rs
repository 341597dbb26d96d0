//! The records that one night's forecasts are made from.

use super::finding::Followed;
use super::outcome::ended;
use super::upset::History;
use crate::component::{Component, Duty, RunBasis, TakenOut};
use crate::condition::test::Kind;
use crate::ids::{ComponentId, UnitId};
use crate::reliability::counts::Counts;
use crate::site::{Fallback, SoilClass};
use crate::stock::idle::IdleDays;
use crate::template::failure::Failure;
use crate::wear::age::{AgeSource, Clock};
use crate::wear::line::UseLine;
use crate::zone::local_date;
use chrono::{DateTime, NaiveDate, NaiveDateTime, Utc};
use chrono_tz::Tz;
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
    /// What mostly came off what was washed where it stood at its end, or stands.
    pub soil: Option<SoilClass>,
    /// What follows when it fails, where somebody said so.
    pub failure: Option<Failure>,
    /// Use by a counter that is the part's own.
    pub own: Option<UseLine>,
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
#[derive(Debug, Clone, PartialEq)]
pub struct UnitFacts {
    /// Whether it is not yet retired: its parts are forecast.
    pub kept: bool,
    /// What the bay falls back on where it stands; none while it stands nowhere.
    pub fallback: Option<Fallback>,
    /// The zone of its days.
    pub zone: Tz,
    /// Days on which it stood idle, and days to come on which it is planned to.
    pub idle: Vec<IdleDays>,
    /// Its process upsets and what went before them.
    pub history: History,
    /// Use by its counters, by what they age.
    pub lines: Vec<(RunBasis, UseLine)>,
    /// What is found wrong with it now.
    pub findings: Vec<Kind>,
    /// The local day of the next planned visit to it.
    pub next_visit: Option<NaiveDate>,
}

impl Default for UnitFacts {
    fn default() -> Self {
        Self {
            kept: false,
            fallback: None,
            zone: Tz::UTC,
            idle: Vec::new(),
            history: History::default(),
            lines: Vec::new(),
            findings: Vec::new(),
            next_visit: None,
        }
    }
}

/// All of a dealer's parts.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Fleet {
    /// The parts.
    pub parts: Vec<Part>,
    /// Their units.
    pub units: BTreeMap<UnitId, UnitFacts>,
    /// What followed findings on nights before.
    pub followed: Vec<Followed>,
    /// Counts of lives at other dealers who lend them, and are lent these.
    pub elsewhere: BTreeMap<(String, Duty, RunBasis), Counts>,
}

/// What ages a part.
#[derive(Debug, Clone)]
pub enum Aging<'a> {
    /// The calendar.
    Calendar,
    /// Use that a counter tells.
    Counted(&'a UseLine, AgeSource),
    /// Use that is assumed.
    Assumed(UseLine),
}

impl Aging<'_> {
    /// What its age is told by.
    #[must_use]
    pub fn clock(&self) -> Clock<'_> {
        match self {
            Self::Calendar => Clock::Calendar,
            Self::Counted(line, source) => Clock::Use(line, *source),
            Self::Assumed(line) => Clock::Use(line, AgeSource::Assumed),
        }
    }
}

impl Fleet {
    /// The zone of a part's days.
    #[must_use]
    pub fn zone_of(&self, part: &Part) -> Tz {
        self.units.get(&part.component.unit_id).map_or(Tz::UTC, |unit| unit.zone)
    }

    /// Use of a part by its own counter, else by its unit's.
    #[must_use]
    pub fn counted<'a>(&'a self, part: &'a Part) -> Option<(&'a UseLine, AgeSource)> {
        let of_unit = || {
            let lines = &self.units.get(&part.component.unit_id)?.lines;
            let (_, line) = lines.iter().find(|(basis, _)| *basis == part.component.run_basis)?;
            Some((line, AgeSource::UnitCounter))
        };
        part.own.as_ref().map(|line| (line, AgeSource::OwnCounter)).or_else(of_unit)
    }

    /// What ages a part; where nothing counts it, use of so much a day unless its record says more.
    #[must_use]
    pub fn aging<'a>(&'a self, part: &'a Part, assumed_per_day: f64, now: DateTime<Utc>) -> Aging<'a> {
        let component = &part.component;
        if component.run_basis == RunBasis::Days {
            return Aging::Calendar;
        }
        if let Some((line, source)) = self.counted(part) {
            return Aging::Counted(line, source);
        }
        let (zone, none) = (self.zone_of(part), Vec::new());
        let idle = self.units.get(&component.unit_id).map_or(&none, |unit| &unit.idle);
        let per_day = component.assumed_per_day.unwrap_or(assumed_per_day);
        Aging::Assumed(UseLine::assumed(per_day, idle, local_date(zone, component.fitted_at), local_date(zone, now)))
    }

    /// Use a day of parts alike that have no counter: the mean of those that have one, else the
    /// usual.
    #[must_use]
    pub fn assumed_per_day(&self, alike: &[&Part]) -> f64 {
        let rates = || alike.iter().filter_map(|part| self.counted(part)?.0.counted_per_day());
        let counted = rates().count();
        match alike.first() {
            _ if counted > 0 => rates().sum::<f64>() / counted as f64,
            Some(part) => usual_per_day(part.component.run_basis, part.component.duty),
            None => 0.0,
        }
    }
}

/// An instant by the clocks of a zone.
#[must_use]
pub fn local(zone: Tz, at: DateTime<Utc>) -> NaiveDateTime {
    at.with_timezone(&zone).naive_local()
}

/// Use a day that is taken where neither the part nor others like it have a counter. Our own
/// reading of common practice, no source.
#[must_use]
pub fn usual_per_day(basis: RunBasis, duty: Duty) -> f64 {
    match (basis, duty) {
        (RunBasis::Days, _) => 1.0,
        (RunBasis::Hours, Duty::Continuous) => 24.0,
        (RunBasis::Hours, Duty::OnDemand) => 6.0,
        (RunBasis::Hours, Duty::Timed) => 4.0,
        (RunBasis::Starts, _) => 20.0,
        (RunBasis::Washes, _) => 15.0,
        (RunBasis::Litres, _) => 4000.0,
    }
}
