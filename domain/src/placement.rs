//! A placement: a unit at a site from-to, with what was read at both ends.

use crate::fault::Faults;
use crate::ids::{CustomerId, MeterId, SiteId, UnitId};
use crate::measures::gauge::{Gauge, GaugeReading, GaugeUnit};
use crate::named::named;
use crate::span::Span;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use std::collections::HashSet;

named! {
    /// On which terms a unit stands at a site.
    Terms as "terms" {
        /// It belongs to the customer.
        Sold = "sold",
        /// It belongs to the dealer, for a rent.
        Rented = "rented",
        /// It belongs to the dealer, for nothing.
        Loan = "loan",
        /// It is shown, before a decision.
        Demo = "demo",
    }
}

/// A register as it was read at a handover.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RegisterThen {
    /// Of which meter.
    pub meter_id: MeterId,
    /// Its value, in counts of the meter's own unit.
    pub register: f64,
}

/// How full a tank or pit stood at a handover.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LevelThen {
    /// Which tank, 1 to 60 characters.
    pub place: String,
    /// What was in it, in litres.
    pub volume_l: f64,
}

impl LevelThen {
    /// The level as a gauge of that instant.
    #[must_use]
    pub fn gauge(&self, at: DateTime<Utc>) -> GaugeReading {
        GaugeReading {
            at,
            gauge: Gauge::Level,
            qualifier: None,
            value: self.volume_l,
            unit: GaugeUnit::L,
            place: Some(self.place.clone()),
        }
    }
}

/// What was read when a unit changed hands.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Handover {
    /// Registers, one a meter.
    pub registers: Vec<RegisterThen>,
    /// Levels.
    pub levels: Vec<LevelThen>,
}

/// Meters and levels that one handover can name.
const HANDOVER_ROWS_MAX: usize = 200;
/// Largest level taken, in litres.
const LEVEL_L_MAX: f64 = 10_000_000.0;

impl Handover {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        for (pointer, rows) in [("/registers", self.registers.len()), ("/levels", self.levels.len())] {
            if rows > HANDOVER_ROWS_MAX {
                faults.add(pointer, "too_many", format!("give at most {HANDOVER_ROWS_MAX}"));
            }
        }
        let mut seen = HashSet::new();
        for (n, row) in self.registers.iter().enumerate() {
            if !seen.insert(row.meter_id) {
                faults.add(format!("/registers/{n}/meter_id"), "twice", "give each meter once");
            }
        }
        for (n, level) in self.levels.iter_mut().enumerate() {
            level.place = faults.text(&format!("/levels/{n}/place"), &level.place, 60);
            faults.range(&format!("/levels/{n}/volume_l"), level.volume_l, 0.0, LEVEL_L_MAX);
        }
        faults.or(self)
    }
}

/// A placement to be made.
#[derive(Debug, Clone, PartialEq)]
pub struct NewPlacement {
    /// At which site.
    pub site_id: SiteId,
    /// From when, and until when if that is known.
    pub span: Span,
    /// On which terms.
    pub terms: Terms,
    /// What was read when the unit came.
    pub at_start: Handover,
}

/// A placement's record.
#[derive(Debug, Clone, PartialEq)]
pub struct Placement {
    /// Which unit.
    pub unit_id: UnitId,
    /// At which site.
    pub site_id: SiteId,
    /// Whose site that is.
    pub customer_id: CustomerId,
    /// From when until when.
    pub span: Span,
    /// On which terms.
    pub terms: Terms,
    /// What was read when the unit came.
    pub at_start: Handover,
    /// What was read when it went.
    pub at_end: Option<Handover>,
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    fn meter(n: u128) -> MeterId {
        MeterId(Uuid::from_u128(n))
    }

    fn pointers(faults: &Faults) -> Vec<&str> {
        faults.0.iter().map(|fault| fault.pointer.as_str()).collect()
    }

    #[test]
    fn every_fault_of_a_handover_is_named() {
        let row = RegisterThen { meter_id: meter(1), register: 5.0 };
        let level = |place: &str, volume_l| LevelThen { place: place.to_owned(), volume_l };
        let handover = Handover {
            registers: vec![row, row],
            levels: vec![level("pit", 800.0), level(" ", 1.0), level("clean tank", -1.0)],
        };
        assert_eq!(
            pointers(&handover.checked().unwrap_err()),
            ["/registers/1/meter_id", "/levels/1/place", "/levels/2/volume_l"]
        );
    }

    #[test]
    fn reads_back_what_the_database_keeps() {
        assert_eq!(serde_json::from_str::<Handover>("{}").unwrap(), Handover::default());
        let handover = Handover {
            registers: vec![RegisterThen { meter_id: meter(1), register: 12.5 }],
            levels: vec![LevelThen { place: "pit".to_owned(), volume_l: 800.0 }],
        };
        let kept = serde_json::to_value(&handover).unwrap();
        assert_eq!(serde_json::from_value::<Handover>(kept).unwrap(), handover);
    }
}
