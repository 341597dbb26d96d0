//! Whether a meter is still read, and whether it still moves.

use super::days::DayShare;
use super::finding::{FindingKind, MeterFinding};
use super::stream::ReadBy;
use crate::zone::day_start;
use chrono::{DateTime, Duration, NaiveDate, Utc};
use chrono_tz::Tz;

/// How a meter stands against how, and how often, it is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReadState {
    /// Nobody reads it, or at no fixed interval.
    NotExpected,
    /// Read; the next reading is due then.
    Fresh {
        /// When the next one is due.
        due: DateTime<Utc>,
    },
    /// The next reading has been due since then, and is not yet missing.
    Due {
        /// When it fell due.
        since: DateTime<Utc>,
    },
    /// Readings are missing.
    Missing {
        /// When the first of them was due.
        since: DateTime<Utc>,
        /// How many have not come.
        missed: i64,
    },
}

impl ReadState {
    /// The finding, where readings are missing.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "a hundred years of minutes are exact")]
    pub fn finding(self) -> Option<MeterFinding> {
        let Self::Missing { since, missed } = self else { return None };
        Some(MeterFinding { kind: FindingKind::ReadingsMissing, since, size: missed as f64 })
    }
}

/// Intervals after which a logger's silence is no accident (common practice, no source).
const SILENT_INTERVALS: f64 = 3.0;
/// The same for people, who come when they can.
const HAND_INTERVALS: f64 = 1.25;

/// Judges the age of the last reading at `as_of`. A meter never read is held against the
/// instant since which it is watched.
#[must_use]
pub fn read_state(
    read_by: ReadBy,
    every_h: Option<f64>,
    last_or_watched: DateTime<Utc>,
    as_of: DateTime<Utc>,
) -> ReadState {
    let late_after = match read_by {
        ReadBy::Never => return ReadState::NotExpected,
        ReadBy::Telemetry => SILENT_INTERVALS,
        ReadBy::Technician | ReadBy::Customer => HAND_INTERVALS,
    };
    let Some(interval) = every_h.and_then(hours).filter(|interval| *interval > Duration::zero()) else {
        return ReadState::NotExpected;
    };
    let due = last_or_watched + interval;
    let missing_from = every_h.and_then(|h| hours(h * late_after)).map_or(due, |late| last_or_watched + late);
    if as_of <= due {
        ReadState::Fresh { due }
    } else if as_of <= missing_from {
        ReadState::Due { since: due }
    } else {
        let missed = (as_of - last_or_watched).num_seconds() / interval.num_seconds();
        ReadState::Missing { since: due, missed }
    }
}

/// A hundred years at most, so that adding it to a date cannot fail; whole seconds.
#[expect(clippy::cast_possible_truncation, reason = "bounded by the clamp")]
fn hours(hours: f64) -> Option<Duration> {
    const MOST_H: f64 = 876_600.0;
    hours.is_finite().then(|| Duration::seconds((hours.clamp(0.0, MOST_H) * 3600.0) as i64))
}

/// A meter that stands still though water passes elsewhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stuck {
    /// The first day on which it stood.
    pub since: NaiveDate,
    /// Days since then on which others moved.
    pub active_days: usize,
}

impl Stuck {
    /// The finding, at a site in that zone.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "days are few")]
    pub fn finding(self, zone: Tz) -> MeterFinding {
        let since = day_start(zone, self.since);
        MeterFinding { kind: FindingKind::Stuck, since, size: self.active_days as f64 }
    }
}

/// Active days below which standing still says nothing (common practice, no source).
const LEAST_ACTIVE_DAYS: usize = 3;
/// The same for a meter that has not moved at all yet.
const NEVER_MOVED_DAYS: usize = 14;
/// A day with less coverage says nothing, in seconds.
const WHOLE_DAY_S: i32 = 22 * 3600;

