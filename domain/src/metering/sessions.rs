//! Sessions at the only gun that a meter serves, counted by local day while its readings are folded.
//!
//! Water that comes after a pause begins a session. A pause of a given length is seen where at least
//! three readings lie in it: where a reading comes later than that, or one does not count, the days
//! that it touches have no count. A pause within a wash that is shorter than the given one never
//! makes two of it; one between two washes is seen when it is two readings longer. So the count is
//! right, or too low where washes follow each other faster than declared.

use crate::measures::days::Days;
use crate::zone::{day_bounds, local_date, next_day};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde::Serialize;

/// Readings that a pause between two sessions has to hold (common practice, no source).
pub const READINGS_IN_A_PAUSE: i64 = 3;

/// In which local days a meter serves a single gun, and which pause separates two washes there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SessionRule {
    /// The days.
    pub days: Days,
    /// Seconds without water after which what comes is another wash.
    pub pause_s: i64,
}

/// The sessions that began in a local day, all of which was seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct DaySessions {
    /// The day.
    pub date: NaiveDate,
    /// How many.
    pub sessions: u32,
}

/// Counts sessions while steps come in order of time.
#[derive(Debug)]
pub(super) struct SessionFold {
    zone: Tz,
    rules: Vec<SessionRule>,
    known: Vec<DaySessions>,
    day: Option<Open>,
    /// Up to where it was read.
    read_to: i64,
    /// Where water passed last.
    wet_to: Option<i64>,
}

/// The day that is counted.
#[derive(Debug, Clone, Copy)]
struct Open {
    date: NaiveDate,
    end: i64,
    pause_s: Option<i64>,
    sessions: u32,
    seen: bool,
}

impl SessionFold {
    pub(super) fn new(zone: Tz, rules: Vec<SessionRule>) -> Self {
        Self { zone, rules, known: Vec::new(), day: None, read_to: i64::MIN, wet_to: None }
    }

    /// A step that counts, its ends in seconds since 1970.
    pub(super) fn push(&mut self, from: i64, to: i64, amount: f64) {
        let mut day = match self.day {
            Some(day) if self.read_to == from => day,
            // What lies between two steps that count was not seen, however short.
            Some(day) => self.pass(Open { seen: false, ..day }, from, false),
            None => self.first(from),
        };
        if from >= day.end {
            day = self.pass(day, from, true);
        }
        if amount > 0.0 {
            let pause_s = day.pause_s.unwrap_or(0);
            day.sessions += u32::from(self.wet_to.is_none_or(|wet| from - wet >= pause_s));
            self.wet_to = Some(to);
        }
        let close = |day: &Open| day.pause_s.is_some_and(|pause_s| READINGS_IN_A_PAUSE * (to - from) <= pause_s);
        day.seen &= close(&day);
        while day.end < to {
            day = self.turn(day);
            day.seen &= close(&day);
        }
        (self.day, self.read_to) = (Some(day), to);
    }

    /// The days all of which was seen, in order.
    pub(super) fn finish(mut self) -> Vec<DaySessions> {
        let read_to = self.read_to;
        if let Some(day) = self.day.filter(|day| day.pause_s.is_some_and(|pause_s| near(day.end, read_to, pause_s))) {
            self.close(day);
        }
        self.known
    }

    /// The day of the first reading: seen where that comes soon after midnight.
    fn first(&self, from: i64) -> Open {
        let date = local_date(self.zone, DateTime::<Utc>::from_timestamp(from, 0).unwrap_or_default());
        let start = day_bounds(self.zone, date).0.timestamp();
        let day = self.open(date);
        Open { seen: day.pause_s.is_some_and(|pause_s| near(from, start, pause_s)), ..day }
    }

    fn open(&self, date: NaiveDate) -> Open {
        let holds = |rule: &&SessionRule| rule.days.contains(date);
        let pause_s = self.rules.iter().find(holds).map(|rule| rule.pause_s);
        let end = day_bounds(self.zone, date).1.timestamp();
        Open { date, end, pause_s, sessions: 0, seen: pause_s.is_some() }
    }

    /// Goes on to the day in which `to` lies; those on the way were seen or not.
    fn pass(&mut self, mut day: Open, to: i64, seen: bool) -> Open {
        while day.end <= to {
            day = self.turn(day);
            day.seen &= seen;
        }
        day
    }

    fn turn(&mut self, day: Open) -> Open {
        self.close(day);
        self.open(next_day(day.date))
    }

    fn close(&mut self, day: Open) {
        if day.seen {
            self.known.push(DaySessions { date: day.date, sessions: day.sessions });
        }
    }
}

