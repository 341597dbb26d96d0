//! What a subject's meters and notes come to in a month: the parts of its balance, each with its
//! errors, once of all days and once of those that every meter covers. It is stored as it is, and
//! every figure of the month is computed from it.

use super::assembly::{self, Behind, ByDay, Notes, Stretch};
use super::guns;
use super::wash::MoreThanTheGunsPass;
use crate::cost::washes::Washes;
use crate::facts::{DayFact, Served};
use crate::measures::wash_tally::WashTally;
use crate::metering::accuracy::{Flow, ScaleKnown};
use crate::metering::days::DayShare;
use crate::metering::low_flow::{DayAbove, LowFlow};
use crate::metering::meter::MeterFacts;
use crate::metering::month::Divided;
use crate::metering::stream::Stream;
use crate::uncertainty::figures::{MeterShare, Parts};
use crate::uncertainty::quantity::Quantity;
use crate::uncertainty::register::{Meter, Passed};
use crate::zone::{Month, day_bounds};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

/// A month's parts.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Statement {
    /// Of all days with accepted readings: what was used is summed from these.
    pub all: Parts,
    /// Of the days that accepted readings of every meter cover: one stream is held against
    /// another on these alone, or a day with one meter missing would credit what another shows.
    pub whole: Parts,
    /// Washes of the whole days.
    #[serde(default)]
    pub washed: Washes,
    /// Hours with a trigger pulled on the whole days; null where nothing counts them.
    #[serde(default)]
    pub gun_h: Option<Quantity>,
    /// What is wrong with the wash volume of the whole days: more of it than the guns can pass.
    #[serde(default)]
    pub beyond_guns: Option<MoreThanTheGunsPass>,
}

/// The class of washes that nothing tells apart.
pub const COUNTED: &str = "counted";

/// One meter of the subject in the month.
#[derive(Debug, Clone, Copy)]
pub struct MeterMonth<'a> {
    /// Its name in the budget.
    pub name: &'a str,
    /// Its facts.
    pub facts: &'a MeterFacts,
    /// What is known of its scale error.
    pub known: ScaleKnown,
    /// The share of it that belongs to the subject, 0 to 1.
    pub share: f64,
    /// Standard uncertainty of that share.
    pub share_u: f64,
    /// Its days, those of other months too.
    pub days: &'a [DayShare],
    /// What surely passed above its lower flows, by day.
    pub above: &'a [DayAbove],
    /// Errors of the month's amount from steps that cross its bounds.
    pub divided: &'a [Divided],
    /// Registers exchanged in the month.
    pub exchanges: u32,
}

/// The subject and the time that count.
#[derive(Debug, Clone, Copy)]
pub struct Scope<'a> {
    /// How the subject is named in the budget.
    pub name: &'a str,
    /// The month.
    pub month: Month,
    /// From when and until when its meters measure it.
    pub served: Served,
    /// Days that are not over by this instant do not count.
    pub now: DateTime<Utc>,
}

/// Temperature of cold water, in degrees Celsius: accuracy limits are the same up to 30.
pub(crate) const WATER_C: f64 = 15.0;

impl Statement {
    /// Makes the statement of a month.
    #[must_use]
    pub fn of(
        scope: &Scope<'_>,
        meters: &[MeterMonth<'_>],
        days: &[DayFact],
        notes: &Notes,
        tallies: &[WashTally],
    ) -> Self {
        let all = scope.over(days, notes);
        let whole: Vec<&DayFact> = all.iter().copied().filter(|day| scope.is_whole(notes, day)).collect();
        let washed = washed(&whole, tallies);
        let of = |days: &[&DayFact], washes: Option<f64>| scope.parts(meters, days, notes, washes).unwrap_or_default();
        let all = of(&all, self::washed(&all, tallies).count()).parts;
        let Stretched { parts: whole, gun_h, beyond_guns } = of(&whole, washed.count());
        Self { all, whole, washed, gun_h, beyond_guns }
    }
}

/// What a subject's meters and notes come to between two rounds of readings, with the notes behind
/// its parts; `name` is how the subject is named in the budget. Every part of it lies between
/// accepted readings, so all of it is whole.
#[must_use]
pub fn of_period<'n>(
    name: &str,
    (from, to): (DateTime<Utc>, DateTime<Utc>),
    meters: &[MeterShare<'_>],
    notes: &'n Notes,
) -> (Statement, Behind<'n>) {
    let counted = meters.iter().filter(|one| one.meter.facts.stream == Stream::WashCount);
    let washes = counted.map(|one| one.passed.amount * one.share).reduce(|sum, next| sum + next);
    let stretch = Stretch { from, to, meters, by_day: None, washes };
    let parts = assembly::parts(name, &stretch, notes);
    let behind = assembly::behind(&stretch, notes, &parts);
    let statement = Statement {
        washed: washes.map_or(Washes::NotCounted, |washes| Washes::Counter { washes }),
        gun_h: guns::gun_hours(name, &stretch, notes),
        beyond_guns: guns::beyond_guns(&stretch, notes, &parts),
        all: parts.clone(),
        whole: parts,
    };
    (statement, behind)
}

/// What some days come to.
#[derive(Default)]
struct Stretched {
    parts: Parts,
    gun_h: Option<Quantity>,
    beyond_guns: Option<MoreThanTheGunsPass>,
}

impl Scope<'_> {
    fn is_whole(&self, notes: &Notes, day: &DayFact) -> bool {
        let (start, end) = day_bounds(notes.zone, day.date);
        let Served { from, to } = self.served;
        let served = to.map_or(end, |to| to.min(end)) - from.map_or(start, |from| from.max(start));
        let part = served.as_seconds_f64() / (end - start).as_seconds_f64();
        day.is_whole(part)
    }

