//! How a step is spread over the time between its readings.

use crate::fault::Faults;
use crate::measures::days::Days;
use crate::measures::working_days::Hours;
use crate::named::named;
use crate::zone;
use chrono::{DateTime, Datelike, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;
use serde::Serialize;

/// The rule by which a step that crosses a bound is divided.
#[derive(Debug, Clone, Copy, Default)]
pub enum Spread<'a> {
    /// Evenly over elapsed time.
    #[default]
    Even,
    /// Evenly over the site's working hours; over elapsed time when none lie in the step, or it
    /// reaches into days of which nobody said when the site works.
    Calendar(&'a WorkingCalendar),
    /// As the pulses of the same meter came, given by the pieces of their own fold, which
    /// was cut at the readings of the dial; over elapsed time where pulses are missing.
    Pulses(&'a [DayPiece]),
}

/// What passed in a local day, or in the part of it between two cuts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayPiece {
    /// Where it begins, in seconds since 1970.
    pub from_s: i64,
    /// Where it ends.
    pub to_s: i64,
    /// What passed, in the inside unit (L, kWh, h, events).
    pub amount: f64,
    /// Seconds within accepted steps.
    pub covered_s: i32,
}

named! {
    /// By what a step was divided.
    SpreadBy as "spread" {
        /// By elapsed seconds.
        ElapsedTime = "elapsed_time",
        /// By working seconds of the site.
        WorkingCalendar = "working_calendar",
        /// By what the pulses counted, in the inside unit.
        Pulses = "pulses",
    }
}

/// The part of an accepted step that fell into one local day: `amount` is the step's times
/// `weight` over `of`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct StepPart {
    /// The local day.
    pub date: NaiveDate,
    /// Where it begins.
    pub from: DateTime<Utc>,
    /// Where it ends.
    pub to: DateTime<Utc>,
    /// By what the step was divided.
    pub by: SpreadBy,
    /// The weight of this part: seconds, or what the pulses counted in it; 1 where the step has
    /// no length.
    pub weight: f64,
    /// The weight of the whole step.
    pub of: f64,
    /// What passed, in the inside unit (L, kWh, h, events).
    pub amount: f64,
}

impl StepPart {
    /// A step that lies within one day.
    pub(super) fn whole(date: NaiveDate, (from, to): (i64, i64), amount: f64) -> Self {
        let weight = if to > from { lasting(from, to) } else { 1.0 };
        Self { date, from: at(from), to: at(to), by: SpreadBy::ElapsedTime, weight, of: weight, amount }
    }
}

fn at(second: i64) -> DateTime<Utc> {
    // Seconds come from valid instants, so the way back cannot fail.
    DateTime::from_timestamp(second, 0).unwrap_or_default()
}

/// Pulses that cover less of a step than this say nothing about its spread.
const LEAST_PULSE_COVERAGE: f64 = 0.95;

/// The hours in which a site works: for some days each, one stretch of the local clock for each
/// weekday, less single days on which it is closed.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct WorkingCalendar(Vec<Week>);

/// A pattern and the days for which it holds.
#[derive(Debug, Clone, PartialEq)]
struct Week {
    /// `None`: always.
    days: Option<Days>,
    /// Monday first; `None` on a day off.
    hours: [Option<(NaiveTime, NaiveTime)>; 7],
    /// In order.
    closed: Vec<NaiveDate>,
}

/// A pattern of a working calendar as it is shown.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WorkingWeek {
    /// The first day for which it holds; null where it always did.
    pub from: Option<NaiveDate>,
    /// The day after the last; null while it holds.
    pub to: Option<NaiveDate>,
    /// Monday first, on the local clock; null on a day off.
    pub hours: [Option<Hours>; 7],
    /// Single days on which the site is closed.
    pub closed: Vec<NaiveDate>,
}

