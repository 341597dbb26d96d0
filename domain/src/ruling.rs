//! What people decide about readings: a reading set right or taken out, and the four ways to
//! settle a step that does not count.

use crate::fault::Faults;
use crate::metering::step::Exchange;
use crate::reading::note_register;
use crate::span;
use chrono::{DateTime, SubsecRound, Utc};

/// Characters of a reason.
const WHY_MAX: usize = 500;

/// A reading set right or taken out.
#[derive(Debug, Clone, PartialEq)]
pub struct Correction {
    /// The reading's instant, in whole seconds.
    pub at: DateTime<Utc>,
    /// The right register, in counts; `None`: the reading is taken out.
    pub register: Option<f64>,
    /// Why.
    pub why: String,
}

impl Correction {
    /// The record, for a register of `digits` digits, of a reading that was taken by `now`.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, digits: Option<u8>, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.at = span::instant(&mut faults, "/read_at", self.at).trunc_subsecs(0);
        span::past(&mut faults, "/read_at", self.at, now);
        if let Some(register) = self.register {
            note_register(&mut faults, "/register", register, digits);
        }
        self.why = faults.text("/why", &self.why, WHY_MAX);
        faults.or(self)
    }
}

/// What a person decides on a step that does not count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Decision {
    /// The step counts.
    Accept,
    /// One of its two readings is taken out; the later one where none is named.
    Void {
        /// The reading's instant.
        at: Option<DateTime<Utc>>,
    },
    /// One of its two readings was another value; the later one where none is named.
    Correct {
        /// The reading's instant.
        at: Option<DateTime<Utc>>,
        /// The right value, in counts.
        register: f64,
    },
    /// The register was exchanged between its two readings.
    Exchange(Exchange),
}

impl Decision {
    /// The name in requests, answers and the database.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Accept => "accept",
            Self::Void { .. } => "void",
            Self::Correct { .. } => "correct",
            Self::Exchange(_) => "exchange",
        }
    }

    /// The decision on a step between these instants, with the reading it is about named.
    ///
    /// # Errors
    /// A fault at `/read_at` for another reading than its two, at `/at` for an exchange
    /// outside it.
    pub fn on_step(self, from: DateTime<Utc>, to: DateTime<Utc>) -> Result<Self, Faults> {
        let one_of_two = |at: Option<DateTime<Utc>>| {
            let at = at.map_or(to, |at| at.trunc_subsecs(0));
            let fault =
                || Faults::one("/read_at", "not_of_the_step", format!("name {from} or {to}, the step's readings"));
            [from, to].contains(&at).then_some(at).ok_or_else(fault)
        };
        match self {
            Self::Accept => Ok(self),
            Self::Void { at } => Ok(Self::Void { at: Some(one_of_two(at)?) }),
            Self::Correct { at, register } => Ok(Self::Correct { at: Some(one_of_two(at)?), register }),
            Self::Exchange(exchange) if (from..=to).contains(&exchange.at) => Ok(self),
            Self::Exchange(_) => {
                Err(Faults::one("/at", "not_within_the_step", format!("give an instant from {from} to {to}")))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    #[test]
    fn every_fault_of_a_correction_is_named() {
        let now = at("2026-03-01T00:00:00Z");
        let correction =
            |at, register, why: &str| Correction { at, register, why: why.to_owned() }.checked(Some(5), now);
        let good = correction(at("2026-02-01T08:00:00.9Z"), Some(12.0), " misread ").unwrap();
        assert_eq!((good.at, good.why.as_str()), (at("2026-02-01T08:00:00Z"), "misread"));
        let wrong = correction(at("2026-03-02T00:00:00Z"), Some(1e5), " ").unwrap_err();
        let pointers: Vec<_> = wrong.0.iter().map(|fault| (fault.pointer.as_str(), fault.code)).collect();
        assert_eq!(pointers, [("/read_at", "future"), ("/register", "past_digits"), ("/why", "required")]);
    }

    #[test]
    fn a_decision_is_about_its_step() {
        let (from, to) = (at("2026-01-01T00:00:00Z"), at("2026-02-01T00:00:00Z"));
        assert_eq!(Decision::Void { at: None }.on_step(from, to), Ok(Decision::Void { at: Some(to) }));
        let earlier = Decision::Correct { at: Some(from), register: 5.0 };
        assert_eq!(earlier.on_step(from, to), Ok(earlier));
        let other = Decision::Void { at: Some(at("2026-01-15T00:00:00Z")) }.on_step(from, to).unwrap_err();
        assert_eq!(other.0[0].pointer, "/read_at");
        let exchange =
            |text| Decision::Exchange(Exchange { at: at(text), old_final: 1.0, new_start: 0.0 }).on_step(from, to);
        assert!(exchange("2026-01-15T00:00:00Z").is_ok());
        assert_eq!(exchange("2026-02-15T00:00:00Z").unwrap_err().0[0].code, "not_within_the_step");
    }
}
