//! What ran through a unit hour by hour, as meters without fault would have counted it.

use super::bay::{Bay, Flows, Load};
use super::chance::{Chance, Topic};
use super::names::{Region, region};
use super::oddity::Oddity;
use super::plan::{HOUR_S, UnitPlan};
use chrono::{DateTime, Datelike, NaiveDateTime, Timelike};
use domain::metering::stream::Stream;
use domain::spell::SpellState;
use std::f64::consts::TAU;

/// Cumulated litres, kWh, hours and washes of a unit since it was put in.
pub(crate) struct Trace {
    from_s: i64,
    totals: [(Stream, Vec<f64>); 8],
}

/// What a fill valve lets pass whose seat is worn, in litres an hour.
const PASSING_L_PER_H: f64 = 55.0;
/// Flow lost to wear, as a share a day: a quarter in four months.
const WEAR_PER_DAY: f64 = 0.0021;
/// Evaporation from a wet surface, in millimetres a day for each degree Celsius above freezing
/// (common practice, no source).
const EVAPORATION_MM_PER_DEGREE: f64 = 0.22;
/// Water of a wash, in litres: mean and deviation (common practice, no source).
const WASH_L: (f64, f64) = (320.0, 60.0);
/// Share of it that is fresh water for rinsing.
const RINSE: f64 = 0.06;

impl Trace {
    /// Lets the time from the unit's start to `to_s` pass.
    pub(crate) fn of(plan: &UnitPlan, to_s: i64) -> Self {
        let streams = [
            Stream::Makeup,
            Stream::Wash,
            Stream::Rinse,
            Stream::ToSewer,
            Stream::Energy,
            Stream::RunHours,
            Stream::WashCount,
            Stream::Bypass,
        ];
        let mut trace = Self { from_s: plan.from_s, totals: streams.map(|stream| (stream, vec![0.0])) };
        let mut chance = Chance::of(Topic::Washes, plan.number);
        let mut bay = Bay::new(plan.build, plan.build.fill_below_l + plan.build.float_band_l);
        let mut waiting_l = 0.0;
        let mut at_s = plan.from_s;
        while at_s < to_s {
            let (flows, washes) = hour(plan, at_s, &mut bay, &mut waiting_l, &mut chance);
            trace.count(&flows, f64::from(washes));
            at_s += HOUR_S;
        }
        trace
    }

    fn count(&mut self, flows: &Flows, washes: f64) {
        for (stream, totals) in &mut self.totals {
            let more = match stream {
                Stream::Makeup => flows.makeup_l,
                Stream::Wash => flows.wash_l,
                Stream::Rinse => flows.rinse_l,
                Stream::ToSewer => flows.overflow_l,
                Stream::Energy => flows.energy_kwh,
                Stream::RunHours => flows.run_h,
                Stream::WashCount => washes,
                _ => flows.bypass_l,
            };
            totals.push(totals.last().copied().unwrap_or(0.0) + more);
        }
    }

    /// The total of a stream at an instant, evenly spread within its hour.
    pub(crate) fn at(&self, stream: Stream, at_s: i64) -> f64 {
        let since_s = u32::try_from(at_s - self.from_s).unwrap_or(0);
        let (hour, second) = (since_s / 3600, since_s % 3600);
        let Some((_, totals)) = self.totals.iter().find(|(of, _)| *of == stream) else { return 0.0 };
        let last = totals.last().copied().unwrap_or(0.0);
        let total = |hour: u32| totals.get(hour as usize).copied().unwrap_or(last);
        total(hour) + (total(hour + 1) - total(hour)) * f64::from(second) / 3600.0
    }
}

/// One hour of a unit, and the washes that came in it.
fn hour(plan: &UnitPlan, at_s: i64, bay: &mut Bay, waiting_l: &mut f64, chance: &mut Chance) -> (Flows, u32) {
    let state = plan.state_at(at_s);
    if matches!(state, SpellState::LaidUp | SpellState::Stopped) {
        bay.drain();
    }
    let site = plan.site_at(at_s);
    let (Some(site), SpellState::Running | SpellState::Bypassed) = (site, state) else {
        return (Flows::default(), 0);
    };
    let region = region(site);
    let local = DateTime::from_timestamp(at_s, 0).unwrap_or_default().with_timezone(&region.zone).naive_local();
    let open = opening(local);
    let mean = if open { plan.washes_per_h * season(local, region) } else { 0.0 };
    let washes = chance.poisson(mean);
    let water_l: f64 = (0..washes).map(|_| chance.normal(WASH_L.0, WASH_L.1).clamp(120.0, 700.0)).sum();
    *waiting_l += water_l * (1.0 - RINSE);
    let wear = plan.days_of(Oddity::LosingFlow, at_s).unwrap_or(0.0) * WEAR_PER_DAY;
    let flows = bay.step(&Load {
        hours: 1.0,
        in_loop: state == SpellState::Running,
        wash_l: *waiting_l,
        rinse_l: water_l * RINSE,
        rain_mm: if chance.yes(0.03) { chance.exponential(1.5) } else { 0.0 },
        in_use: open,
        evaporation_mm: EVAPORATION_MM_PER_DEGREE * celsius(local, region).max(0.0) / 24.0,
        passing_l_per_h: plan.days_of(Oddity::PassingValve, at_s).map_or(0.0, |_| PASSING_L_PER_H),
        pump_health: (1.0 - wear).max(0.6),
    });
    *waiting_l -= flows.wash_l + flows.bypass_l;
    (flows, washes)
}

/// Whether the bay is open: weekdays from 7 to 18, Saturdays from 8 to 13.
fn opening(local: NaiveDateTime) -> bool {
    match local.weekday().num_days_from_monday() {
        0..5 => (7..18).contains(&local.hour()),
        5 => (8..13).contains(&local.hour()),
        _ => false,
    }
}

/// From -1 in the middle of winter to 1 in the middle of summer.
fn summer(local: NaiveDateTime, region: &Region) -> f64 {
    let north = -(TAU * (f64::from(local.ordinal()) - 15.0) / 365.25).cos();
    if region.southern { -north } else { north }
}

/// How busy a day is against the mean: summers and Mondays are busier.
fn season(local: NaiveDateTime, region: &Region) -> f64 {
    let monday = if local.weekday().num_days_from_monday() == 0 { 1.2 } else { 1.0 };
    monday * (1.0 + 0.2 * summer(local, region))
}

fn celsius(local: NaiveDateTime, region: &Region) -> f64 {
    region.celsius.0 + region.celsius.1 * summer(local, region)
}
