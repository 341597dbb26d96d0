//! How much of what a meter showed passed too fast to have passed below a flow, by local day.
//!
//! A step of amount V in the time t has at most `Q t` of its water below the flow Q, and so at least
//! `V - Q t` above it, however the water came within the step. That holds for steps of any length,
//! and says something only where readings lie close: over a day it is seldom more than nothing.

use super::days::DayShare;
use super::meter::PlateFlows;
use crate::zone::{day_bounds, local_date, next_day};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

/// What surely passed above two flows in a local day, in litres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayAbove {
    /// The day.
    pub date: NaiveDate,
    /// Above Q1.
    pub q1_l: f64,
    /// Above Q2.
    pub q2_l: f64,
}

/// The most of a volume that passed below the flows of a meter's plate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LowFlow {
    /// The lowest flow that the meter registers within its limits, in litres per hour.
    pub q1_l_per_h: f64,
    /// The flow from which on its narrower limit holds, in litres per hour.
    pub q2_l_per_h: f64,
    /// The most of it that passed below Q1, 0 to 1.
    pub below_q1_share: f64,
    /// The most of it that passed below Q2, 0 to 1.
    pub below_q2_share: f64,
}

impl LowFlow {
    /// That of some days of a meter; `None` where nothing passed in them, and where the readings
    /// lie too far apart to tell.
    #[must_use]
    pub fn of<'d>(flows: &PlateFlows, days: impl Iterator<Item = &'d DayShare>, above: &[DayAbove]) -> Option<Self> {
        let (q1_l_per_h, q2_l_per_h) = flows.lower()?;
        let (mut passed, mut above_q1, mut above_q2) = (0.0, 0.0, 0.0);
        for day in days {
            passed += day.amount;
            let found = above.binary_search_by_key(&day.date, |above| above.date).ok();
            if let Some(above) = found.and_then(|place| above.get(place)) {
                above_q1 += above.q1_l;
                above_q2 += above.q2_l;
            }
        }
        let below = |above: f64| (1.0 - above / passed).clamp(0.0, 1.0);
        let found = Self { q1_l_per_h, q2_l_per_h, below_q1_share: below(above_q1), below_q2_share: below(above_q2) };
        (passed > 0.0 && above_q1 > 0.0).then_some(found)
    }
}

/// Sums what surely passed above the two flows while steps come in order of time.
#[derive(Debug)]
pub(super) struct AboveFold {
    zone: Tz,
    q1_l_per_s: f64,
    q2_l_per_s: f64,
    closed: Vec<DayAbove>,
    open: Option<(DayAbove, i64)>,
}

impl AboveFold {
    /// `None` for a meter of whose plate neither flow is known.
    pub(super) fn new(zone: Tz, flows: &PlateFlows) -> Option<Self> {
        let (q1, q2) = flows.lower()?;
        Some(Self { zone, q1_l_per_s: q1 / 3600.0, q2_l_per_s: q2 / 3600.0, closed: Vec::new(), open: None })
    }

    /// A step that counts, its ends in seconds since 1970; over a midnight its water is shared out
    /// evenly, as the days have it.
    #[expect(clippy::cast_precision_loss, reason = "seconds of a step stay far below 2^52")]
    pub(super) fn push(&mut self, from: i64, to: i64, amount: f64) {
        let seconds = (to - from) as f64;
        let above = |q: f64| (amount - q * seconds).max(0.0);
        let (q1_l, q2_l) = (above(self.q1_l_per_s), above(self.q2_l_per_s));
        if q1_l <= 0.0 {
            return;
        }
        let mut at = from;
        while at < to {
            let (mut day, end) = self.reach(at);
            let part = (to.min(end) - at) as f64 / seconds;
            day.q1_l += q1_l * part;
            day.q2_l += q2_l * part;
            self.open = Some((day, end));
            at = to.min(end);
        }
    }

    /// The day in which `t` lies, with its end.
    fn reach(&mut self, t: i64) -> (DayAbove, i64) {
        match self.open {
            Some((day, end)) if t < end => (day, end),
            Some((day, end)) => {
                self.closed.push(day);
                let date = if t < end + 3600 { next_day(day.date) } else { self.date(t) };
                self.day(date)
            }
            None => self.day(self.date(t)),
        }
    }

