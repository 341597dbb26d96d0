//! How often work comes again: by the calendar, by use, or both.

use crate::component::RunBasis;
use crate::fault::Faults;
use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Longest interval of days taken: a decade.
const DAYS_MAX: u32 = 3660;
/// Largest interval of use taken.
const USE_MAX: f64 = 1e12;
/// Smallest that can be meant.
const USE_MIN: f64 = 1e-3;

/// Intervals of which the first to pass makes work due.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Every {
    /// Days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub days: Option<u32>,
    /// A day of the year, such as that of winterising.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub yearly_on: Option<MonthDay>,
    /// Hours of running.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hours: Option<f64>,
    /// Starts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub starts: Option<f64>,
    /// Washes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub washes: Option<f64>,
    /// Litres of wash water.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub litres: Option<f64>,
}

impl Every {
    /// The intervals of use.
    pub fn uses(&self) -> impl Iterator<Item = (RunBasis, f64)> {
        let all = [
            (RunBasis::Hours, self.hours),
            (RunBasis::Starts, self.starts),
            (RunBasis::Washes, self.washes),
            (RunBasis::Litres, self.litres),
        ];
        all.into_iter().filter_map(|(basis, interval)| Some((basis, interval?)))
    }

    /// The record.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if self.days.is_some_and(|days| !(1..=DAYS_MAX).contains(&days)) {
            faults.add("/days", "out_of_range", format!("give 1 to {DAYS_MAX} days"));
        }
        for (basis, interval) in self.uses() {
            faults.range(&format!("/{}", basis.as_str()), interval, USE_MIN, USE_MAX);
        }
        if self == Self::default() {
            let fix = "give at least one of days, yearly_on, hours, starts, washes and litres";
            faults.add("", "required", fix);
        }
        faults.or(self)
    }
}

/// A day of every year, written `10-15`; none that only leap years have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct MonthDay {
    month: u32,
    day: u32,
}

impl MonthDay {
    /// Parses `MM-DD`.
    ///
    /// # Errors
    /// A fault with an empty pointer for a day that some year lacks.
    pub fn parse(text: &str) -> Result<Self, Faults> {
        // 2001 was no leap year.
        let found = NaiveDate::parse_from_str(&format!("2001-{text}"), "%Y-%m-%d").ok().filter(|_| text.len() == 5);
        let fix = "give month and day as MM-DD, such as 10-15";
        found
            .map(|date| Self { month: date.month(), day: date.day() })
            .ok_or_else(|| Faults::one("", "unknown_day", fix))
    }

    /// The first such day on or after `date`.
    #[must_use]
    pub fn on_or_after(self, date: NaiveDate) -> NaiveDate {
        let in_year = |year| NaiveDate::from_ymd_opt(year, self.month, self.day);
        let this_year = in_year(date.year()).filter(|day| *day >= date);
        this_year.or_else(|| in_year(date.year() + 1)).unwrap_or(date)
    }
}

impl fmt::Display for MonthDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}-{:02}", self.month, self.day)
    }
}

impl From<MonthDay> for String {
    fn from(day: MonthDay) -> Self {
        day.to_string()
    }
}

impl TryFrom<String> for MonthDay {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        Self::parse(&text).map_err(|_faults| format!("{text} is not a day written MM-DD"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_of_the_year_comes_every_year() {
        let frost = MonthDay::parse("10-15").unwrap();
        let next = |from: &str| frost.on_or_after(from.parse().unwrap()).to_string();
        assert_eq!(next("2026-10-15"), "2026-10-15");
        assert_eq!(next("2026-10-16"), "2027-10-15");
        assert_eq!(frost.to_string(), "10-15");
        for text in ["02-29", "13-01", "1-15", "10-1", "10-015", ""] {
            assert!(MonthDay::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn something_makes_it_due() {
        let codes = |every: Every| match every.checked() {
            Ok(_) => Vec::new(),
            Err(faults) => faults.0.into_iter().map(|fault| (fault.pointer, fault.code)).collect(),
        };
        assert_eq!(codes(Every::default()), [(String::new(), "required")]);
        let wrong = Every { days: Some(0), litres: Some(f64::NAN), ..Every::default() };
        assert_eq!(codes(wrong), [("/days".to_owned(), "out_of_range"), ("/litres".to_owned(), "out_of_range")]);
        assert_eq!(codes(Every { washes: Some(5000.0), ..Every::default() }), []);
    }
}
