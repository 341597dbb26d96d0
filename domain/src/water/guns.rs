//! Wash volume and hours of guns, day by day: bucket tests, derivations and the states of units are
//! dated, and the hours of a gun's meter are known by day.

use super::assembly::{Notes, Stretch};
use super::spell::treating_share;
use super::term::{Part, Source, Term};
use super::wash::{self, BucketTest, GunLimit, MoreThanTheGunsPass, TriggerHours, gun_volume};
use crate::measures::guns::{GunHours, WashDerivation};
use crate::uncertainty::figures::Parts;
use crate::uncertainty::quantity::{Cause, Key, Quantity};
use crate::zone::{day_bounds, local_date, next_day};
use chrono::{DateTime, NaiveDate, Utc};
use std::collections::BTreeMap;

/// One gun's part of a derived wash volume, on days on which one bucket test holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GunWash<'n> {
    /// Which hours its flow is multiplied by.
    pub derivation: &'n WashDerivation,
    /// The name of the meter that counts them.
    pub meter: &'n str,
    /// The first of these days.
    pub first: NaiveDate,
    /// The last of them.
    pub last: NaiveDate,
    /// What that meter counted on them, in hours.
    pub meter_h: f64,
    /// The hours of each day times the part of it in which the units treat.
    pub treating_h: f64,
    /// The bucket test that holds.
    pub test: BucketTest,
    /// Flow times trigger hours, while the units treat.
    pub volume: Term,
}

/// A local day as far as it lies in a stretch.
#[derive(Clone, Copy)]
struct Day {
    date: NaiveDate,
    from: DateTime<Utc>,
    to: DateTime<Utc>,
}

impl Day {
    fn hours(self) -> f64 {
        (self.to - self.from).as_seconds_f64() / 3600.0
    }
}

/// The days that count; between two rounds all that the stretch touches.
fn days(stretch: &Stretch<'_>, notes: &Notes) -> Vec<Day> {
    let day = |date: NaiveDate| {
        let (from, to) = day_bounds(notes.zone, date);
        Day { date, from, to }
    };
    match stretch.by_day {
        Some(by_day) => by_day.dates.iter().map(|date| day(*date)).collect(),
        None => std::iter::successors(Some(local_date(notes.zone, stretch.from)), |date| Some(next_day(*date)))
            .map(day)
            .take_while(|day| day.from < stretch.to)
            .map(|day| Day { from: day.from.max(stretch.from), to: day.to.min(stretch.to), ..day })
            .collect(),
    }
}

/// What the meter of that name counted on a day, in hours; between two rounds spread evenly. `None`
/// where it is no meter of the balance.
fn meter_hours(stretch: &Stretch<'_>, meter: &str, day: Day) -> Option<f64> {
    let sum = |a: f64, b: f64| a + b;
    match stretch.by_day {
        Some(by_day) => {
            by_day.meters.iter().filter(|one| one.name == meter).map(|one| one.hours_on(day.date)).reduce(sum)
        }
        None => {
            let part = (day.to - day.from).as_seconds_f64() / (stretch.to - stretch.from).as_seconds_f64().max(1.0);
            let counted = stretch.meters.iter().filter(|one| one.meter.name == meter).map(|one| one.passed.amount);
            counted.reduce(sum).map(|hours| hours * part)
        }
    }
}

/// The derivations that hold on a day, with the meters that count their hours.
fn deriving(notes: &Notes, day: Day) -> impl Iterator<Item = &(WashDerivation, String)> {
    notes.derivations.iter().filter(move |(derivation, _)| derivation.days.contains(day.date))
}

/// Whether wash water is derived on every one of these days, and there are any.
fn derived_throughout(notes: &Notes, days: &[Day]) -> bool {
    !days.is_empty() && days.iter().all(|day| deriving(notes, *day).next().is_some())
}

fn tests_of(notes: &Notes, gun: &str) -> Vec<BucketTest> {
    notes.tests.iter().filter(|one| one.gun == gun).map(|one| one.test).collect()
}

/// Bucket-test flow times trigger hours, while the units treat. Of one gun what its tests and shares
/// are off by may be the same in all of its days, so it adds up; guns are off independently.
pub(super) fn derived_wash(stretch: &Stretch<'_>, notes: &Notes) -> Term {
    let Some(washed) = guns(stretch, notes) else { return Term::UNKNOWN };
    let mut of_guns: BTreeMap<&str, Term> = BTreeMap::new();
    for one in washed {
        let sum = of_guns.entry(&one.derivation.gun).or_insert(Term::ABSENT);
        *sum = sum.followed_by(one.volume);
    }
    of_guns.into_values().sum()
}

