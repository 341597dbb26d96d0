//! Local days and months in IANA zones. A local day has 23, 24, 24.5 or 25 hours, and its
//! bounds are UTC instants; nothing here divides by a day of 24 hours.

use crate::fault::Faults;
use chrono::{
    DateTime, Datelike, Days, Duration, LocalResult, Months, NaiveDate, NaiveDateTime, NaiveTime, TimeZone, Utc,
};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Parses an IANA zone name.
///
/// # Errors
/// A fault with an empty pointer when the name is unknown.
pub fn parse_zone(name: &str) -> Result<Tz, Faults> {
    name.parse().map_err(|_unknown: chrono_tz::ParseError| {
        Faults::one("", "unknown_time_zone", "give an IANA zone such as Europe/Rome or America/Denver")
    })
}

/// The instant at which the local day `date` begins in `zone`: midnight, or the first
/// instant after it where the clock skips midnight.
#[must_use]
pub fn day_start(zone: Tz, date: NaiveDate) -> DateTime<Utc> {
    local_instant(zone, date, NaiveTime::MIN)
}

/// The instant at which the clock of `zone` shows `time` on `date`: the earlier of two where it is
/// set back, the first one after where it skips that time.
#[must_use]
pub fn local_instant(zone: Tz, date: NaiveDate, time: NaiveTime) -> DateTime<Utc> {
    let local = date.and_time(time);
    match zone.from_local_datetime(&local) {
        LocalResult::Single(at) | LocalResult::Ambiguous(at, _) => at.with_timezone(&Utc),
        LocalResult::None => first_instant_after_gap(zone, local),
    }
}

/// No zone has ever skipped more than a day; every skip since 1970 ends at a whole minute.
fn first_instant_after_gap(zone: Tz, local: NaiveDateTime) -> DateTime<Utc> {
    (1..=60 * 25)
        .find_map(|minutes| zone.from_local_datetime(&(local + Duration::minutes(minutes))).earliest())
        .map_or_else(|| Utc.from_utc_datetime(&local), |at| at.with_timezone(&Utc))
}

/// The start and the end (exclusive) of a local day.
#[must_use]
pub fn day_bounds(zone: Tz, date: NaiveDate) -> (DateTime<Utc>, DateTime<Utc>) {
    (day_start(zone, date), day_start(zone, next_day(date)))
}

/// The local date at an instant.
#[must_use]
pub fn local_date(zone: Tz, at: DateTime<Utc>) -> NaiveDate {
    at.with_timezone(&zone).date_naive()
}

/// The day after; the last day of the calendar stays itself.
#[must_use]
pub fn next_day(date: NaiveDate) -> NaiveDate {
    date.checked_add_days(Days::new(1)).unwrap_or(date)
}

/// The day before; the first day of the calendar stays itself.
#[must_use]
pub fn previous_day(date: NaiveDate) -> NaiveDate {
    date.checked_sub_days(Days::new(1)).unwrap_or(date)
}

/// A calendar month, written `2026-01`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct Month(NaiveDate);

impl Month {
    /// The month a date lies in.
    #[must_use]
    pub fn of(date: NaiveDate) -> Self {
        Self(date.with_day(1).unwrap_or(date))
    }

    /// Parses `YYYY-MM`.
    ///
    /// # Errors
    /// A fault with an empty pointer for a month that does not exist.
    pub fn parse(text: &str) -> Result<Self, Faults> {
        let well_formed = text.len() == 7 && text.is_ascii();
        NaiveDate::parse_from_str(&format!("{text}-01"), "%Y-%m-%d")
            .ok()
            .filter(|_| well_formed)
            .map(Self)
            .ok_or_else(|| Faults::one("", "unknown_month", "give a month as YYYY-MM, such as 2026-01"))
    }

    /// Its first day.
    #[must_use]
    pub fn first_day(self) -> NaiveDate {
        self.0
    }

    /// Its last day.
    #[must_use]
    pub fn last_day(self) -> NaiveDate {
        self.next().0.pred_opt().unwrap_or(self.0)
    }

    /// The month after.
    #[must_use]
    pub fn next(self) -> Self {
        Self(self.0.checked_add_months(Months::new(1)).unwrap_or(self.0))
    }

    /// The month before.
    #[must_use]
    pub fn previous(self) -> Self {
        Self(self.0.checked_sub_months(Months::new(1)).unwrap_or(self.0))
    }

    /// The instants at which it begins and ends (exclusive) in `zone`.
    #[must_use]
    pub fn bounds(self, zone: Tz) -> (DateTime<Utc>, DateTime<Utc>) {
        (day_start(zone, self.0), day_start(zone, self.next().0))
    }
}

impl fmt::Display for Month {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0.format("%Y-%m"))
    }
}

impl From<Month> for String {
    fn from(month: Month) -> Self {
        month.to_string()
    }
}

impl TryFrom<String> for Month {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        Self::parse(&text).map_err(|_faults| format!("{text} is not a month written YYYY-MM"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IANA tz database, checked against the system's copy in the end-to-end tests.
    #[test]
    fn local_days_have_the_hours_their_zone_gives_them() {
        let hours = |zone: &str, date: &str| {
            let (start, end) = day_bounds(parse_zone(zone).unwrap(), date.parse().unwrap());
            (end - start).num_minutes() as f64 / 60.0
        };
        assert_eq!(hours("America/New_York", "2024-03-10"), 23.0);
        assert_eq!(hours("America/New_York", "2024-11-03"), 25.0);
        assert_eq!(hours("America/Phoenix", "2024-03-10"), 24.0);
        assert_eq!(hours("Europe/London", "2024-03-31"), 23.0);
        assert_eq!(hours("Australia/Lord_Howe", "2024-04-07"), 24.5);
        assert_eq!(hours("America/Sao_Paulo", "2018-11-04"), 23.0, "midnight itself is skipped");
    }

    #[test]
    fn months_parse_print_and_follow_each_other() {
        let month = Month::parse("2026-12").unwrap();
        assert_eq!(month.next().to_string(), "2027-01");
        assert_eq!(month.next().previous(), month);
        for text in ["2026-13", "2026-00", "2026-1", "26-01", "2026-01-01", "", "2026-0１"] {
            assert!(Month::parse(text).is_err(), "{text}");
        }
    }
}
