//! Washes: by a counter, a tally, or from sessions at a gun where the readings allow it.

use crate::metering::step::Step;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The washes of a period.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "by", rename_all = "snake_case")]
pub enum Washes {
    /// A counter.
    Counter {
        /// How many.
        washes: f64,
    },
    /// Typed in, by machine class.
    Tally {
        /// How many of each class.
        by_class: BTreeMap<String, u32>,
    },
    /// From sessions at a gun; only [`sessions`] makes them.
    Sessions(Sessions),
    /// Nobody counts them.
    NotCounted,
}

/// Sessions that the readings could tell apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sessions {
    sessions: u32,
}

impl Washes {
    /// How many; `None` where nobody counts them. Never guessed from volumes.
    #[must_use]
    pub fn count(&self) -> Option<f64> {
        match self {
            Self::Counter { washes } => Some(*washes),
            Self::Tally { by_class } => Some(by_class.values().copied().map(f64::from).sum()),
            Self::Sessions(Sessions { sessions }) => Some(f64::from(*sessions)),
            Self::NotCounted => None,
        }
    }
}

/// How sessions are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct SessionRule {
    /// Water that comes after at least so many seconds without any begins a new session.
    pub gap_s: i64,
    /// Guns that the meter serves.
    pub guns: u32,
}

/// Why sessions can't be counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoSessions {
    /// The meter serves several guns, whose sessions run into each other.
    #[error("the meter serves {guns} guns, whose washes run into each other: count the washes, or meter each gun")]
    SeveralGuns {
        /// Its guns.
        guns: u32,
    },
    /// Readings too far apart to see the gaps.
    #[error("a reading comes {interval_s} s after the one before it, and a gap of {gap_s} s is seen by three in it")]
    TooSparse {
        /// The longest time between two readings.
        interval_s: i64,
        /// The gap that separates two sessions.
        gap_s: i64,
    },
}

/// Readings that a gap between two sessions has to hold (common practice, no source).
const READINGS_IN_A_GAP: i64 = 3;

/// The sessions at a single gun, from the accepted steps of its meter in time order.
///
/// # Errors
/// The meter serves other than one gun, or some readings lie further apart than a third of the gap.
pub fn sessions(steps: &[Step], rule: &SessionRule) -> Result<Washes, NoSessions> {
    if rule.guns != 1 {
        return Err(NoSessions::SeveralGuns { guns: rule.guns });
    }
    // From reading to reading: what lies between two steps was not seen either.
    let first = steps.first().map(|step| step.from.at);
    let read = first.into_iter().chain(steps.iter().map(|step| step.to.at));
    let intervals = read.clone().zip(read.skip(1)).map(|(from, to)| (to - from).num_seconds());
    let interval_s = intervals.max().unwrap_or(0);
    if READINGS_IN_A_GAP * interval_s > rule.gap_s {
        return Err(NoSessions::TooSparse { interval_s, gap_s: rule.gap_s });
    }
    let mut sessions = 0;
    let mut ended: Option<DateTime<Utc>> = None;
    for step in steps.iter().filter(|step| step.amount > 0.0) {
        if ended.is_none_or(|ended| (step.from.at - ended).num_seconds() >= rule.gap_s) {
            sessions += 1;
        }
        ended = Some(step.to.at);
    }
    Ok(Washes::Sessions(Sessions { sessions }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::step::{Counted, Reading};
    use chrono::Duration;

    /// A step of each so many minutes.
    fn steps(minutes: i64, amounts: &[f64]) -> Vec<Step> {
        let at = |n: i64| Reading { at: DateTime::UNIX_EPOCH + Duration::minutes(n * minutes), register: 0.0 };
        let each = (0_i64..).zip(amounts);
        each.map(|(n, amount)| Step { from: at(n), to: at(n + 1), amount: *amount, how: Counted::Plain }).collect()
    }

    const RULE: SessionRule = SessionRule { gap_s: 15 * 60, guns: 1 };

    #[test]
    fn a_gap_separates_sessions() {
        let amounts = [0.0, 40.0, 50.0, 0.0, 30.0, 0.0, 0.0, 0.0, 60.0, 0.0, 0.0];
        assert_eq!(sessions(&steps(5, &amounts), &RULE).unwrap().count(), Some(2.0));
        assert_eq!(sessions(&steps(5, &[0.0, 0.0]), &RULE).unwrap().count(), Some(0.0));
    }

    #[test]
    fn readings_have_to_see_the_gap_of_one_gun() {
        let steps = |minutes| steps(minutes, &[10.0, 0.0, 10.0]);
        assert!(sessions(&steps(5), &RULE).is_ok(), "a third of the gap");
        let hole = [self::steps(5, &[1.0]), self::steps(5, &[0.0; 5])[4..].to_vec()].concat();
        assert_eq!(sessions(&hole, &RULE), Err(NoSessions::TooSparse { interval_s: 1200, gap_s: 900 }));
        assert_eq!(sessions(&steps(6), &RULE), Err(NoSessions::TooSparse { interval_s: 360, gap_s: 900 }));
        for guns in [0, 2] {
            assert_eq!(sessions(&steps(1), &SessionRule { guns, ..RULE }), Err(NoSessions::SeveralGuns { guns }));
        }
    }

    #[test]
    fn a_tally_is_summed_by_class_and_nothing_is_guessed() {
        let by_class = [("excavator".to_owned(), 12), ("truck".to_owned(), 30)].into();
        assert_eq!(Washes::Tally { by_class }.count(), Some(42.0));
        assert_eq!(Washes::Counter { washes: 7.0 }.count(), Some(7.0));
        assert_eq!(Washes::NotCounted.count(), None);
        let json = serde_json::to_value(sessions(&steps(5, &[1.0]), &RULE).unwrap()).unwrap();
        assert_eq!(json, serde_json::json!({"by": "sessions", "sessions": 1}));
    }
}
