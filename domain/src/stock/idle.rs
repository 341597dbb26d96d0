//! Days on which a unit uses nothing: it is laid up, or will be.

use crate::zone::day_bounds;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

/// Local days without use, the first and the last of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct IdleDays {
    /// The first day without use.
    pub first: NaiveDate,
    /// The last day without use.
    pub last: NaiveDate,
}

/// Whether nothing is used on a day.
#[must_use]
pub fn is_idle(idle: &[IdleDays], day: NaiveDate) -> bool {
    idle.iter().any(|days| days.first <= day && day <= days.last)
}

/// Time between two instants in which something could be used, in days of 24 hours. The idle
/// stretches do not overlap.
#[must_use]
pub fn running_d(zone: Tz, (from, to): (DateTime<Utc>, DateTime<Utc>), idle: &[IdleDays]) -> f64 {
    let between = |from: DateTime<Utc>, to: DateTime<Utc>| (to - from).max(TimeDelta::zero());
    let still = idle.iter().map(|stretch| {
        let (begins, ends) = (day_bounds(zone, stretch.first).0, day_bounds(zone, stretch.last).1);
        between(begins.max(from), ends.min(to))
    });
    // Whole microseconds: time that is idle throughout leaves nothing.
    let running = between(from, to) - still.sum::<TimeDelta>();
    running.max(TimeDelta::zero()).as_seconds_f64() / 86_400.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn idle_days_are_local_and_whole() {
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        let idle = [IdleDays { first: day("2026-03-28"), last: day("2026-03-29") }];
        assert!(!is_idle(&idle, day("2026-03-27")) && is_idle(&idle, day("2026-03-29")));
        let week = (at("2026-03-26T00:00:00Z"), at("2026-04-02T00:00:00Z"));
        let running = |span, idle| running_d(chrono_tz::Europe::Rome, span, idle);
        assert_eq!(running(week, &[]), 7.0);
        // Rome sets its clocks on the 29th: two local days of 47 hours.
        assert!((running(week, &idle) - (7.0 - 47.0 / 24.0)).abs() < 1e-9);
        assert_eq!(running((at("2026-03-28T12:00:00Z"), at("2026-03-28T18:00:00Z")), &idle), 0.0);
    }
}