/// Whether two instants lie so close that no pause fits between them unseen.
fn near(later: i64, earlier: i64, pause_s: i64) -> bool {
    READINGS_IN_A_PAUSE * (later - earlier) <= pause_s
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::zone::parse_zone;
    use proptest::prelude::*;

    const MINUTE: i64 = 60;
    const DAY: i64 = 86_400;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn rule(pause_min: i64) -> SessionRule {
        SessionRule { days: Days::since(date("2026-01-01")), pause_s: pause_min * MINUTE }
    }

    fn midnight(day: &str) -> i64 {
        date(day).and_time(chrono::NaiveTime::MIN).and_utc().timestamp()
    }

    /// Days of readings every so many minutes, with water in the steps that `wet` says.
    fn days(every_min: i64, count: i64, rule: SessionRule, wet: impl Fn(i64) -> bool) -> Vec<(String, u32)> {
        let start = midnight("2026-03-02");
        let mut fold = SessionFold::new(Tz::UTC, vec![rule]);
        for n in 0..count * DAY / (every_min * MINUTE) {
            let at = n * every_min * MINUTE;
            fold.push(start + at, start + at + every_min * MINUTE, if wet(at / MINUTE) { 30.0 } else { 0.0 });
        }
        fold.finish().iter().map(|day| (day.date.to_string(), day.sessions)).collect()
    }

    #[test]
    fn a_pause_separates_two_washes() {
        // From 8:00 and again from 8:40 for twenty minutes each, with a stop of ten minutes in the second.
        let wet = |min| (480..500).contains(&min) || (520..525).contains(&min) || (535..550).contains(&min);
        assert_eq!(days(5, 1, rule(15), wet), [("2026-03-02".to_owned(), 2)]);
        assert_eq!(days(5, 2, rule(15), |_| false), [("2026-03-02".to_owned(), 0), ("2026-03-03".to_owned(), 0)]);
    }

    #[test]
    fn a_wash_over_midnight_is_of_the_day_on_which_it_began() {
        let found = days(5, 2, rule(15), |min| (1430..1460).contains(&min));
        assert_eq!(found, [("2026-03-02".to_owned(), 1), ("2026-03-03".to_owned(), 0)]);
    }

    #[test]
    fn readings_have_to_see_the_pause() {
        assert_eq!(days(5, 1, rule(15), |_| true).len(), 1, "three of them in a pause");
        assert_eq!(days(6, 1, rule(15), |_| true), []);
        assert_eq!(days(5, 1, SessionRule { days: Days::of(date("2026-03-03")), ..rule(15) }, |_| true), []);
    }

    /// A reading that does not come, or does not count, leaves its day without a count and no other.
    #[test]
    fn a_hole_leaves_its_days_uncounted() {
        let start = midnight("2026-03-02");
        let mut fold = SessionFold::new(Tz::UTC, vec![rule(15)]);
        for n in (0..3 * DAY / 300).filter(|n| *n != 288 + 100) {
            fold.push(start + n * 300, start + (n + 1) * 300, 0.0);
        }
        let found: Vec<_> = fold.finish().iter().map(|day| day.date).collect();
        assert_eq!(found, [date("2026-03-02"), date("2026-03-04")]);
    }

    /// The day of 29 March 2026 has 23 hours in Vienna and begins at 23:00 UTC.
    #[test]
    fn days_are_the_sites() {
        let zone = parse_zone("Europe/Vienna").unwrap();
        let start = midnight("2026-03-28") + 23 * 3600;
        let mut fold = SessionFold::new(zone, vec![rule(15)]);
        for n in 0..23 * 12 {
            fold.push(start + n * 300, start + (n + 1) * 300, if n == 0 || n == 275 { 1.0 } else { 0.0 });
        }
        assert_eq!(fold.finish(), [DaySessions { date: date("2026-03-29"), sessions: 2 }]);
    }

    proptest! {
        /// Washes with pauses shorter than the rule's within them, and between them pauses longer by
        /// two readings, are counted exactly; however dense the readings are, within the limit.
        #[test]
        fn washes_far_enough_apart_are_counted(
            every_s in 20_i64..=300,
            washes in prop::collection::vec((1_i64..40, 0_i64..14, 0_i64..120), 0..15),
        ) {
            let pause_s = 15 * MINUTE;
            // Stretches with water, in seconds of the day.
            let mut wet: Vec<(i64, i64)> = Vec::new();
            let mut at = 3600;
            for (minutes, stop, apart) in &washes {
                let middle = at + minutes * MINUTE;
                wet.push((at, middle));
                wet.push((middle + stop * MINUTE, middle + (stop + minutes) * MINUTE));
                at = middle + (stop + minutes + apart) * MINUTE + pause_s + 2 * every_s + 1;
            }
            let day_end = (at / DAY + 1) * DAY;
            let mut fold = SessionFold::new(Tz::UTC, vec![SessionRule { pause_s, ..rule(15) }]);
            let start = midnight("2026-03-02");
            let mut from = 0;
            while from < day_end {
                let to = (from + every_s).min(day_end);
                let passes: i64 = wet.iter().map(|(a, b)| (to.min(*b) - from.max(*a)).max(0)).sum();
                fold.push(start + from, start + to, passes as f64 * 0.25);
                from = to;
            }
            let counted: u32 = fold.finish().iter().map(|day| day.sessions).sum();
            prop_assert_eq!(counted as usize, washes.len());
        }
    }
}
