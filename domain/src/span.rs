//! A stretch of time with a beginning, and an end or none: `[from, to)`.

use crate::fault::Faults;
use chrono::{DateTime, Datelike, Duration, NaiveDate, SubsecRound, Utc};

/// Years that instants and dates may lie in: a unit older or planned further ahead is a slip.
const YEARS: std::ops::RangeInclusive<i32> = 1970..=2100;

/// An interval of time, its end excluded; without an end it goes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    from: DateTime<Utc>,
    to: Option<DateTime<Utc>>,
}

impl Span {
    /// As far back as instants are taken, and on.
    pub const EVER: Self = Self { from: DateTime::UNIX_EPOCH, to: None };

    /// The interval, in whole microseconds: what the database keeps.
    ///
    /// # Errors
    /// Faults at `/from` and `/to`.
    pub fn parse(from: DateTime<Utc>, to: Option<DateTime<Utc>>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        let from = instant(&mut faults, "/from", from);
        let to = to.map(|to| instant(&mut faults, "/to", to));
        if to.is_some_and(|to| to <= from) {
            faults.add("/to", "not_after_from", "give an end after the beginning, or leave it out");
        }
        faults.or(Self { from, to })
    }

    /// Just that instant, as the database keeps it.
    #[must_use]
    pub fn moment(at: DateTime<Utc>) -> Self {
        Self { from: at, to: Some(at + Duration::microseconds(1)) }
    }

    /// From one bound of a local day to a later one.
    pub(crate) fn between(from: DateTime<Utc>, to: Option<DateTime<Utc>>) -> Self {
        Self { from, to }
    }

    /// The same beginning with an end that has come by `now`.
    ///
    /// # Errors
    /// Faults at `/to`.
    pub fn ended_by(self, to: DateTime<Utc>, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        past(&mut faults, "/to", to, now);
        faults.and(Self::parse(self.from, Some(to)))
    }

    /// What is left of it when something else begins at `at`; `None` when that is not within.
    #[must_use]
    pub fn cut_at(self, at: DateTime<Utc>) -> Option<Self> {
        (self.from < at && self.contains(at)).then_some(Self { to: Some(at), ..self })
    }

    /// When it begins.
    #[must_use]
    pub fn from(self) -> DateTime<Utc> {
        self.from
    }

    /// When it ends, excluded; `None` while it goes on.
    #[must_use]
    pub fn to(self) -> Option<DateTime<Utc>> {
        self.to
    }

    /// The shortest one that both lie in.
    #[must_use]
    pub fn around(self, other: Self) -> Self {
        let to = self.to.zip(other.to).map(|(own, other)| own.max(other));
        Self { from: self.from.min(other.from), to }
    }

    /// The time that lies in both; `None` where they share none.
    #[must_use]
    pub fn within(self, other: Self) -> Option<Self> {
        let to = match (self.to, other.to) {
            (Some(own), Some(other)) => Some(own.min(other)),
            (own, other) => own.or(other),
        };
        let from = self.from.max(other.from);
        to.is_none_or(|to| to > from).then_some(Self { from, to })
    }

    /// How many seconds of it lie between two instants.
    pub(crate) fn seconds_between(self, from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
        let both = self.within(Self::between(from, Some(to)));
        both.and_then(|both| Some((both.to? - both.from).as_seconds_f64())).unwrap_or_default()
    }

    /// Whether any of it lies between two instants.
    pub(crate) fn meets(self, from: DateTime<Utc>, to: DateTime<Utc>) -> bool {
        self.from < to && self.to.is_none_or(|end| end > from)
    }

    /// Whether `at` lies in it.
    #[must_use]
    pub fn contains(self, at: DateTime<Utc>) -> bool {
        self.from <= at && self.to.is_none_or(|to| at < to)
    }

    /// The UTC days it touches, first and last; one that goes on or ends later is cut at
    /// `today`. `None` when it begins later than that.
    #[must_use]
    pub fn days_until(self, today: NaiveDate) -> Option<(NaiveDate, NaiveDate)> {
        let first = self.from.date_naive();
        let last = self.to.map_or(today, |to| to.date_naive().min(today));
        (first <= last).then_some((first, last))
    }
}

/// An instant within reason, in whole microseconds; a fault at `pointer` when it is not.
pub fn instant(faults: &mut Faults, pointer: &str, at: DateTime<Utc>) -> DateTime<Utc> {
    within_reason(faults, pointer, at.year());
    at.trunc_subsecs(6)
}

/// An instant within reason that has come by `now`; a fault at `pointer` when it has not.
pub fn happened(faults: &mut Faults, pointer: &str, at: DateTime<Utc>, now: DateTime<Utc>) -> DateTime<Utc> {
    past(faults, pointer, at, now);
    instant(faults, pointer, at)
}

/// Notes a fault at `pointer` when `at` has not come by `now`.
pub fn past(faults: &mut Faults, pointer: &str, at: DateTime<Utc>, now: DateTime<Utc>) {
    if at > now {
        faults.add(pointer, "future", "give the instant at which it happened");
    }
}

/// A date within reason; a fault at `pointer` when it is not.
pub fn date(faults: &mut Faults, pointer: &str, date: NaiveDate) -> NaiveDate {
    within_reason(faults, pointer, date.year());
    date
}

