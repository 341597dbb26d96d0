//! Registers read by the hour, put into hours; and the hours of each night in which nobody washes.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use std::collections::BTreeMap;

const HOUR_S: i64 = 3600;
/// Readings further apart than this are not read by the hour.
const STEP_S_MAX: i64 = 2 * HOUR_S;
/// Hours after washing in which the pit still fills (common practice, no source).
pub(super) const SETTLING_H: usize = 3;
/// Part of an hour that must lie between readings.
const COVERED_MIN: f64 = 0.99;
/// What passes in an hour in which nothing passes: less than any meter resolves.
pub(super) const NOTHING: f64 = 1e-6;

/// What passed in each hour from an instant on.
#[derive(Debug, Clone, PartialEq)]
pub struct Hours {
    from: DateTime<Utc>,
    /// Amount, and the part of the hour that it is known of.
    hours: Vec<(f64, f64)>,
}

impl Hours {
    /// Nothing known yet of `hours` hours from an instant on.
    #[must_use]
    pub fn new(from: DateTime<Utc>, hours: usize) -> Self {
        Self { from, hours: vec![(0.0, 0.0); hours] }
    }

    /// Spreads what passed between two readings over the hours that they span. Readings more than
    /// two hours apart and registers that fell tell nothing.
    pub fn add(&mut self, from: DateTime<Utc>, to: DateTime<Utc>, amount: f64) {
        let (begin, end) = ((from - self.from).num_seconds(), (to - self.from).num_seconds());
        let length = end.saturating_sub(begin);
        if !(length > 0 && length <= STEP_S_MAX && amount >= 0.0 && amount.is_finite()) {
            return;
        }
        let Ok(first) = usize::try_from(begin / HOUR_S) else { return };
        let touched = self.hours.iter_mut().zip(0_i64..).skip(first).take_while(|(_, place)| place * HOUR_S < end);
        for ((sum, covered), place) in touched {
            let part = end.min((place + 1) * HOUR_S).saturating_sub(begin.max(place * HOUR_S)).max(0);
            // Parts of two hours in seconds are exact.
            *sum += amount * (part as f64 / length as f64);
            *covered += part as f64 / HOUR_S as f64;
        }
    }

    fn known(&self) -> impl Iterator<Item = Option<f64>> {
        self.hours.iter().map(|(amount, covered)| (*covered >= COVERED_MIN).then_some(*amount))
    }
}

/// The hours of a local day in which nobody washed, a settling time after the last wash.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Idle {
    /// The local day.
    pub day: NaiveDate,
    /// How many hours.
    pub hours: f64,
    /// The make-up in them, in litres.
    pub makeup_l: f64,
}

/// The idle hours of each local day that has any. All meters begin at the same instant; where one
/// of use was not read by the hour, nothing is idle.
#[must_use]
pub fn idle(makeup: &Hours, use_: &[&Hours], zone: Tz) -> Vec<Idle> {
    let mut uses: Vec<_> = use_.iter().map(|hours| hours.known()).collect();
    if uses.is_empty() {
        return Vec::new();
    }
    let mut days: BTreeMap<NaiveDate, Idle> = BTreeMap::new();
    let (mut still, mut at) = (0_usize, makeup.from);
    for filled in makeup.known() {
        // Each is asked, so that all stay at the same hour.
        let idle = uses.iter_mut().map(|of| of.next().flatten()).filter(|used| used.is_none_or(|used| used > NOTHING));
        still = if idle.count() == 0 { still.saturating_add(1) } else { 0 };
        if let Some(makeup_l) = filled.filter(|_| still > SETTLING_H) {
            let day = at.with_timezone(&zone).date_naive();
            let sum = days.entry(day).or_insert(Idle { day, hours: 0.0, makeup_l: 0.0 });
            sum.hours += 1.0;
            sum.makeup_l += makeup_l;
        }
        at = at.checked_add_signed(TimeDelta::seconds(HOUR_S)).unwrap_or(at);
    }
    days.into_values().collect()
}