    fn date(&self, t: i64) -> NaiveDate {
        local_date(self.zone, DateTime::<Utc>::from_timestamp(t, 0).unwrap_or_default())
    }

    fn day(&self, date: NaiveDate) -> (DayAbove, i64) {
        (DayAbove { date, q1_l: 0.0, q2_l: 0.0 }, day_bounds(self.zone, date).1.timestamp())
    }

    /// The days on which anything did, in order.
    pub(super) fn finish(mut self) -> Vec<DayAbove> {
        self.closed.extend(self.open.map(|(day, _)| day));
        self.closed
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Q1 of 25 and Q2 of 40 litres per hour.
    fn flows() -> PlateFlows {
        PlateFlows::of_ratio(2500.0, 100.0)
    }

    fn above(steps: &[(i64, i64, f64)]) -> Vec<DayAbove> {
        let mut fold = AboveFold::new(Tz::UTC, &flows()).unwrap();
        steps.iter().for_each(|&(from, to, amount)| fold.push(from, to, amount));
        fold.finish()
    }

    fn day(amount: f64) -> DayShare {
        DayShare { amount, ..DayShare::empty(NaiveDate::default()) }
    }

    /// By hand: an hour of 900 L has at least 875 L above Q1 and 860 L above Q2, an hour of 30 L 5 L
    /// and none, an hour of 20 L none. Of 950 L at most 70 L passed below Q1, 90 L below Q2.
    #[test]
    fn the_most_that_can_have_passed_slowly() {
        let found = above(&[(0, 3600, 900.0), (3600, 7200, 30.0), (7200, 10_800, 20.0)]);
        assert_eq!((found.len(), found[0].q1_l, found[0].q2_l), (1, 880.0, 860.0));
        let low = LowFlow::of(&flows(), [day(950.0)].iter(), &found).unwrap();
        assert!((low.below_q1_share - 70.0 / 950.0).abs() < 1e-12 && (low.below_q2_share - 90.0 / 950.0).abs() < 1e-12);
        assert_eq!((low.q1_l_per_h, low.q2_l_per_h), (25.0, 40.0));
    }

    #[test]
    fn a_dial_read_once_a_month_tells_nothing() {
        let found = above(&[(0, 30 * 86_400, 12_000.0)]);
        assert_eq!(LowFlow::of(&flows(), [day(12_000.0)].iter(), &found), None);
        assert!(AboveFold::new(Tz::UTC, &PlateFlows::default()).is_none(), "no plate, no flow");
    }

    #[test]
    fn a_step_over_midnight_is_of_both_days() {
        let found = above(&[(86_400 - 1800, 86_400 + 1800, 105.0)]);
        let parts: Vec<_> = found.iter().map(|day| (day.q1_l, day.q2_l)).collect();
        assert_eq!(parts, [(40.0, 32.5), (40.0, 32.5)]);
    }

    proptest! {
        /// However water comes within the steps, no more of it passes slowly than is said.
        #[test]
        fn never_less_than_what_passed_slowly(
            // A flow for each minute, in litres per hour, many of them slow.
            minutes in prop::collection::vec(prop_oneof![Just(0.0), 0.0..45.0_f64, 0.0..3000.0_f64], 60..240),
            step_min in 1_usize..60,
        ) {
            let slow = |q: f64| minutes.iter().filter(|flow| **flow < q).map(|flow| flow / 60.0).sum::<f64>();
            let mut from = 0;
            let steps: Vec<(i64, i64, f64)> = minutes.chunks(step_min).map(|chunk| {
                let to = from + 60 * i64::try_from(chunk.len()).unwrap();
                let step = (from, to, chunk.iter().map(|flow| flow / 60.0).sum());
                from = to;
                step
            }).collect();
            let total: f64 = minutes.iter().map(|flow| flow / 60.0).sum();
            if let Some(low) = LowFlow::of(&flows(), [day(total)].iter(), &above(&steps)) {
                prop_assert!(low.below_q1_share * total >= slow(25.0) - 1e-9);
                prop_assert!(low.below_q2_share * total >= slow(40.0) - 1e-9);
                prop_assert!(low.below_q1_share <= low.below_q2_share);
            }
        }
    }
}