fn within_reason(faults: &mut Faults, pointer: &str, year: i32) {
    if !YEARS.contains(&year) {
        faults.add(pointer, "out_of_range", format!("give a time from {} to {}", YEARS.start(), YEARS.end()));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    /// By hand: of the hour from eight, the half before nine lies in an hour from half past eight. Times that
    /// only touch share nothing.
    #[test]
    fn what_lies_between_two_instants_is_shared() {
        let [eight, half_past, nine, ten] =
            ["08:00", "08:30", "09:00", "10:00"].map(|time| at(&format!("2026-03-01T{time}:00Z")));
        let hour = Span::parse(eight, Some(nine)).unwrap();
        assert_eq!((hour.seconds_between(half_past, ten), hour.meets(half_past, ten)), (1800.0, true));
        assert_eq!((hour.seconds_between(nine, ten), hour.meets(nine, ten)), (0.0, false));
        let open = Span::parse(half_past, None).unwrap();
        assert_eq!((open.seconds_between(eight, ten), open.meets(eight, half_past)), (5400.0, false));
    }

    #[test]
    fn ends_after_its_beginning_as_the_database_keeps_it() {
        let from = at("2026-03-01T08:00:00Z");
        assert!(Span::parse(from, None).is_ok());
        for (to, pointers) in [
            ("2026-03-01T08:00:00Z", vec!["/to"]),
            ("2026-03-01T08:00:00.0000004Z", vec!["/to"]),
            ("2026-02-01T00:00:00Z", vec!["/to"]),
            ("2101-01-01T00:00:00Z", vec!["/to"]),
            ("1969-12-31T23:00:00Z", vec!["/to", "/to"]),
        ] {
            let faults = Span::parse(from, Some(at(to))).unwrap_err();
            assert_eq!(faults.0.iter().map(|fault| fault.pointer.as_str()).collect::<Vec<_>>(), pointers, "{to}");
        }
    }

    #[test]
    fn its_days_are_cut_at_today() {
        let today = "2026-03-10".parse().unwrap();
        let days = |from: &str, to: Option<&str>| {
            let days = Span::parse(at(from), to.map(at)).unwrap().days_until(today)?;
            Some((days.0.to_string(), days.1.to_string()))
        };
        let pair = |first: &str, last: &str| Some((first.to_owned(), last.to_owned()));
        assert_eq!(days("2026-03-01T23:59:59Z", None), pair("2026-03-01", "2026-03-10"));
        assert_eq!(days("2026-03-01T00:00:00Z", Some("2026-03-04T12:00:00Z")), pair("2026-03-01", "2026-03-04"));
        assert_eq!(days("2026-03-01T00:00:00Z", Some("2027-03-04T12:00:00Z")), pair("2026-03-01", "2026-03-10"));
        assert_eq!(days("2026-03-11T00:00:00Z", None), None);
    }

    #[test]
    fn what_begins_within_cuts_it_short() {
        let span = Span::parse(at("2026-03-01T00:00:00Z"), None).unwrap();
        assert_eq!(span.cut_at(at("2026-03-05T00:00:00Z")).unwrap().to(), Some(at("2026-03-05T00:00:00Z")));
        assert_eq!(span.cut_at(span.from()), None);
        assert_eq!(span.cut_at(at("2026-02-05T00:00:00Z")), None);
    }

    #[test]
    fn two_share_the_time_that_lies_in_both() {
        let span = |from: &str, to: Option<&str>| Span::parse(at(from), to.map(at)).unwrap();
        let first = span("2026-03-01T00:00:00Z", Some("2026-03-05T00:00:00Z"));
        let open = span("2026-03-03T00:00:00Z", None);
        let both = span("2026-03-03T00:00:00Z", Some("2026-03-05T00:00:00Z"));
        assert_eq!((first.within(open), open.within(first)), (Some(both), Some(both)));
        assert_eq!(open.within(open), Some(open));
        assert_eq!(first.within(span("2026-03-05T00:00:00Z", None)), None, "its end is no part of it");
    }

    #[test]
    fn it_is_ended_after_its_beginning_and_not_ahead() {
        let now = at("2026-03-10T00:00:00Z");
        let span = Span::parse(at("2026-03-01T00:00:00Z"), None).unwrap();
        let codes = |to: &str| match span.ended_by(at(to), now) {
            Ok(_) => Vec::new(),
            Err(faults) => faults.0.into_iter().map(|fault| fault.code).collect(),
        };
        assert_eq!(codes("2026-03-10T00:00:00Z"), Vec::<&str>::new());
        assert_eq!(codes("2026-03-10T00:00:01Z"), ["future"]);
        assert_eq!(codes("2026-03-01T00:00:00Z"), ["not_after_from"]);
    }

    #[test]
    fn contains_its_beginning_and_not_its_end() {
        let span = Span::parse(at("2026-03-01T08:00:00Z"), Some(at("2026-03-02T08:00:00Z"))).unwrap();
        assert!(span.contains(span.from()));
        assert!(!span.contains(at("2026-03-02T08:00:00Z")));
        assert!(Span::parse(span.from(), None).unwrap().contains(at("2090-01-01T00:00:00Z")));
    }
}
