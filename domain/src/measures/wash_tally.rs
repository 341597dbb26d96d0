//! A wash tally: washes of one class of machine in a stretch of local days.

use super::days::Days;
use crate::fault::Faults;
use crate::named::named;

named! {
    /// Where a tally comes from.
    TallySource as "source" {
        /// A counter.
        Counter = "counter",
        /// Somebody's list.
        Typed = "typed",
        /// Sessions found in the meters' data.
        Sessions = "sessions",
    }
}

/// A wash tally's record.
#[derive(Debug, Clone, PartialEq)]
pub struct WashTally {
    /// In which local days; they have an end.
    pub days: Days,
    /// What was washed, one word in snake_case.
    pub machine_class: String,
    /// How often.
    pub washes: i32,
    /// Who counted.
    pub source: TallySource,
}

/// More washes than one bay can do between two tallies: one a minute for a year.
const WASHES_MAX: f64 = 525_600.0;

impl WashTally {
    /// The record.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.machine_class = faults.word("/machine_class", &self.machine_class, 60);
        faults.range("/washes", f64::from(self.washes), 0.0, WASHES_MAX);
        faults.or(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_is_named() {
        let tally = |machine_class: &str, washes| WashTally {
            days: Days::parse("2026-03-01".parse().unwrap(), "2026-04-01".parse().ok()).unwrap(),
            machine_class: machine_class.to_owned(),
            washes,
            source: TallySource::Typed,
        };
        assert!(tally("wheel_loader", 0).checked().is_ok());
        let faults = tally("Wheel loader", -1).checked().unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, ["/machine_class", "/washes"]);
    }
}
