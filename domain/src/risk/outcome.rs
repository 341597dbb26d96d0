//! What became of a forecast part.
//!
//! A forecast is scored when the part's state at its horizon is known. A part still fitted when
//! the horizon has passed counts as good there, as it does among the lives. One taken out in
//! good order before it never tells; one that failed at an unknown time around it neither.

use super::days_between;
use crate::component::{OutWhy, TakenOut};
use crate::named::named;
use chrono::{DateTime, Duration, Utc};

named! {
    /// A part's state at the horizon of its forecast.
    State as "state" {
        /// It had failed.
        Failed = "failed",
        /// It was good.
        Good = "good",
        /// Nobody will know.
        Unknown = "unknown",
    }
}

/// The state, and how long the part is known to have been good.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// The state at the horizon.
    pub state: State,
    /// Days from the forecast to the failure, else to the horizon or to when watching ended.
    pub after_days: f64,
}

/// The end of a part's life, as far as one is known: a calibration that it failed for good is one,
/// taken out or not.
#[must_use]
pub fn ended(out: Option<TakenOut>, failed_calibration_at: Option<DateTime<Utc>>) -> Option<TakenOut> {
    let failed = failed_calibration_at.map(|at| TakenOut { at, why: OutWhy::WornOutFound });
    out.into_iter().chain(failed).min_by_key(|end| end.at)
}

/// What became of a part that was forecast at an instant; `None` while its horizon lies ahead and
/// it is fitted.
#[must_use]
pub fn outcome(
    made_at: DateTime<Utc>,
    horizon_days: u16,
    last_good_at: Option<DateTime<Utc>>,
    out: Option<TakenOut>,
    now: DateTime<Utc>,
) -> Option<Outcome> {
    let horizon = made_at + Duration::days(i64::from(horizon_days));
    let after = |at: DateTime<Utc>| days_between(made_at, at.min(horizon)).max(0.0);
    let good = Some(Outcome { state: State::Good, after_days: f64::from(horizon_days) });
    let Some(TakenOut { at, why }) = out.filter(|out| out.at <= now) else {
        return if now >= horizon { good } else { None };
    };
    let failed = matches!(why, OutWhy::Failed | OutWhy::WornOutFound);
    if failed && at <= horizon {
        return Some(Outcome { state: State::Failed, after_days: after(at) });
    }
    // A failure in use is noticed when it happens, unless the part was inspected before.
    let known_good = match (why, last_good_at) {
        (OutWhy::WornOutFound, None) => false,
        (OutWhy::Failed | OutWhy::WornOutFound, Some(seen)) => seen >= horizon || (why == OutWhy::Failed && seen >= at),
        _ => at >= horizon,
    };
    if known_good { good } else { Some(Outcome { state: State::Unknown, after_days: after(at) }) }
}

/// What became of a unit that was forecast: it let the customer down when one of its forecast parts
/// failed, or the process upset, by the horizon. Where neither is known to have happened, and the state of a part
/// will not be known, nor will that of the unit.
#[must_use]
pub fn of_unit(horizon_days: u16, parts: impl IntoIterator<Item = Outcome>, upset_after_days: Option<f64>) -> Outcome {
    let horizon = f64::from(horizon_days);
    let first = |a: Option<f64>, b: f64| Some(a.map_or(b, |a| a.min(b)));
    let (mut failed, mut unknown) = (upset_after_days.filter(|days| (0.0..=horizon).contains(days)), None);
    for Outcome { state, after_days } in parts {
        match state {
            State::Failed => failed = first(failed, after_days),
            State::Unknown => unknown = first(unknown, after_days),
            State::Good => {}
        }
    }
    match (failed, unknown) {
        (Some(after_days), _) => Outcome { state: State::Failed, after_days },
        (None, Some(after_days)) => Outcome { state: State::Unknown, after_days },
        (None, None) => Outcome { state: State::Good, after_days: horizon },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(day: i64) -> DateTime<Utc> {
        "2026-01-01T00:00:00Z".parse::<DateTime<Utc>>().unwrap() + Duration::days(day)
    }

    fn state(good: Option<i64>, out: Option<(i64, OutWhy)>, now: i64) -> Option<State> {
        let out = out.map(|(day, why)| TakenOut { at: at(day), why });
        outcome(at(0), 30, good.map(at), out, at(now)).map(|outcome| outcome.state)
    }

    #[test]
    fn a_forecast_is_scored_when_the_state_at_its_horizon_is_known() {
        use OutWhy::{External, Failed, Preventive, WornOutFound};
        assert_eq!(state(None, None, 29), None);
        assert_eq!(state(None, None, 30), Some(State::Good));
        assert_eq!(state(None, Some((20, Failed)), 20), Some(State::Failed));
        assert_eq!(state(None, Some((40, Failed)), 20), None, "not yet known then");
        assert_eq!(state(None, Some((40, Failed)), 40), Some(State::Good));
        assert_eq!(state(Some(10), Some((40, Failed)), 40), Some(State::Unknown));
        assert_eq!(state(Some(40), Some((40, Failed)), 40), Some(State::Good));
        assert_eq!(state(None, Some((20, WornOutFound)), 40), Some(State::Failed));
        assert_eq!(state(None, Some((40, WornOutFound)), 40), Some(State::Unknown));
        assert_eq!(state(Some(35), Some((40, WornOutFound)), 40), Some(State::Good));
        assert_eq!(state(None, Some((20, Preventive)), 40), Some(State::Unknown));
        assert_eq!(state(None, Some((31, External)), 40), Some(State::Good));
    }

    #[test]
    fn a_unit_lets_down_with_its_first_part_or_an_upset() {
        let is = |state, after_days| Outcome { state, after_days };
        let (good, failed, left) = (is(State::Good, 30.0), is(State::Failed, 12.0), is(State::Unknown, 5.0));
        assert_eq!(of_unit(30, [good, good], None), good);
        assert_eq!(of_unit(30, [good, is(State::Failed, 20.0), failed], None), failed);
        assert_eq!(of_unit(30, [good, left], None), left);
        assert_eq!(of_unit(30, [left, failed], None), failed, "what let down did so whatever else is not known");
        assert_eq!(of_unit(30, [good, left], Some(8.0)), is(State::Failed, 8.0));
        assert_eq!(of_unit(30, [failed], Some(8.0)), is(State::Failed, 8.0));
        assert_eq!(of_unit(30, [good], Some(30.5)), good, "after the horizon");
        assert_eq!(of_unit(90, [], None), is(State::Good, 90.0));
    }

    #[test]
    fn a_failed_calibration_ends_a_life_that_runs_on() {
        let out = TakenOut { at: at(40), why: OutWhy::Preventive };
        assert_eq!(ended(Some(out), None), Some(out));
        let failed = TakenOut { at: at(20), why: OutWhy::WornOutFound };
        assert_eq!((ended(Some(out), Some(at(20))), ended(None, Some(at(20)))), (Some(failed), Some(failed)));
        assert_eq!(ended(Some(out), Some(at(50))), Some(out));
    }

    #[test]
    fn days_end_at_the_failure_or_the_horizon() {
        let out = |day, why| Some(TakenOut { at: at(day), why });
        let days = |out| outcome(at(0), 30, None, out, at(99)).unwrap().after_days;
        assert_eq!((days(out(12, OutWhy::Failed)), days(out(12, OutWhy::Upgrade)), days(None)), (12.0, 12.0, 30.0));
    }
}
