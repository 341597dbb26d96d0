//! The demo: a dealer's fleet invented from a fixed seed, loaded on the ways users' data take.
//!
//! Every unit, flow and reading follows from the size and the instant it ends at; only ids and
//! passwords differ from one time to the next.

mod invent;
mod load;

pub use load::{DemoError, Made, live_on, load};

use chrono::{DateTime, Duration, Utc};
use invent::late::{self, Late};
use invent::meters::{self, MeterPlan};
use invent::oddity::{Oddity, UNITS_MIN};
use invent::plan::{HOUR_S, UnitPlan, label};
use invent::trace::Trace;
use invent::work::{self, MonthWork};
use serde::{Deserialize, Serialize};

/// How large the fleet is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Size {
    /// Units, at least 24, so that each odd case has its own.
    pub units: usize,
    /// Months up to now.
    pub months: u32,
}

/// Fewest and most units.
pub const UNITS: std::ops::RangeInclusive<i64> = UNITS_MIN as i64..=5000;
/// Fewest and most months.
pub const MONTHS: std::ops::RangeInclusive<i64> = 3..=60;

/// An odd case: what happened, to which unit, and how it shows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Case {
    /// What happened.
    pub name: &'static str,
    /// The unit's name.
    pub unit: String,
    /// How it shows.
    pub look_for: &'static str,
}

/// The odd cases of a fleet.
#[must_use]
pub fn cases(size: Size) -> Vec<Case> {
    let case = |number| {
        let (name, look_for) = Oddity::of(number)?.words();
        Some(Case { name, unit: label(number), look_for })
    };
    (0..size.units).filter_map(case).collect()
}

/// The invented fleet up to the last full hour before `now`.
struct Fleet {
    units: Vec<(UnitPlan, Vec<MeterPlan>)>,
    /// What each of them washed, by month.
    work: Vec<Vec<MonthWork>>,
    /// Readings that were sent late, and are not among the others.
    late: Vec<Late>,
}

impl Fleet {
    fn invent(size: Size, now: DateTime<Utc>) -> Self {
        let to_s = now.timestamp() - now.timestamp().rem_euclid(HOUR_S);
        // 30.44 days are a twelfth of a year.
        let from_s = to_s - (Duration::hours(731) * i32::try_from(size.months).unwrap_or(1)).num_seconds();
        let unit = |number| {
            let plan = UnitPlan::of(number, from_s, to_s);
            let trace = Trace::of(&plan, to_s);
            let meters = meters::of(&plan, &trace, to_s);
            let work = work::of(&plan, &trace, to_s);
            ((plan, meters), work)
        };
        let (mut units, work): (Vec<_>, Vec<_>) = (0..size.units).map(unit).unzip();
        let late = late::hold_back(&mut units, to_s);
        Self { units, work, late }
    }

    fn readings(&self) -> usize {
        self.units.iter().flat_map(|(_, meters)| meters).map(|meter| meter.readings.len()).sum()
    }
}

#[cfg(test)]
mod tests;
