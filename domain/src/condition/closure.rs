//! A fill valve that does not close, by readings of the make-up meter alone: twice while the site is closed,
//! where nothing reads it by the hour. Each closure is a balance of its own: what ran in, less what may
//! evaporate, against the fills that a float owes. A unit that is read on no closed day is not tested, and
//! readings that soon after work are not either: the pit still fills then.

use super::hours::{Idle, NOTHING, SETTLING_H};
use super::test::{Outcome, WhyNot};
use super::valve::balance;
use crate::metering::spread::WorkingCalendar;
use crate::zone::local_date;
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;

/// Shortest closure that tells: a float that passes little needs a day to owe more than a fill.
const HOURS_MIN: f64 = 24.0;
/// Longest one: beyond two weeks a site is laid up, and its float may be shut off.
const HOURS_MAX: f64 = 336.0;
/// Hours about a stretch in which another register read on the same round counts as read with it.
const ABOUT_H: i64 = 2;
/// Closures from which on those before tell what usually runs in.
const USUAL_FROM: usize = 8;

/// A reading of a register: when, and how many litres it stood at.
pub type Read = (DateTime<Utc>, f64);

/// A stretch between two readings in which a site was closed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Closure {
    /// The first reading in it.
    pub from: DateTime<Utc>,
    /// The last one.
    pub to: DateTime<Utc>,
    /// The local day of the first, the hours between and what ran in.
    pub idle: Idle,
}

/// The closed stretches from the first to the last reading of a make-up meter in each: no work between
/// them, and none in the settling time before. None where nobody said when the site works.
#[must_use]
pub fn closures(readings: &[Read], calendar: &WorkingCalendar, zone: Tz) -> Vec<Closure> {
    let settling = TimeDelta::hours(i64::try_from(SETTLING_H).unwrap_or(0));
    let settled = |read: &Read| read.0.checked_sub_signed(settling).is_some_and(|at| calendar.rests(zone, at, read.0));
    let goes_on = |a: &Read, b: &Read| a.1 <= b.1 && a.0 < b.0 && settled(a) && calendar.rests(zone, a.0, b.0);
    let stretches = readings.chunk_by(goes_on);
    let closed = stretches.filter_map(|reads| {
        let ((from, stood), (to, stands)) = (*reads.first()?, *reads.last()?);
        let (hours, makeup_l) = ((to - from).as_seconds_f64() / 3600.0, stands - stood);
        let tells = (HOURS_MIN..=HOURS_MAX).contains(&hours) && makeup_l.is_finite();
        tells.then(|| Closure { from, to, idle: Idle { day: local_date(zone, from), hours, makeup_l } })
    });
    closed.collect()
}

/// Whether a register of use moved from one reading to the next about a stretch: somebody washed all the same.
#[must_use]
pub fn washed(closure: &Closure, of_use: &[Read]) -> bool {
    let about = TimeDelta::hours(ABOUT_H);
    let within = of_use.iter().filter(|(at, _)| closure.from - about <= *at && *at <= closure.to + about);
    let within: Vec<f64> = within.map(|read| read.1).collect();
    within.iter().zip(within.iter().skip(1)).any(|(before, after)| after - before > NOTHING)
}

