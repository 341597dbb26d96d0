//! When the next reading of a meter that people read is due.
//!
//! A reading near a month's end serves that month's report best: nothing of it has to be divided
//! between two months. So a meter read about monthly or more seldom is due at a month's end, the
//! one nearest to its interval; a meter read more often is due when its interval has passed.

use crate::zone::Month;
use chrono::{Days, NaiveDate};

/// Days around a month's last day within which a reading serves that month (common practice, no
/// source).
pub const SERVES_DAYS: u64 = 3;
/// Days before a due date at which its reading is listed as due (common practice, no source).
pub const LEAD_DAYS: u64 = 7;
/// The interval of a dial for which none is agreed, in days: read about once a month.
const MONTHLY_DAYS: u64 = 30;
/// Intervals from this on follow the months' ends, in days.
const BY_MONTH_FROM_DAYS: u64 = 20;
/// Longest interval that is looked ahead, in days.
const LONGEST_DAYS: u64 = 366;

/// When a reading is due, and whether it is late.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Due {
    /// The local day by whose end it is due.
    pub on: NaiveDate,
    /// The first local day on which it was late; none while it is not.
    pub late_since: Option<NaiveDate>,
}

impl Due {
    /// Whether it is due, or will be within [`LEAD_DAYS`] of `today`.
    #[must_use]
    pub fn is_near(self, today: NaiveDate) -> bool {
        self.on <= plus(today, LEAD_DAYS)
    }
}

/// When the reading after that of the local day `last` is due, of a meter read every `every_h`
/// hours, as of the local day `today`. Without an agreed interval a meter is read about once a
/// month. A meter never read is held against the day since which it is there.
#[must_use]
pub fn due(last: NaiveDate, every_h: Option<f64>, today: NaiveDate) -> Due {
    let every = interval_days(every_h);
    let (on, patience) = if every >= BY_MONTH_FROM_DAYS {
        (month_end_nearest(last, every), SERVES_DAYS)
    } else {
        (plus(last, every), every.div_ceil(4))
    };
    Due { on, late_since: (today > plus(on, patience)).then(|| plus(on, 1)) }
}

/// What is due of a month before its report is made: nothing when the meter was read near the
/// month's end or after it.
#[must_use]
pub fn missing(last: Option<NaiveDate>, month: Month, today: NaiveDate) -> Option<Due> {
    let end = month.last_day();
    let read = last.is_some_and(|last| plus(last, SERVES_DAYS) >= end);
    let late = today > plus(end, SERVES_DAYS);
    (!read).then(|| Due { on: end, late_since: late.then(|| plus(end, 1)) })
}

/// The end of a month nearest to `every` days after `last`, and the earlier of two equally near;
/// but none within a third of the interval after `last`, so that nobody is asked again at once.
fn month_end_nearest(last: NaiveDate, every: u64) -> NaiveDate {
    let (nominal, earliest) = (plus(last, every), plus(last, every / 3));
    let first = Month::of(last);
    let ends = std::iter::successors(Some(first), |month| Some(month.next())).map(Month::last_day);
    let open = ends.skip_while(|end| *end < earliest || *end <= last);
    let near = open.take_while(|end| *end <= plus(nominal, 32));
    near.min_by_key(|end| (*end - nominal).num_days().abs()).unwrap_or(nominal)
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "bounded by the clamp")]
fn interval_days(every_h: Option<f64>) -> u64 {
    const DAY_H: f64 = 24.0;
    every_h
        .filter(|h| h.is_finite())
        .map_or(MONTHLY_DAYS, |h| (h / DAY_H).ceil().clamp(1.0, LONGEST_DAYS as f64) as u64)
}

fn plus(date: NaiveDate, days: u64) -> NaiveDate {
    date.checked_add_days(Days::new(days)).unwrap_or(date)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    const MONTHLY: Option<f64> = Some(720.0);

    #[test]
    fn a_monthly_dial_is_due_at_a_months_end() {
        for (last, on) in [
            ("2026-01-31", "2026-02-28"),
            ("2026-01-29", "2026-02-28"),
            ("2026-02-02", "2026-02-28"),
            ("2026-01-25", "2026-02-28"),
            ("2026-01-15", "2026-01-31"),
            ("2024-01-31", "2024-02-29"),
            ("2026-12-31", "2027-01-31"),
        ] {
            assert_eq!(due(date(last), MONTHLY, date(last)).on, date(on), "read on {last}");
            assert_eq!(due(date(last), None, date(last)).on, date(on), "without an interval, read on {last}");
        }
    }

    #[test]
    fn other_intervals_are_kept() {
        assert_eq!(due(date("2026-01-20"), Some(24.0 * 91.0), date("2026-01-20")).on, date("2026-04-30"));
        assert_eq!(due(date("2026-01-20"), Some(168.0), date("2026-01-20")).on, date("2026-01-27"));
        assert_eq!(due(date("2026-01-20"), Some(1.0), date("2026-01-20")).on, date("2026-01-21"));
    }

    #[test]
    fn a_reading_is_late_once_it_no_longer_serves_its_month() {
        let at = |today| due(date("2026-01-31"), MONTHLY, date(today));
        assert!(!at("2026-02-20").is_near(date("2026-02-20")));
        assert!(at("2026-02-21").is_near(date("2026-02-21")));
        assert_eq!(at("2026-03-03").late_since, None);
        assert_eq!(at("2026-03-04").late_since, Some(date("2026-03-01")));
        let weekly = |today| due(date("2026-01-20"), Some(168.0), date(today)).late_since;
        assert_eq!((weekly("2026-01-29"), weekly("2026-01-30")), (None, Some(date("2026-01-28"))));
    }

    #[test]
    fn a_month_misses_what_was_not_read_near_its_end() {
        let january = Month::parse("2026-01").unwrap();
        let of = |last: Option<&str>| missing(last.map(date), january, date("2026-02-02"));
        assert_eq!((of(Some("2026-01-28")), of(Some("2026-02-01"))), (None, None));
        assert_eq!(of(Some("2026-01-27")), Some(Due { on: date("2026-01-31"), late_since: None }));
        assert_eq!(of(None), Some(Due { on: date("2026-01-31"), late_since: None }));
        let late = missing(None, january, date("2026-02-04")).unwrap();
        assert_eq!(late.late_since, Some(date("2026-02-01")));
    }

    proptest! {
        /// The due date lies after the reading and within a fortnight and two days of the interval.
        #[test]
        fn a_due_date_keeps_near_the_interval(offset in 0_u64..4000, every in 1_u64..400) {
            let last = plus(date("2020-01-01"), offset);
            #[expect(clippy::cast_precision_loss, reason = "a few hundred days")]
            let on = due(last, Some(every as f64 * 24.0), last).on;
            let nominal = plus(last, every.min(LONGEST_DAYS));
            prop_assert!(on > last);
            prop_assert!((on - nominal).num_days().abs() <= 16, "{last} every {every}: {on}");
            prop_assert!(every < BY_MONTH_FROM_DAYS || Month::of(on).last_day() == on);
        }

        /// Reading later never makes the next reading due earlier.
        #[test]
        fn a_later_reading_is_never_due_earlier(offset in 0_u64..4000, later in 0_u64..60, every in 1_u64..400) {
            let last = plus(date("2020-01-01"), offset);
            #[expect(clippy::cast_precision_loss, reason = "a few hundred days")]
            let on = |last| due(last, Some(every as f64 * 24.0), last).on;
            prop_assert!(on(plus(last, later)) >= on(last));
        }
    }
}