impl WorkingCalendar {
    /// Hours for each weekday, Monday first, and the days on which the site is closed.
    ///
    /// # Errors
    /// A fault at `/hours/n` for a day that ends before it begins, and at `/hours` when no
    /// day has hours.
    pub fn parse(hours: [Option<(NaiveTime, NaiveTime)>; 7], mut closed: Vec<NaiveDate>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        for (place, day) in hours.iter().enumerate() {
            if day.is_some_and(|(opens, closes)| closes <= opens) {
                faults.add(format!("/hours/{place}"), "ends_before_it_begins", "give a closing time after the opening");
            }
        }
        if hours.iter().all(Option::is_none) {
            faults.add("/hours", "no_working_day", "give hours for at least one weekday");
        }
        closed.sort_unstable();
        faults.or(Self(vec![Week { days: None, hours, closed }]))
    }

    /// Calendars one after another, each for its days.
    #[must_use]
    pub fn following(parts: Vec<(Days, Self)>) -> Self {
        let within = |(days, Self(weeks)): (Days, Self)| {
            weeks.into_iter().map(move |week| Week { days: Some(days), ..week }).collect::<Vec<_>>()
        };
        Self(parts.into_iter().flat_map(within).collect())
    }

    /// Days from `from` on and before `to` on which the site works; `None` where nobody said so
    /// of one of them.
    #[must_use]
    pub fn working_days(&self, from: NaiveDate, to: NaiveDate) -> Option<u32> {
        let dates = from.iter_days().take_while(|date| *date < to);
        let works = dates.map(|date| Some(u32::from(self.week(date)?.hours_on(date).is_some())));
        works.sum()
    }

    /// Its patterns as they are shown, in order.
    #[must_use]
    pub fn weeks(&self) -> Vec<WorkingWeek> {
        let shown = |week: &Week| WorkingWeek {
            from: week.days.map(Days::from),
            to: week.days.and_then(Days::to),
            hours: week.hours.map(|day| day.map(|(opens, closes)| Hours { opens, closes })),
            closed: week.closed.clone(),
        };
        self.0.iter().map(shown).collect()
    }

    /// Whether the site was closed all the time between two instants; not where nobody said when it works.
    #[must_use]
    pub fn rests(&self, zone: Tz, from: DateTime<Utc>, to: DateTime<Utc>) -> bool {
        let (from, to) = (from.timestamp(), to.timestamp());
        self.covers(zone, from, to) && self.seconds(zone, from, to) == 0
    }

    fn week(&self, date: NaiveDate) -> Option<&Week> {
        self.0.iter().find(|week| week.days.is_none_or(|days| days.contains(date)))
    }

    /// Whether somebody said when the site works, of every day between two instants.
    fn covers(&self, zone: Tz, from: i64, to: i64) -> bool {
        let bounds = DateTime::from_timestamp(from, 0).zip(DateTime::from_timestamp(to - 1, 0));
        bounds.is_some_and(|(begins, ends)| {
            let last = zone::local_date(zone, ends);
            let mut dates = zone::local_date(zone, begins).iter_days().take_while(|date| *date <= last);
            dates.all(|date| self.week(date).is_some())
        })
    }

    /// Working seconds between two instants, in seconds since 1970.
    fn seconds(&self, zone: Tz, from: i64, to: i64) -> i64 {
        let (Some(begins), Some(ends)) = (DateTime::from_timestamp(from, 0), DateTime::from_timestamp(to, 0)) else {
            return 0;
        };
        let last = zone::local_date(zone, ends);
        zone::local_date(zone, begins)
            .iter_days()
            .take_while(|date| *date <= last)
            .filter_map(|date| self.stretch(zone, date))
            .map(|(opens, closes)| (closes.timestamp().min(to) - opens.timestamp().max(from)).max(0))
            .sum()
    }

    /// The instants between which the site works on a date.
    pub(crate) fn stretch(&self, zone: Tz, date: NaiveDate) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
        let (opens, closes) = self.week(date)?.hours_on(date)?;
        Some((zone::local_instant(zone, date, opens), zone::local_instant(zone, date, closes)))
    }
}