/// What each gun with a derivation put out, in stretches of days with one bucket test. `None` where
/// on some day nothing derives the wash water, where a gun lacks its test or its hours, and where on a day
/// on which hours were counted nobody noted the state of any unit.
pub(super) fn guns<'n>(stretch: &Stretch<'_>, notes: &'n Notes) -> Option<Vec<GunWash<'n>>> {
    let days = days(stretch, notes);
    if !derived_throughout(notes, &days) {
        return None;
    }
    let mut washed = Vec::new();
    for (derivation, meter) in &notes.derivations {
        let tests = tests_of(notes, &derivation.gun);
        let mut of_gun: Vec<GunWash<'n>> = Vec::new();
        for day in days.iter().copied().filter(|day| derivation.days.contains(day.date)) {
            let test = *wash::test_on(&tests, day.date)?;
            let meter_h = meter_hours(stretch, meter, day)?;
            // What a unit does while no hours are counted bears on nothing.
            let treats = if meter_h == 0.0 { 0.0 } else { treating_share(&notes.spells, day.from, day.to)? };
            match of_gun.last_mut().filter(|one| one.test == test) {
                Some(one) => one.add(day.date, meter_h, treats),
                None => {
                    let volume = Term::ABSENT;
                    let (first, last, treating_h) = (day.date, day.date, meter_h * treats);
                    of_gun.push(GunWash { derivation, meter, first, last, meter_h, treating_h, test, volume });
                }
            }
        }
        washed.extend(of_gun.into_iter().map(GunWash::with_volume));
    }
    Some(washed)
}

impl GunWash<'_> {
    fn add(&mut self, date: NaiveDate, meter_h: f64, treats: f64) {
        self.last = date;
        self.meter_h += meter_h;
        self.treating_h += meter_h * treats;
    }

    fn with_volume(self) -> Self {
        let hours = match self.derivation.hours {
            GunHours::Counted => TriggerHours::Counted { hours: self.treating_h },
            GunHours::ShareOfPump { share, u_share } => {
                TriggerHours::ShareOfPump { pump_hours: self.treating_h, share, u_share }
            }
        };
        Self { volume: gun_volume(&self.test, hours), ..self }
    }
}

/// The guns of the site, each with the most hours in which its trigger can have been pulled: those that
/// are counted or declared for it, else all of the days. A volume that was derived from these hours is
/// held against all of the days. A gun that was tested anew is listed by its tests, each with the hours
/// of its days. None at all where a gun from which wash water is derived was never tested: it can pass
/// any amount.
#[must_use]
pub fn gun_limits(stretch: &Stretch<'_>, notes: &Notes, wash: Source) -> Vec<GunLimit> {
    let days = days(stretch, notes);
    let mut guns: BTreeMap<&str, Vec<BucketTest>> = BTreeMap::new();
    for one in &notes.tests {
        guns.entry(&one.gun).or_default().push(one.test);
    }
    let untested = |day: &Day| deriving(notes, *day).any(|(one, _)| !guns.contains_key(one.gun.as_str()));
    if days.iter().any(untested) {
        return Vec::new();
    }
    let most_h = |gun: &str, day: Day| {
        let (derivation, meter) = deriving(notes, day).find(|(derivation, _)| derivation.gun == gun)?;
        let (share, u_share) = derivation.hours.share().unwrap_or((1.0, 0.0));
        Some(meter_hours(stretch, meter, day)? * (share + 2.0 * u_share))
    };
    let mut limits: Vec<GunLimit> = Vec::new();
    for (gun, tests) in guns {
        let first = limits.len();
        for &day in &days {
            let Some(&test) = wash::test_on(&tests, day.date) else { continue };
            let known = most_h(gun, day).filter(|_| wash != Source::Derived);
            let day_h = known.map_or(day.hours(), |most| most.min(day.hours()));
            match limits.iter_mut().skip(first).find(|limit| limit.test == test) {
                Some(limit) => limit.most_h += day_h,
                None => limits.push(GunLimit { test, most_h: day_h }),
            }
        }
    }
    limits
}

/// Whether the wash volume is more than the guns can have passed.
#[must_use]
pub fn beyond_guns(stretch: &Stretch<'_>, notes: &Notes, parts: &Parts) -> Option<MoreThanTheGunsPass> {
    let (litres, source) = parts.get(Part::Wash);
    let wash = Term::new(litres.value, litres.u(), source);
    wash::within_guns(wash, &gun_limits(stretch, notes, source)).err()
}

/// Hours with a trigger pulled, with their standard uncertainty: of all guns on the days on which a
/// derivation of theirs holds, tested or not. `None` where on some day none holds, and where one of
/// their meters passed nothing that is known.
#[must_use]
pub fn gun_hours(of: &str, stretch: &Stretch<'_>, notes: &Notes) -> Option<Quantity> {
    let days = days(stretch, notes);
    if !derived_throughout(notes, &days) {
        return None;
    }
    let mut sum = Quantity::exact(0.0);
    for (derivation, meter) in &notes.derivations {
        let its = days.iter().copied().filter(|day| derivation.days.contains(day.date));
        let hours = its.map(|day| meter_hours(stretch, meter, day)).sum::<Option<f64>>()?;
        let key = Key::new(format!("{of}, {}", derivation.gun), Cause::Hours);
        let (share, u_share) = derivation.hours.share().unwrap_or((1.0, 0.0));
        sum = sum + Quantity::exact(hours * share).with(key, hours * u_share);
    }
    Some(sum)
}