/// Whether the meter has stood still up to its last day: on more than twice as many active
/// days as it ever stood before. A day is active when others of the same unit moved, which
/// leaves out days off and spells in which nothing runs.
#[must_use]
pub fn stuck(days: &[DayShare], others_moved: impl Fn(NaiveDate) -> bool) -> Option<Stuck> {
    let (mut longest, mut run, mut moved) = (0_usize, 0_usize, false);
    let mut since = None;
    for day in days.iter().filter(|day| day.open_exceptions == 0) {
        if day.amount != 0.0 {
            (longest, run, moved, since) = (longest.max(run), 0, true, None);
        } else if day.covered_s >= WHOLE_DAY_S && others_moved(day.date) {
            run += 1;
            since = since.or(Some(day.date));
        }
    }
    let needed = if moved { LEAST_ACTIVE_DAYS.max(2 * longest + 1) } else { NEVER_MOVED_DAYS };
    since.filter(|_| run >= needed).map(|since| Stuck { since, active_days: run })
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::Datelike;

    fn at(text: &str) -> DateTime<Utc> {
        format!("{text}T00:00:00Z").parse().unwrap()
    }

    #[test]
    fn a_monthly_dial_is_due_before_it_is_missing() {
        let state = |as_of| read_state(ReadBy::Customer, Some(720.0), at("2026-01-01"), at(as_of));
        assert_eq!(state("2026-01-31"), ReadState::Fresh { due: at("2026-01-31") });
        assert_eq!(state("2026-02-05"), ReadState::Due { since: at("2026-01-31") });
        assert_eq!(state("2026-03-05"), ReadState::Missing { since: at("2026-01-31"), missed: 2 });
        let missing = MeterFinding { kind: FindingKind::ReadingsMissing, since: at("2026-01-31"), size: 2.0 };
        assert_eq!((state("2026-03-05").finding(), state("2026-02-05").finding()), (Some(missing), None));
    }

    #[test]
    fn a_logger_is_missing_after_three_intervals() {
        let last = at("2026-01-01");
        let state = |minutes| read_state(ReadBy::Telemetry, Some(1.0), last, last + Duration::minutes(minutes));
        assert!(matches!(state(179), ReadState::Due { .. }));
        assert_eq!(state(185), ReadState::Missing { since: last + Duration::hours(1), missed: 3 });
    }

    #[test]
    fn nothing_is_expected_of_a_meter_that_nobody_reads() {
        for (reader, every) in [(ReadBy::Never, None), (ReadBy::Technician, None), (ReadBy::Telemetry, Some(f64::NAN))]
        {
            assert_eq!(read_state(reader, every, at("2020-01-01"), at("2026-01-01")), ReadState::NotExpected);
        }
    }

    fn days(amounts: &[f64]) -> Vec<DayShare> {
        let dates = "2026-03-02".parse::<NaiveDate>().unwrap().iter_days();
        let day = |(date, &amount)| DayShare { amount, covered_s: 86_400, ..DayShare::empty(date) };
        dates.zip(amounts).map(day).collect()
    }

    #[test]
    fn a_meter_is_stuck_when_it_stands_longer_than_ever_while_others_move() {
        let workday = |date: NaiveDate| date.weekday().num_days_from_monday() < 5;
        // Monday to Sunday; the float valve rested on Wednesday and Thursday.
        let usual = [900.0, 800.0, 0.0, 0.0, 900.0, 0.0, 0.0];
        let then = |zeros: usize| days(&[&usual[..], &vec![0.0; zeros]].concat());
        assert_eq!(stuck(&then(4), workday), None, "Monday to Thursday is not yet twice as long");
        let found = stuck(&then(7), workday).unwrap();
        assert_eq!((found.since, found.active_days), ("2026-03-09".parse().unwrap(), 5));
        let begins = "2026-03-08T23:00:00Z".parse().unwrap();
        let finding = MeterFinding { kind: FindingKind::Stuck, since: begins, size: 5.0 };
        assert_eq!(found.finding(Tz::Europe__Vienna), finding);
        assert_eq!(stuck(&then(7), |_| false), None, "nothing else moved either");
    }

    #[test]
    fn a_meter_that_never_moved_is_stuck_after_two_weeks() {
        assert_eq!(stuck(&days(&[0.0; 13]), |_| true), None);
        assert_eq!(stuck(&days(&[0.0; 14]), |_| true).unwrap().active_days, 14);
    }
}