impl Week {
    fn hours_on(&self, date: NaiveDate) -> Option<(NaiveTime, NaiveTime)> {
        let weekday = usize::try_from(date.weekday().num_days_from_monday()).ok()?;
        let hours = (*self.hours.get(weekday)?)?;
        self.closed.binary_search(&date).is_err().then_some(hours)
    }
}

/// The weights by which one step is divided.
pub(super) struct Weights<'a> {
    spread: Spread<'a>,
    zone: Tz,
    total: f64,
}

impl<'a> Weights<'a> {
    /// The weights for a step between two instants, in seconds since 1970.
    pub(super) fn of(spread: Spread<'a>, zone: Tz, from: i64, to: i64) -> Self {
        let usable = match spread {
            Spread::Even => false,
            Spread::Calendar(calendar) => calendar.covers(zone, from, to),
            Spread::Pulses(pieces) => {
                covered(pieces, from, to) >= LEAST_PULSE_COVERAGE * lasting(from, to)
                    && overlapping(pieces, from, to).iter().all(|piece| piece.amount >= 0.0)
            }
        };
        let rule = Self { spread: if usable { spread } else { Spread::Even }, zone, total: 1.0 };
        let total = rule.weight(from, to);
        if total > 0.0 {
            return Self { total, ..rule };
        }
        Self { spread: Spread::Even, zone, total: lasting(from, to) }
    }

    /// Whether the division was measured and not assumed.
    pub(super) fn measured(&self) -> bool {
        matches!(self.spread, Spread::Pulses(_))
    }

    /// The part of a step of so much that lies between two instants within it, with its weights.
    pub(super) fn part(&self, date: NaiveDate, (from, to): (i64, i64), amount: f64) -> StepPart {
        let by = match self.spread {
            Spread::Even => SpreadBy::ElapsedTime,
            Spread::Calendar(_) => SpreadBy::WorkingCalendar,
            Spread::Pulses(_) => SpreadBy::Pulses,
        };
        let weight = self.weight(from, to);
        StepPart { date, from: at(from), to: at(to), by, weight, of: self.total, amount: amount * self.share(from, to) }
    }

    /// The part of the step, 0 to 1, that lies between two instants within it.
    pub(super) fn share(&self, from: i64, to: i64) -> f64 {
        self.weight(from, to) / self.total
    }

    #[expect(clippy::cast_precision_loss, reason = "seconds of a step stay far below 2^52")]
    fn weight(&self, from: i64, to: i64) -> f64 {
        match self.spread {
            Spread::Even => lasting(from, to),
            Spread::Calendar(calendar) => calendar.seconds(self.zone, from, to) as f64,
            Spread::Pulses(pieces) => overlapping(pieces, from, to)
                .iter()
                .filter(|piece| piece.to_s > piece.from_s)
                .map(|piece| {
                    let part = lasting(piece.from_s.max(from), piece.to_s.min(to));
                    piece.amount * part / lasting(piece.from_s, piece.to_s)
                })
                .sum(),
        }
    }
}

/// The pieces that share time with the stretch between two instants.
fn overlapping(pieces: &[DayPiece], from: i64, to: i64) -> &[DayPiece] {
    let first = pieces.partition_point(|piece| piece.to_s <= from);
    let end = pieces.partition_point(|piece| piece.from_s < to);
    pieces.get(first..end).unwrap_or_default()
}

fn covered(pieces: &[DayPiece], from: i64, to: i64) -> f64 {
    overlapping(pieces, from, to).iter().map(|piece| f64::from(piece.covered_s)).sum()
}

