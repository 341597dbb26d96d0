//! The guns of a site: bucket tests of their flow, and which hours that flow is multiplied by to
//! derive wash volume. What it comes to: [`crate::water::wash`].

use super::days::Days;
use crate::fault::Faults;
use crate::ids::MeterId;
use crate::water::wash::BucketTest;

/// A flow test's record.
#[derive(Debug, Clone, PartialEq)]
pub struct FlowTest {
    /// The label on the gun.
    pub gun: String,
    /// Litres in seconds, on a local day.
    pub test: BucketTest,
    /// Who held the gun.
    pub tested_by: Option<String>,
}

impl FlowTest {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        crate::span::date(&mut faults, "/day", self.test.on);
        self.gun = faults.text("/gun", &self.gun, 60);
        faults.take("", self.test.parse());
        self.tested_by = faults.optional_text("/tested_by", self.tested_by.as_deref(), 120);
        faults.or(self)
    }

    /// The flow found, in litres a minute.
    #[must_use]
    pub fn l_per_min(&self) -> f64 {
        self.test.l_per_h() / 60.0
    }
}

/// Where the hours of a gun's trigger come from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum GunHours {
    /// The meter counts them: at the trigger or its flow switch.
    Counted,
    /// A declared share of the hours that the meter counts at the pump.
    ShareOfPump {
        /// That share, 0 to 1.
        share: f64,
        /// Its standard uncertainty.
        u_share: f64,
    },
}

impl GunHours {
    /// The name of counted hours.
    pub const COUNTED: &str = "trigger_hours";
    /// The name of a share of the pump's.
    pub const OF_PUMP: &str = "share_of_pump_hours";

    /// The method of that name, with the share that only the second has.
    ///
    /// # Errors
    /// Faults at `/method`, `/share` and `/u_share`.
    pub fn parse(method: &str, share: Option<f64>, u_share: Option<f64>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        match method {
            Self::COUNTED => {
                for (pointer, _) in
                    [("/share", share), ("/u_share", u_share)].iter().filter(|(_, given)| given.is_some())
                {
                    faults.add(*pointer, "not_taken", "counted trigger hours have no share; leave it out");
                }
                faults.or(Self::Counted)
            }
            Self::OF_PUMP => {
                for (pointer, given, low) in [("/share", share, SHARE_MIN), ("/u_share", u_share, 0.0)] {
                    match given {
                        Some(given) => faults.range(pointer, given, low, 1.0),
                        None => faults.add(pointer, "required", "declare the share of pump hours, and how sure it is"),
                    }
                }
                faults.or(Self::ShareOfPump { share: share.unwrap_or(1.0), u_share: u_share.unwrap_or_default() })
            }
            _ => {
                let fix = format!("give one of: {}, {}", Self::COUNTED, Self::OF_PUMP);
                Err(Faults::one("/method", "unknown_method", fix))
            }
        }
    }

    /// The name of the method.
    #[must_use]
    pub fn method(self) -> &'static str {
        match self {
            Self::Counted => Self::COUNTED,
            Self::ShareOfPump { .. } => Self::OF_PUMP,
        }
    }

    /// The share of pump hours and its standard uncertainty.
    #[must_use]
    pub fn share(self) -> Option<(f64, f64)> {
        match self {
            Self::Counted => None,
            Self::ShareOfPump { share, u_share } => Some((share, u_share)),
        }
    }
}

/// Smallest share that can be meant: less is a percentage of a percentage.
const SHARE_MIN: f64 = 0.001;

/// A wash derivation's record: from when until when a gun's wash volume is derived, and how.
#[derive(Debug, Clone, PartialEq)]
pub struct WashDerivation {
    /// In which local days.
    pub days: Days,
    /// The label on the gun, as in its flow tests.
    pub gun: String,
    /// The meter of run hours.
    pub meter_id: MeterId,
    /// What it counts.
    pub hours: GunHours,
    /// Who declared it, by what.
    pub source: String,
}

impl WashDerivation {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.gun = faults.text("/gun", &self.gun, 60);
        self.source = faults.text("/source", &self.source, 200);
        faults.or(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pointers<T: std::fmt::Debug>(outcome: Result<T, Faults>) -> Vec<String> {
        outcome.unwrap_err().0.into_iter().map(|fault| fault.pointer).collect()
    }

    #[test]
    fn every_fault_of_a_test_is_named() {
        let test = BucketTest { on: "2200-01-01".parse().unwrap(), litres: 0.0, seconds: 0.0, u_share: -1.0 };
        let wrong = FlowTest { gun: " ".to_owned(), test, tested_by: Some("x".repeat(121)) };
        assert_eq!(pointers(wrong.checked()), ["/day", "/gun", "/litres", "/seconds", "/u_share", "/tested_by"]);
    }

    #[test]
    fn pump_hours_need_a_share_and_trigger_hours_have_none() {
        assert_eq!(GunHours::parse("trigger_hours", None, None).unwrap(), GunHours::Counted);
        let share = GunHours::parse("share_of_pump_hours", Some(0.4), Some(0.05)).unwrap();
        assert_eq!((share.method(), share.share()), ("share_of_pump_hours", Some((0.4, 0.05))));
        assert_eq!(pointers(GunHours::parse("trigger_hours", Some(0.4), None)), ["/share"]);
        assert_eq!(pointers(GunHours::parse("share_of_pump_hours", Some(1.1), None)), ["/share", "/u_share"]);
        assert_eq!(pointers(GunHours::parse("guess", None, None)), ["/method"]);
    }
}