/// Runs the test on closures in order of time. The finding's size is litres a day above what was usual.
///
/// # Errors
/// Why it can't be run.
pub fn passing_while_closed(closures: &[Closure]) -> Outcome {
    if closures.is_empty() {
        return Err(WhyNot::NeverClosed);
    }
    let idle: Vec<Idle> = closures.iter().map(|closure| closure.idle).collect();
    let usual = idle.get(..USUAL_FROM).unwrap_or_default();
    Ok(balance(&idle, usual))
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::NaiveTime;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    /// Weekdays from seven to five.
    fn weekdays() -> WorkingCalendar {
        let hours = (NaiveTime::from_hms_opt(7, 0, 0).unwrap(), NaiveTime::from_hms_opt(17, 0, 0).unwrap());
        let day = |n: usize| (n < 5).then_some(hours);
        WorkingCalendar::parse(std::array::from_fn(day), Vec::new()).unwrap()
    }

    /// Read on Friday evening and on Monday before work, for so many weekends.
    fn weekends(litres: &[f64]) -> Vec<(DateTime<Utc>, f64)> {
        let (mut stood, mut readings) = (10_000.0, Vec::new());
        for (n, passed) in (0_i64..).zip(litres) {
            let friday = at("2026-01-09T21:00:00Z") + TimeDelta::days(7 * n);
            stood += 3_000.0;
            readings.push((friday, stood));
            stood += passed;
            readings.push((friday + TimeDelta::hours(57), stood));
        }
        readings
    }

    fn run(litres: &[f64]) -> Outcome {
        passing_while_closed(&closures(&weekends(litres), &weekdays(), Tz::UTC))
    }

    #[test]
    fn a_closed_weekend_lies_between_two_readings() {
        let found: Vec<Idle> =
            closures(&weekends(&[40.0, 60.0]), &weekdays(), Tz::UTC).iter().map(|closure| closure.idle).collect();
        let of = |day: &str, makeup_l| Idle { day: day.parse().unwrap(), hours: 57.0, makeup_l };
        assert_eq!(found, [of("2026-01-09", 40.0), of("2026-01-16", 60.0)], "the weeks between are no closures");
        // Too soon after work, into the morning's work, too short, and over a holiday nobody wrote down.
        let pair = |from: &str, to: &str| [(at(from), 0.0), (at(to), 50.0)];
        for (from, to) in [
            ("2026-01-09T18:00:00Z", "2026-01-12T06:00:00Z"),
            ("2026-01-09T21:00:00Z", "2026-01-12T08:00:00Z"),
            ("2026-01-10T09:00:00Z", "2026-01-11T08:00:00Z"),
            ("2026-01-09T21:00:00Z", "2026-01-13T06:00:00Z"),
        ] {
            assert_eq!(closures(&pair(from, to), &weekdays(), Tz::UTC), [], "{from} {to}");
        }
        assert_eq!(closures(&pair("2026-01-09T21:00:00Z", "2026-01-12T06:00:00Z"), &weekdays(), Tz::UTC).len(), 1);
        assert_eq!(closures(&weekends(&[40.0]), &WorkingCalendar::default(), Tz::UTC), [], "nobody said when it works");
        let back = [(at("2026-01-09T21:00:00Z"), 90.0), (at("2026-01-12T06:00:00Z"), 10.0)];
        assert_eq!(closures(&back, &weekdays(), Tz::UTC), [], "a register that fell tells nothing");
        let daily: Vec<Read> =
            (0..4).map(|n| (at("2026-01-09T21:00:00Z") + TimeDelta::hours(19 * n), 5.0 * n as f64)).collect();
        let found = closures(&daily, &weekdays(), Tz::UTC);
        assert_eq!(found[0].idle, of("2026-01-09", 15.0), "readings between change nothing");
        // The wash meter, read on the same rounds.
        let moved =
            |by: f64| [(daily[0].0 - TimeDelta::minutes(5), 70.0), (daily[3].0 + TimeDelta::minutes(5), 70.0 + by)];
        assert!(washed(&found[0], &moved(30.0)) && !washed(&found[0], &moved(0.0)) && !washed(&found[0], &[]));
        let on_monday = [(daily[0].0, 70.0), (daily[3].0 + TimeDelta::hours(9), 900.0)];
        assert!(!washed(&found[0], &on_monday), "read after the wash of Monday");
    }

    #[test]
    fn one_closed_weekend_shows_a_valve_that_passes() {
        assert_eq!(run(&[]), Err(WhyNot::NeverClosed));
        // 57 hours at 10 L an hour may evaporate, and two fills of a hundred litres are owed.
        assert_eq!(run(&[760.0]).unwrap().finding, None);
        let found = run(&[40.0, 1710.0]).unwrap().finding.unwrap();
        assert_eq!(found.since, "2026-01-16".parse().unwrap());
        assert!((found.size - 720.0).abs() < 1e-9, "30 L an hour: {found:?}");
        assert_eq!(run(&[1710.0, 40.0]).unwrap().finding, None, "mended");
        // Twenty litres an hour ran in on each of eight weekends before: as the pond there has it.
        let usual = [1140.0; 8];
        let later = |litres: f64| run(&[&usual[..], &[litres]].concat()).unwrap().finding;
        assert!(later(1140.0).is_none() && later(5700.0).is_some());
    }
}
