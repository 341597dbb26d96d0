//! When a site works: hours for each weekday, and single days on which it is closed.

use super::days::Days;
use crate::fault::Faults;
use crate::metering::spread::WorkingCalendar;
use crate::span;
use chrono::{NaiveDate, NaiveTime};
use serde::{Deserialize, Serialize};

/// The working days of a site for a stretch of local days.
#[derive(Debug, Clone, PartialEq)]
pub struct WorkingDays {
    /// In which local days they hold.
    pub days: Days,
    /// The pattern.
    pub week: Week,
}

/// A week's pattern with its exceptions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Week {
    /// Monday first; null on a day off.
    pub hours: [Option<Hours>; 7],
    /// Single days on which the site is closed.
    #[serde(default)]
    pub closed: Vec<NaiveDate>,
}

/// Hours of a day on the local clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hours {
    /// When work begins.
    pub opens: NaiveTime,
    /// When it ends.
    pub closes: NaiveTime,
}

/// Most closed days of one pattern.
const CLOSED_MAX: usize = 1000;

impl WorkingDays {
    /// The record, its closed days in order.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if self.week.closed.len() > CLOSED_MAX {
            faults.add("/closed", "too_many", format!("give at most {CLOSED_MAX}"));
        }
        for (n, day) in self.week.closed.iter().enumerate() {
            span::date(&mut faults, &format!("/closed/{n}"), *day);
        }
        self.week.closed.sort_unstable();
        self.week.closed.dedup();
        faults.take("", self.week.calendar());
        faults.or(self)
    }

    /// The calendar of a site's records.
    ///
    /// # Errors
    /// The faults of a record that was never checked.
    pub fn calendar(records: &[Self]) -> Result<WorkingCalendar, Faults> {
        let parts = records.iter().map(|record| Ok((record.days, record.week.calendar()?)));
        Ok(WorkingCalendar::following(parts.collect::<Result<_, Faults>>()?))
    }
}

impl Week {
    fn calendar(&self) -> Result<WorkingCalendar, Faults> {
        let hours = self.hours.map(|day| day.map(|Hours { opens, closes }| (opens, closes)));
        WorkingCalendar::parse(hours, self.closed.clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn record(hours: serde_json::Value, closed: &[&str]) -> WorkingDays {
        let week = serde_json::from_value(json!({ "hours": hours, "closed": closed })).unwrap();
        WorkingDays { days: Days::since("2026-01-01".parse().unwrap()), week }
    }

    /// January 2026 has 22 weekdays; two of them are closed.
    #[test]
    fn they_say_how_many_days_a_site_works() {
        let day = json!({ "opens": "07:00:00", "closes": "16:00:00" });
        let hours = json!([day, day, day, day, day, null, null]);
        let record = record(hours, &["2026-01-06", "2026-01-01", "2026-01-06"]).checked().unwrap();
        assert_eq!(record.week.closed.len(), 2);
        let calendar = WorkingDays::calendar(&[record]).unwrap();
        let date = |text: &str| text.parse().unwrap();
        assert_eq!(calendar.working_days(date("2026-01-01"), date("2026-02-01")), Some(20));
        assert_eq!(calendar.working_days(date("2025-12-31"), date("2026-02-01")), None);
    }

    #[test]
    fn every_fault_is_named() {
        let back = json!({ "opens": "16:00:00", "closes": "07:00:00" });
        let faults = record(json!([back, null, null, null, null, null, null]), &["1890-01-01"]).checked().unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, ["/closed/0", "/hours/0"]);
        let never = record(json!([null, null, null, null, null, null, null]), &[]).checked().unwrap_err();
        assert_eq!(never.0[0].code, "no_working_day");
    }
}
