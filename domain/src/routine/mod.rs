//! Work that comes again at a unit: when it is due, by whatever comes first, and how it is done.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`every`] | how often |
//! | [`due`] | when next, and by what |
//! | [`caution`] | what to heed |
//! | [`done`] | a due that was done |

pub mod caution;
pub mod done;
pub mod due;
pub mod every;

use crate::fault::Faults;
use crate::ids::{AccountId, UnitId};
use crate::named::named;
use crate::span;
use caution::Caution;
use chrono::NaiveDate;
use every::Every;
use serde::{Deserialize, Serialize};

/// Most points of a checklist.
const POINTS_MAX: usize = 60;

named! {
    /// Work that counts only with a certificate. Who may test, and how often, local codes say.
    Certificate as "certificate" {
        /// The test of a backflow preventer, by a licensed tester.
        BackflowTest = "backflow_test",
        /// The renewal of the permit to discharge or haul.
        DischargePermit = "discharge_permit",
        /// Sampling that an authority asks for, by its laboratory.
        Sampling = "sampling",
    }
}

/// Recurring work, as a model or a unit has it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// What it is called, 1 to 120 characters.
    pub name: String,
    /// How often.
    pub every: Every,
    /// Whether days on which the unit does not run count for nothing.
    pub rests: bool,
    /// What to look at and do, in order.
    pub checklist: Vec<String>,
    /// What to heed.
    pub cautions: Vec<Caution>,
    /// The certificate without which it isn't done.
    pub certificate: Option<Certificate>,
}

impl Plan {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.name = faults.text("/name", &self.name, 120);
        let every = self.every.clone().checked();
        self.every = faults.take_or("/every", every, self.every);
        if self.checklist.len() > POINTS_MAX {
            faults.add("/checklist", "too_many", format!("give at most {POINTS_MAX} points"));
        }
        let points = self.checklist.iter().enumerate();
        self.checklist = points.map(|(n, point)| faults.text(&format!("/checklist/{n}"), point, 200)).collect();
        self.cautions.sort_unstable();
        self.cautions.dedup();
        faults.or(self)
    }
}

/// A unit's routine.
#[derive(Debug, Clone, PartialEq)]
pub struct Routine {
    /// At which unit.
    pub unit_id: UnitId,
    /// What is done, and how often.
    pub plan: Plan,
    /// Who does it, where that is settled.
    pub technician_id: Option<AccountId>,
    /// The local day from which the first due counts.
    pub counts_from: NaiveDate,
}

impl Routine {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.counts_from = span::date(&mut faults, "/counts_from", self.counts_from);
        let plan = self.plan.clone().checked();
        self.plan = faults.take_or("", plan, self.plan);
        faults.or(self)
    }

    /// What it becomes. A routine stays with its unit.
    ///
    /// # Errors
    /// A fault at `/unit_id`.
    pub fn becomes(&self, new: Self) -> Result<Self, Faults> {
        if new.unit_id != self.unit_id {
            let fix = "a routine stays with its unit; retire it here and add it there";
            return Err(Faults::one("/unit_id", "fixed", fix));
        }
        Ok(new)
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use uuid::Uuid;

    pub(crate) fn plan() -> Plan {
        Plan {
            name: "Clean the injector".to_owned(),
            every: Every { days: Some(90), ..Every::default() },
            rests: false,
            checklist: vec!["Close the valve".to_owned()],
            cautions: vec![Caution::StoredPressure],
            certificate: None,
        }
    }

    #[test]
    fn every_fault_is_named() {
        let wrong = Plan {
            name: " ".to_owned(),
            every: Every { hours: Some(0.0), ..Every::default() },
            checklist: vec!["x".to_owned(), String::new()],
            ..plan()
        };
        let pointers: Vec<_> = wrong.checked().unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(pointers, ["/name", "/every/hours", "/checklist/1"]);
    }

    #[test]
    fn a_routine_stays_with_its_unit() {
        let routine = Routine {
            unit_id: UnitId(Uuid::from_u128(1)),
            plan: plan(),
            technician_id: None,
            counts_from: "2026-01-01".parse().unwrap(),
        };
        let moved = Routine { unit_id: UnitId(Uuid::from_u128(2)), ..routine.clone() };
        assert_eq!(routine.becomes(moved).unwrap_err().0[0].pointer, "/unit_id");
        assert_eq!(routine.clone().checked(), Ok(routine));
    }
}
