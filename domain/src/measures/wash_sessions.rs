//! Which pause tells washes apart at a meter that serves a single gun. What it comes to:
//! [`crate::metering::sessions`].

use super::days::Days;
use crate::fault::Faults;
use crate::ids::MeterId;
use crate::metering::sessions::SessionRule;

/// Wash sessions' record: from when until when washes at a meter's only gun are told apart.
#[derive(Debug, Clone, PartialEq)]
pub struct WashSessions {
    /// In which local days.
    pub days: Days,
    /// The meter of wash water; it serves one gun.
    pub meter_id: MeterId,
    /// Minutes without water after which what comes is another wash.
    pub pause_min: i32,
    /// Who declared it, by what.
    pub source: String,
}

/// Shorter, every stop would be another wash; longer, a morning would be one (common practice, no
/// source).
pub const PAUSE_MIN: (f64, f64) = (1.0, 240.0);

impl WashSessions {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/pause_min", f64::from(self.pause_min), PAUSE_MIN.0, PAUSE_MIN.1);
        self.source = faults.text("/source", &self.source, 200);
        faults.or(self)
    }

    /// The same as the fold of its meter takes it.
    #[must_use]
    pub fn rule(&self) -> SessionRule {
        SessionRule { days: self.days, pause_s: 60 * i64::from(self.pause_min) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_is_named() {
        let of = |pause_min, source: &str| WashSessions {
            days: Days::since("2026-03-01".parse().unwrap()),
            meter_id: MeterId(uuid::Uuid::from_u128(1)),
            pause_min,
            source: source.to_owned(),
        };
        assert_eq!(of(15, " Watched ").checked().unwrap().source, "Watched");
        assert_eq!(of(15, "x").rule().pause_s, 900);
        let faults = of(0, " ").checked().unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, ["/pause_min", "/source"]);
    }
}