    /// The parts of some days, and what the guns say of them; `None` of no day.
    fn parts(
        &self,
        meters: &[MeterMonth<'_>],
        days: &[&DayFact],
        notes: &Notes,
        washes: Option<f64>,
    ) -> Option<Stretched> {
        let (from, to) = bounds(days, notes)?;
        let shares = shares(meters, days, (from, to));
        let dates: Vec<NaiveDate> = days.iter().map(|day| day.date).collect();
        let by_day = Some(ByDay { dates: &dates, meters });
        let stretch = Stretch { from, to, meters: &shares, by_day, washes };
        let parts = assembly::parts(self.name, &stretch, notes);
        let gun_h = guns::gun_hours(self.name, &stretch, notes);
        let beyond_guns = guns::beyond_guns(&stretch, notes, &parts);
        Some(Stretched { parts, gun_h, beyond_guns })
    }

    /// The parts of the days that are over, or of the whole ones of these, with what stands behind
    /// them; `None` without any such day.
    #[must_use]
    pub fn traced<'n>(
        &self,
        meters: &[MeterMonth<'_>],
        days: &[DayFact],
        notes: &'n Notes,
        tallies: &[WashTally],
        whole: bool,
    ) -> Option<Traced<'n>> {
        let all = self.over(days, notes);
        let days = if whole { all.into_iter().filter(|day| self.is_whole(notes, day)).collect() } else { all };
        let washed = washed(&days, tallies);
        let (from, to) = bounds(&days, notes)?;
        let shares = shares(meters, &days, (from, to));
        let dates: Vec<NaiveDate> = days.iter().map(|day| day.date).collect();
        let by_day = Some(ByDay { dates: &dates, meters });
        let stretch = Stretch { from, to, meters: &shares, by_day, washes: washed.count() };
        let parts = assembly::parts(self.name, &stretch, notes);
        let gun_h = guns::gun_hours(self.name, &stretch, notes);
        let behind = assembly::behind(&stretch, notes, &parts);
        Some(Traced { from, to, dates, washed, gun_h, parts, behind })
    }

    /// The days of the month that are over.
    fn over<'d>(&self, days: &'d [DayFact], notes: &Notes) -> Vec<&'d DayFact> {
        let over = |day: &&DayFact| Month::of(day.date) == self.month && day_bounds(notes.zone, day.date).1 <= self.now;
        days.iter().filter(over).collect()
    }
}

/// The parts of a statement with what stands behind them.
#[derive(Debug, Clone, PartialEq)]
pub struct Traced<'n> {
    /// Where the first of the days begins.
    pub from: DateTime<Utc>,
    /// Where the last of them ends.
    pub to: DateTime<Utc>,
    /// The days, in order.
    pub dates: Vec<NaiveDate>,
    /// Washes of the days.
    pub washed: Washes,
    /// Hours with a trigger pulled; `None` where nothing counts them.
    pub gun_h: Option<Quantity>,
    /// The parts.
    pub parts: Parts,
    /// The notes behind them.
    pub behind: Behind<'n>,
}

fn bounds(days: &[&DayFact], notes: &Notes) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
    let (first, last) = (days.first()?, days.last()?);
    Some((day_bounds(notes.zone, first.date).0, day_bounds(notes.zone, last.date).1))
}

/// What each meter passed on these days, which reach from one instant to the other.
fn shares<'m>(
    meters: &[MeterMonth<'m>],
    days: &[&DayFact],
    (from, to): (DateTime<Utc>, DateTime<Utc>),
) -> Vec<MeterShare<'m>> {
    let of_days =
        |meter: &MeterMonth<'_>| days.iter().filter_map(|day| meter.on(day.date)).map(|share| share.amount).sum();
    meters
        .iter()
        .map(|one| MeterShare {
            meter: Meter { name: one.name, facts: one.facts, known: one.known, flow: one.flow(days), water_c: WATER_C },
            passed: Passed {
                from,
                to,
                amount: of_days(one),
                exchanges: one.exchanges,
                divided: one.divided,
                timing_u: 0.0,
            },
            share: one.share,
            u_share: one.share_u,
        })
        .collect()
}

impl MeterMonth<'_> {
    /// What it counted on a day, in hours for a meter of run hours.
    pub(super) fn hours_on(&self, date: NaiveDate) -> f64 {
        self.on(date).map_or(0.0, |share| share.amount)
    }

    fn on(&self, date: NaiveDate) -> Option<&DayShare> {
        let found = self.days.binary_search_by_key(&date, |share| share.date).ok();
        found.and_then(|place| self.days.get(place))
    }

    /// How much of what it passed on these days can have passed slowly.
    fn flow(&self, days: &[&DayFact]) -> Flow {
        let own = days.iter().filter_map(|day| self.on(day.date));
        LowFlow::of(&self.facts.flows, own, self.above).map_or(Flow::Unknown, Flow::Low)
    }
}

/// A subject's washes on these days.
fn washed(days: &[&DayFact], tallies: &[WashTally]) -> Washes {
    let dates: Vec<NaiveDate> = days.iter().map(|day| day.date).collect();
    Washes::of(&dates, days.iter().copied(), tallies, true)
}

#[cfg(test)]
mod tests;
