//! A stretch of a site's local days: `[from, to)`.

use crate::fault::Faults;
use crate::span::{self, Span};
use crate::zone::{day_start, next_day};
use chrono::NaiveDate;
use chrono_tz::Tz;

/// Local days, the end excluded; without an end they go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Days {
    from: NaiveDate,
    to: Option<NaiveDate>,
}

impl Days {
    /// The stretch.
    ///
    /// # Errors
    /// Faults at `/from` and `/to`.
    pub fn parse(from: NaiveDate, to: Option<NaiveDate>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        span::date(&mut faults, "/from", from);
        if let Some(to) = to {
            span::date(&mut faults, "/to", to);
            if to <= from {
                faults.add("/to", "not_after_from", "give a day after the first; it is not counted itself");
            }
        }
        faults.or(Self { from, to })
    }

    /// From a day on.
    #[must_use]
    pub fn since(from: NaiveDate) -> Self {
        Self { from, to: None }
    }

    /// One day.
    #[must_use]
    pub fn of(day: NaiveDate) -> Self {
        Self { from: day, to: Some(next_day(day)) }
    }

    /// Its first day.
    #[must_use]
    pub fn from(self) -> NaiveDate {
        self.from
    }

    /// The day after its last; `None` while it goes on.
    #[must_use]
    pub fn to(self) -> Option<NaiveDate> {
        self.to
    }

    /// Whether a local day is one of them.
    #[must_use]
    pub fn contains(self, day: NaiveDate) -> bool {
        self.from <= day && self.to.is_none_or(|to| day < to)
    }

    /// The time it takes in `zone`.
    #[must_use]
    pub fn span(self, zone: Tz) -> Span {
        Span::between(day_start(zone, self.from), self.to.map(|to| day_start(zone, to)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn they_end_after_they_begin() {
        let codes = |to: &str| match Days::parse(date("2026-03-01"), Some(date(to))) {
            Ok(_) => Vec::new(),
            Err(faults) => faults.0.into_iter().map(|fault| fault.code).collect(),
        };
        assert_eq!(codes("2026-03-02"), Vec::<&str>::new());
        assert_eq!(codes("2026-03-01"), ["not_after_from"]);
        assert_eq!(codes("2101-01-01"), ["out_of_range"]);
    }

    #[test]
    fn their_last_day_is_the_one_before_they_end() {
        let days = Days::parse(date("2026-03-01"), Some(date("2026-03-03"))).unwrap();
        let has = ["2026-02-28", "2026-03-01", "2026-03-02", "2026-03-03"].map(|day| days.contains(date(day)));
        assert_eq!(has, [false, true, true, false]);
        assert!(Days::since(date("2026-03-01")).contains(date("2090-01-01")));
    }

    /// Clocks in Vienna went forward in the night to 29 March 2026 (IANA tzdata), so that day has
    /// 23 hours.
    #[test]
    fn they_begin_at_local_midnight() {
        let span = Days::parse(date("2026-03-29"), Some(date("2026-03-30"))).unwrap().span(chrono_tz::Europe::Vienna);
        let end = span.to().unwrap();
        assert_eq!(
            (span.from().to_rfc3339(), (end - span.from()).num_hours()),
            ("2026-03-28T23:00:00+00:00".into(), 23)
        );
    }
}
