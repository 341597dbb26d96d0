//! Which units stand where since when, how their bays are built, and what befalls them.

use super::bay::Build;
use super::chance::{Chance, Topic};
use super::names::{CUSTOMERS, model, roofed};
use super::oddity::{Metering, Oddity};
use domain::spell::SpellState;

pub(crate) const HOUR_S: i64 = 3600;
pub(crate) const DAY_S: i64 = 24 * HOUR_S;

/// A stay at a site, in seconds since 1970; without an end it goes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Stay {
    pub(crate) site: usize,
    pub(crate) from_s: i64,
    pub(crate) to_s: Option<i64>,
}

/// The beginning of a state, and why.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Turn {
    pub(crate) from_s: i64,
    pub(crate) state: SpellState,
    pub(crate) reason: Option<&'static str>,
}

/// What is to happen to a unit.
#[derive(Debug, Clone)]
pub(crate) struct UnitPlan {
    pub(crate) number: usize,
    pub(crate) metering: Metering,
    pub(crate) oddity: Option<Oddity>,
    /// From when on, in whole hours of seconds since 1970.
    pub(crate) from_s: i64,
    /// When the oddity begins.
    pub(crate) odd_s: i64,
    pub(crate) stays: Vec<Stay>,
    pub(crate) turns: Vec<Turn>,
    pub(crate) build: Build,
    /// Mean washes in an opening hour.
    pub(crate) washes_per_h: f64,
}

/// The name of a unit.
pub(crate) fn label(number: usize) -> String {
    format!("Loop {:02}", number + 1)
}

impl UnitPlan {
    /// The plan of a unit for the time from `from_s` to `to_s`.
    pub(crate) fn of(number: usize, from_s: i64, to_s: i64) -> Self {
        let mut chance = Chance::of(Topic::Bay, number);
        let oddity = Oddity::of(number);
        // Units are put in over the first three weeks, in the morning of some zone.
        let from_s = from_s + i64::try_from(number % 21).unwrap_or(0) * DAY_S;
        let span_s = to_s - from_s;
        let odd_s = whole_hour(match oddity {
            Some(Oddity::Silent) => to_s - 9 * DAY_S,
            Some(Oddity::LosingFlow) => to_s - (span_s / 3).min(120 * DAY_S),
            Some(Oddity::PassingValve) => to_s - (span_s / 3).min(50 * DAY_S),
            Some(Oddity::LaidUp) => winter(from_s, to_s),
            _ => from_s + span_s * 3 / 5,
        });
        let site = home(number, oddity);
        let (metering, _nth) = Metering::of(number);
        Self {
            number,
            metering,
            oddity,
            from_s,
            odd_s,
            stays: stays(site, oddity, from_s, odd_s),
            turns: turns(oddity, from_s, odd_s, to_s),
            build: build(number, site, &mut chance),
            washes_per_h: model(number).flow_l_per_h / 1000.0 * chance.between(0.5, 0.8),
        }
    }

    /// Where the unit stands at an instant.
    pub(crate) fn site_at(&self, at_s: i64) -> Option<usize> {
        let here = |stay: &&Stay| stay.from_s <= at_s && stay.to_s.is_none_or(|to_s| at_s < to_s);
        self.stays.iter().find(here).map(|stay| stay.site)
    }

    /// Its state at an instant.
    pub(crate) fn state_at(&self, at_s: i64) -> SpellState {
        let begun = self.turns.iter().rev().find(|turn| turn.from_s <= at_s);
        begun.map_or(SpellState::Planned, |turn| turn.state)
    }

    /// Days since the oddity began, if it is this one and has.
    pub(crate) fn days_of(&self, oddity: Oddity, at_s: i64) -> Option<f64> {
        let since_s = u32::try_from(at_s - self.odd_s).ok()?;
        (self.oddity == Some(oddity)).then(|| f64::from(since_s) / 86_400.0)
    }
}

/// The site that a unit stands at first.
fn home(number: usize, oddity: Option<Oddity>) -> usize {
    match oddity {
        Some(Oddity::SharedMeter | Oddity::SharesMeter) => 4,
        // Where winters freeze.
        Some(Oddity::LaidUp) => 0,
        _ => number % CUSTOMERS.len(),
    }
}

fn stays(site: usize, oddity: Option<Oddity>, from_s: i64, odd_s: i64) -> Vec<Stay> {
    if oddity != Some(Oddity::Moved) {
        return vec![Stay { site, from_s, to_s: None }];
    }
    let next = (site + 3) % CUSTOMERS.len();
    vec![Stay { site, from_s, to_s: Some(odd_s) }, Stay { site: next, from_s: odd_s + 20 * HOUR_S, to_s: None }]
}

fn turns(oddity: Option<Oddity>, from_s: i64, odd_s: i64, to_s: i64) -> Vec<Turn> {
    let (state, reason, lasts_s) = match oddity {
        Some(Oddity::Bypassed) => (SpellState::Bypassed, "blower failed, part on order", 14 * DAY_S),
        Some(Oddity::LaidUp) => (SpellState::LaidUp, "drained against frost", 90 * DAY_S),
        Some(Oddity::CleanedOut) => (SpellState::Stopped, "pit cleaned out, then refilled", DAY_S),
        _ => return vec![Turn { from_s, state: SpellState::Running, reason: None }],
    };
    let mut turns = vec![
        Turn { from_s, state: SpellState::Running, reason: None },
        Turn { from_s: odd_s, state, reason: Some(reason) },
    ];
    if odd_s + lasts_s < to_s {
        turns.push(Turn { from_s: odd_s + lasts_s, state: SpellState::Running, reason: None });
    }
    turns
}

/// The first of a December within the time, or its middle where there is none.
fn winter(from_s: i64, to_s: i64) -> i64 {
    let of_day = |at_s: &i64| chrono::DateTime::from_timestamp(*at_s, 0).map(|at| at.date_naive());
    let december = |at_s: &i64| of_day(at_s).is_some_and(|day| day.format("%m-%d").to_string() == "12-01");
    let step = usize::try_from(DAY_S).unwrap_or(usize::MAX);
    (from_s + DAY_S..to_s).step_by(step).find(december).unwrap_or(i64::midpoint(from_s, to_s))
}

fn whole_hour(at_s: i64) -> i64 {
    at_s - at_s.rem_euclid(HOUR_S)
}

fn build(number: usize, site: usize, chance: &mut Chance) -> Build {
    let model = model(number);
    Build {
        full_l: 1.5 * model.volume_l,
        fill_below_l: model.volume_l,
        float_band_l: model.band_l,
        fill_l_per_h: 1600.0,
        pump_l_per_h: model.flow_l_per_h,
        carry_off: chance.between(0.10, 0.20),
        sludge: chance.between(0.004, 0.012),
        surface_m2: chance.between(6.0, 14.0),
        catchment_m2: if roofed(site) { 0.0 } else { 50.0 },
        diverter: true,
        base_kw: chance.between(0.5, 0.9),
        kwh_per_m3: chance.between(0.9, 1.4),
    }
}
