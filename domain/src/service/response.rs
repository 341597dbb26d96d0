//! By when an answer was promised: hours that run while the office is open, in the season, on no
//! holiday, by the clock of the site.

use super::ROWS_MAX;
use crate::fault::Faults;
use crate::named::named;
use crate::zone::{day_bounds, local_date, local_instant, next_day};
use chrono::{DateTime, Datelike, Duration, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

named! {
    /// A day of the week.
    Weekday as "weekday" {
        /// Monday.
        Monday = "monday",
        /// Tuesday.
        Tuesday = "tuesday",
        /// Wednesday.
        Wednesday = "wednesday",
        /// Thursday.
        Thursday = "thursday",
        /// Friday.
        Friday = "friday",
        /// Saturday.
        Saturday = "saturday",
        /// Sunday.
        Sunday = "sunday",
    }
}

impl Weekday {
    fn of(date: NaiveDate) -> Self {
        match date.weekday() {
            chrono::Weekday::Mon => Self::Monday,
            chrono::Weekday::Tue => Self::Tuesday,
            chrono::Weekday::Wed => Self::Wednesday,
            chrono::Weekday::Thu => Self::Thursday,
            chrono::Weekday::Fri => Self::Friday,
            chrono::Weekday::Sat => Self::Saturday,
            chrono::Weekday::Sun => Self::Sunday,
        }
    }
}

/// When the office is open, by the clock of the site.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OfficeHours {
    /// On these days of the week.
    pub weekdays: Vec<Weekday>,
    /// From this time.
    pub opens: NaiveTime,
    /// To this time of the same day.
    pub closes: NaiveTime,
}

/// A promised response.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Response {
    /// Within so many minutes that count.
    pub within_min: u32,
    /// Minutes count while the office is open; left out: day and night.
    #[serde(default)]
    pub office: Option<OfficeHours>,
    /// Local days on which no minute counts.
    #[serde(default)]
    pub holidays: Vec<NaiveDate>,
}

/// Longest response taken: four weeks.
const WITHIN_MIN_MAX: f64 = 40_320.0;
/// Days looked ahead: a response that long is no promise.
const DAYS_AHEAD: usize = 800;

