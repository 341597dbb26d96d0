//! Days on which people work, and instants of a site's local clock.

use chrono::{DateTime, Datelike, NaiveDate, NaiveTime, TimeZone, Utc};
use chrono_tz::Tz;
use domain::zone;

/// Easter Sunday of a year of the Gregorian calendar, by the anonymous algorithm that
/// J. Meeus gives in "Astronomical Algorithms" (from memory; checked against known dates).
pub(crate) fn easter(year: i32) -> Option<NaiveDate> {
    let (golden, century, of_century) = (year % 19, year / 100, year % 100);
    let moved = (19 * golden + century - century / 4 - (century - (century + 8) / 25 + 1) / 3 + 15) % 30;
    let to_sunday = (32 + 2 * (century % 4) + 2 * (of_century / 4) - moved - of_century % 4) % 7;
    let late = (golden + 11 * moved + 22 * to_sunday) / 451;
    let days = moved + to_sunday - 7 * late + 114;
    NaiveDate::from_ymd_opt(year, u32::try_from(days / 31).ok()?, u32::try_from(days % 31 + 1).ok()?)
}

/// Whether `day` is the nth of its weekday (Monday 0) in `month`.
pub(crate) fn nth_weekday(day: NaiveDate, month: u32, weekday: u32, nth: u32) -> bool {
    day.month() == month && day.weekday().num_days_from_monday() == weekday && (day.day() - 1) / 7 + 1 == nth
}

/// The instant at which a site's clock shows `hour` on `day`; in a gap, when the day begins.
pub(crate) fn at_hour(zone: Tz, day: NaiveDate, hour: f64) -> DateTime<Utc> {
    let seconds = whole_seconds(hour * 3600.0).clamp(0, 86_399);
    let time = NaiveTime::from_num_seconds_from_midnight_opt(u32::try_from(seconds).unwrap_or(0), 0);
    let local = day.and_time(time.unwrap_or_default());
    zone.from_local_datetime(&local).earliest().map_or_else(|| zone::day_start(zone, day), |at| at.to_utc())
}

/// Seconds in whole ones, cut towards zero.
#[expect(clippy::cast_possible_truncation, reason = "spans of this scenario last years, not ages")]
pub(crate) fn whole_seconds(seconds: f64) -> i64 {
    seconds as i64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn easter_falls_where_it_fell() {
        // Known dates of Easter Sunday (from memory).
        for date in ["2000-04-23", "2008-03-23", "2011-04-24", "2024-03-31", "2025-04-20", "2026-04-05", "2038-04-25"] {
            let date: NaiveDate = date.parse().unwrap();
            assert_eq!(easter(date.year()), Some(date));
        }
    }

    #[test]
    fn clocks_are_the_sites_own() {
        let day = "2026-01-15".parse().unwrap();
        assert_eq!(at_hour(Tz::Australia__Adelaide, day, 8.5).to_rfc3339(), "2026-01-14T22:00:00+00:00");
        let skipped = "2026-03-08".parse().unwrap();
        assert_eq!(at_hour(Tz::America__Denver, skipped, 2.5).to_rfc3339(), "2026-03-08T07:00:00+00:00");
    }
}
