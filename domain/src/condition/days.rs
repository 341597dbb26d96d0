//! Tests of what a unit's meters count in a day.

use super::baseline::{POINTS_MIN, median};
use super::chart::Cusum;
use super::steady::{BASELINE_POINTS, Found, Steady, Wrong};
use super::test::{Outcome, WhyNot};
use chrono::NaiveDate;

/// Least run of a pump in a day from which its flow is told, in hours.
const RUN_H_MIN: f64 = 0.5;
/// Least water in a day to which energy and starts are held, in litres.
const WASH_L_MIN: f64 = 200.0;
/// Most that the flow of a pump of fixed duty varies from day to day, as a share (common
/// practice, no source).
const FLOW_SPREAD_MAX: f64 = 0.15;

/// A clean day: read throughout, nothing open to decide, the unit running all the time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Day {
    /// The local day.
    pub day: NaiveDate,
    /// Water to the washers, in litres.
    pub wash_l: Option<f64>,
    /// Run of the pump, in hours.
    pub run_h: Option<f64>,
    /// Electrical energy, in kWh.
    pub energy_kwh: Option<f64>,
    /// Starts of the pump.
    pub starts: Option<f64>,
}

/// How many meters of its own a unit has now, pulse totals apart.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Meters {
    /// Of water to the washers.
    pub wash: usize,
    /// Of run hours.
    pub run_hours: usize,
    /// Of energy.
    pub energy: usize,
    /// Of starts.
    pub starts: usize,
}

fn one(count: usize, what: &'static str) -> Result<(), WhyNot> {
    if count == 1 { Ok(()) } else { Err(WhyNot::Meter(what)) }
}

/// Water in an hour of the pump. With one meter of each and a steady flow between them the two
/// are taken to sit on the same pump of fixed duty.
///
/// # Errors
/// Why it can't be run.
pub fn falling_flow(days: &[Day], meters: Meters, chart: Cusum, known: &[Found]) -> Outcome {
    one(meters.wash, "meter of wash water")?;
    one(meters.run_hours, "counter of the pump's hours")?;
    let flow = |day: &Day| {
        let (wash, run) = (day.wash_l?, day.run_h?);
        (run >= RUN_H_MIN && wash > 0.0).then_some((day.day, wash / run))
    };
    let values: Vec<_> = days.iter().filter_map(flow).collect();
    Steady { unit: "L/h", values: &values, wrong: Wrong::Fall, spread_max: FLOW_SPREAD_MAX, known }
        .run(chart)
        .map(as_share)
}

/// Starts for a cubic metre of water.
///
/// # Errors
/// Why it can't be run.
pub fn starts_above(days: &[Day], meters: Meters, chart: Cusum, known: &[Found]) -> Outcome {
    one(meters.wash, "meter of wash water")?;
    one(meters.starts, "counter of the pump's starts")?;
    let per_m3 = |day: &Day| {
        let (wash, starts) = (day.wash_l?, day.starts?);
        (wash >= WASH_L_MIN && starts >= 0.0).then_some((day.day, starts / (wash / 1000.0)))
    };
    let values: Vec<_> = days.iter().filter_map(per_m3).collect();
    Steady { unit: "starts/m3", values: &values, wrong: Wrong::Rise, spread_max: f64::INFINITY, known }
        .run(chart)
        .map(as_share)
}

/// The finding's size as a share of what is usual, not negative.
fn as_share(mut ran: super::test::Ran) -> super::test::Ran {
    let usual = ran.usual;
    ran.finding = ran.finding.map(|found| super::test::Finding { size: (found.size / usual).abs(), ..found });
    ran
}

/// Energy beside a base load and a slope for each cubic metre, both of the first clean days, by
/// the medians of H. Theil and P. K. Sen. Values are kWh a day at the usual water.
///
/// # Errors
/// Why it can't be run.
pub fn energy_above(days: &[Day], meters: Meters, chart: Cusum, known: &[Found]) -> Outcome {
    one(meters.wash, "meter of wash water")?;
    one(meters.energy, "meter of energy")?;
    let both = |day: &Day| {
        let (wash, energy) = (day.wash_l?, day.energy_kwh?);
        (wash >= 0.0 && energy >= 0.0).then_some((day.day, wash / 1000.0, energy))
    };
    let read: Vec<(NaiveDate, f64, f64)> = days.iter().filter_map(both).collect();
    let first = read.get(..BASELINE_POINTS.min(read.len())).unwrap_or_default();
    if first.len() < POINTS_MIN {
        return Err(WhyNot::TooFew(first.len()));
    }
    let pairs = first.iter().enumerate().flat_map(|(at, one)| first.iter().skip(at + 1).map(move |other| (one, other)));
    let slopes = pairs.filter(|(one, other)| (other.1 - one.1).abs() > 1e-3);
    let slope = median(slopes.map(|(one, other)| (other.2 - one.2) / (other.1 - one.1))).unwrap_or(0.0);
    let usual_m3 = median(first.iter().map(|day| day.1)).unwrap_or(0.0);
    let values: Vec<_> = read.iter().map(|(day, m3, kwh)| (*day, kwh - slope * (m3 - usual_m3))).collect();
    Steady { unit: "kWh/day", values: &values, wrong: Wrong::Rise, spread_max: f64::INFINITY, known }.run(chart)
}