impl Response {
    /// The record.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/within_min", f64::from(self.within_min), 1.0, WITHIN_MIN_MAX);
        if let Some(office) = &self.office {
            if office.weekdays.is_empty() {
                faults.add("/office/weekdays", "required", "give the days of the week on which the office is open");
            }
            if office.closes <= office.opens {
                faults.add("/office/closes", "not_after_opens", "give a time after the office opens, on the same day");
            }
        }
        if self.holidays.len() > 10 * ROWS_MAX {
            faults.add("/holidays", "too_many", format!("give at most {}", 10 * ROWS_MAX));
        }
        faults.or(self)
    }

    /// The instant by which an answer is promised to a call at `called`: `within_min` minutes that
    /// count after it. `season` holds the months, 1 to 12, in which minutes count; empty: all.
    /// `None` where no such instant comes within two years.
    #[must_use]
    pub fn promised_by(&self, called: DateTime<Utc>, zone: Tz, season: &[u8]) -> Option<DateTime<Utc>> {
        let mut left = Duration::minutes(i64::from(self.within_min));
        let days = std::iter::successors(Some(local_date(zone, called)), |day| Some(next_day(*day)));
        for day in days.take(DAYS_AHEAD) {
            let Some((opens, closes)) = self.counts_on(day, zone, season) else { continue };
            let open = closes - opens.max(called);
            if open >= left {
                return Some(opens.max(called) + left);
            }
            left -= open.max(Duration::zero());
        }
        None
    }

    /// The instants between which minutes count on a local day, if any do.
    fn counts_on(&self, day: NaiveDate, zone: Tz, season: &[u8]) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
        let in_season = season.is_empty() || season.iter().any(|month| u32::from(*month) == day.month());
        if !in_season || self.holidays.contains(&day) {
            return None;
        }
        match &self.office {
            None => Some(day_bounds(zone, day)),
            Some(office) => office
                .weekdays
                .contains(&Weekday::of(day))
                .then(|| (local_instant(zone, day, office.opens), local_instant(zone, day, office.closes))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono_tz::{America, Europe};

    fn office(within_min: u32) -> Response {
        let time = |text: &str| text.parse().unwrap();
        Response {
            within_min,
            office: Some(OfficeHours {
                weekdays: Weekday::ALL.iter().copied().take(5).collect(),
                opens: time("08:00:00"),
                closes: time("16:00:00"),
            }),
            holidays: vec!["2026-05-01".parse().unwrap()],
        }
    }

    fn by(response: &Response, zone: Tz, called: &str, season: &[u8]) -> Option<String> {
        let called = DateTime::parse_from_rfc3339(called).unwrap().to_utc();
        response.promised_by(called, zone, season).map(|at| at.with_timezone(&zone).to_rfc3339())
    }

    fn is(text: &str) -> Option<String> {
        Some(text.to_owned())
    }

    /// Dates by the calendar of 2026: 27 March is a Friday, 1 May a Friday.
    #[test]
    fn office_hours_stand_still_over_nights_weekends_and_holidays() {
        let vienna = Europe::Vienna;
        let four = office(240);
        assert_eq!(by(&four, vienna, "2026-03-25T09:00:00+01:00", &[]), is("2026-03-25T13:00:00+01:00"));
        assert_eq!(
            by(&four, vienna, "2026-03-25T12:00:00+01:00", &[]),
            is("2026-03-25T16:00:00+01:00"),
            "to the minute"
        );
        assert_eq!(by(&four, vienna, "2026-03-25T14:00:00+01:00", &[]), is("2026-03-26T10:00:00+01:00"));
        assert_eq!(
            by(&four, vienna, "2026-03-25T05:00:00+01:00", &[]),
            is("2026-03-25T12:00:00+01:00"),
            "before it opens"
        );
        assert_eq!(
            by(&four, vienna, "2026-04-30T15:00:00+02:00", &[]),
            is("2026-05-04T11:00:00+02:00"),
            "a long weekend"
        );
    }

    /// Clocks in Vienna went forward on Sunday, 29 March 2026 (IANA tzdata), in New York back on
    /// Sunday, 1 November 2026.
    #[test]
    fn the_clock_of_the_site_decides_when_it_changes() {
        assert_eq!(
            by(&office(240), Europe::Vienna, "2026-03-27T15:00:00+01:00", &[]),
            is("2026-03-30T11:00:00+02:00"),
            "an hour on Friday, three on Monday"
        );
        let always = Response { within_min: 240, office: None, holidays: vec![] };
        assert_eq!(by(&always, Europe::Vienna, "2026-03-28T23:30:00+01:00", &[]), is("2026-03-29T04:30:00+02:00"));
        assert_eq!(by(&always, America::New_York, "2026-10-31T23:30:00-04:00", &[]), is("2026-11-01T02:30:00-05:00"));
    }

    #[test]
    fn minutes_count_in_the_season_only() {
        let summer = [4, 5, 6, 7, 8, 9];
        assert_eq!(
            by(&office(60), Europe::Vienna, "2026-01-12T09:00:00+01:00", &summer),
            is("2026-04-01T09:00:00+02:00"),
            "the first hour of the season"
        );
        assert_eq!(
            by(&office(60), Europe::Vienna, "2026-09-30T15:30:00+02:00", &summer),
            is("2027-04-01T08:30:00+02:00")
        );
        assert_eq!(
            by(&office(60), Europe::Vienna, "2026-01-12T09:00:00+01:00", &[13]),
            None,
            "no month of that number"
        );
    }

    #[test]
    fn what_can_not_be_is_named() {
        let mut wrong = office(0);
        wrong.office = wrong.office.map(|hours| OfficeHours { weekdays: vec![], closes: hours.opens, ..hours });
        let pointers: Vec<_> = wrong.checked().unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(pointers, ["/within_min", "/office/weekdays", "/office/closes"]);
    }
}