#[expect(clippy::cast_precision_loss, reason = "seconds of a step stay far below 2^52")]
fn lasting(from: i64, to: i64) -> f64 {
    (to - from) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn weekdays(opens: u32, closes: u32) -> WorkingCalendar {
        let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap();
        let day = Some((at(opens), at(closes)));
        let christmas = vec!["2025-12-25".parse().unwrap()];
        WorkingCalendar::parse([day, day, day, day, day, None, None], christmas).unwrap()
    }

    fn day(zone: Tz, date: &str) -> (i64, i64) {
        let (from, to) = zone::day_bounds(zone, date.parse().unwrap());
        (from.timestamp(), to.timestamp())
    }

    #[test]
    fn counts_working_hours_on_the_local_clock() {
        let zone = Tz::America__New_York;
        let hours = |from: &str, to: &str| weekdays(1, 9).seconds(zone, day(zone, from).0, day(zone, to).1) / 3600;
        assert_eq!(hours("2025-12-22", "2025-12-28"), 4 * 8, "a week with a closed Thursday");
        assert_eq!(hours("2026-03-08", "2026-03-08"), 0, "a Sunday");
        let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap();
        let every_day = WorkingCalendar::parse([Some((at(1), at(9))); 7], vec![]).unwrap();
        let (from, to) = day(zone, "2026-03-08");
        assert_eq!(every_day.seconds(zone, from, to) / 3600, 7, "two o'clock is skipped");
        let (from, to) = day(zone, "2026-11-01");
        assert_eq!(every_day.seconds(zone, from, to) / 3600, 9, "one o'clock comes twice");
    }

    #[test]
    fn refuses_hours_that_end_before_they_begin() {
        let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap();
        let faults = WorkingCalendar::parse([Some((at(9), at(8))), None, None, None, None, None, None], vec![]);
        assert_eq!(faults.unwrap_err().0[0].pointer, "/hours/0");
        assert_eq!(WorkingCalendar::parse([None; 7], vec![]).unwrap_err().0[0].code, "no_working_day");
    }

    /// Counted on a calendar: 22 to 28 December 2025 are a week whose Thursday is closed, and the
    /// pattern before it had no Monday.
    #[test]
    fn patterns_follow_one_another() {
        let date = |text: &str| text.parse::<NaiveDate>().unwrap();
        let days = |from: &str, to: Option<&str>| Days::parse(date(from), to.map(date)).unwrap();
        let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap();
        let late = Some((at(7), at(15)));
        let without_monday = WorkingCalendar::parse([None, late, late, late, late, None, None], vec![]).unwrap();
        let calendar = WorkingCalendar::following(vec![
            (days("2025-12-01", Some("2025-12-22")), without_monday),
            (days("2025-12-22", None), weekdays(1, 9)),
        ]);
        let worked = |from: &str, to: &str| calendar.working_days(date(from), date(to));
        assert_eq!((worked("2025-12-15", "2025-12-22"), worked("2025-12-22", "2025-12-29")), (Some(4), Some(4)));
        assert_eq!(worked("2025-11-30", "2025-12-02"), None, "nobody said so of the first day");
        let second = |text: &str| day(Tz::UTC, text).0;
        let share = |from: &str| Weights::of(Spread::Calendar(&calendar), Tz::UTC, second(from), second("2025-12-29"));
        assert_eq!(share("2025-12-22").share(second("2025-12-22"), second("2025-12-23")), 0.25);
        let half = share("2025-11-29").share(second("2025-11-29"), second("2025-12-14"));
        assert_eq!(half, 0.5, "thirty days, the first of which nobody knows");
    }

    #[test]
    fn pulses_that_miss_part_of_the_time_say_nothing() {
        let piece = |n: i64, amount, covered_s| DayPiece { from_s: n * 100, to_s: n * 100 + 100, amount, covered_s };
        let whole = [piece(0, 3.0, 100), piece(1, 1.0, 100)];
        let weights = Weights::of(Spread::Pulses(&whole), Tz::UTC, 0, 200);
        assert!(weights.measured());
        assert_eq!((weights.share(0, 100), weights.share(100, 200), weights.share(0, 50)), (0.75, 0.25, 0.375));
        for pieces in [[piece(0, 3.0, 100), piece(1, 1.0, 50)], [piece(0, 0.0, 100), piece(1, 0.0, 100)]] {
            let weights = Weights::of(Spread::Pulses(&pieces), Tz::UTC, 0, 200);
            assert!(!weights.measured());
            assert_eq!(weights.share(0, 50), 0.25);
        }
    }
}
