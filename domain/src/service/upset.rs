//! A process upset: the water going wrong.

use super::NOTE_CHARS_MAX;
use crate::fault::Faults;
use crate::ids::UnitId;
use crate::named::named;
use crate::span;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

named! {
    /// In which way.
    UpsetKind as "kind" {
        /// It smells: the biology lacks oxygen.
        Septic = "septic",
        /// Foam.
        Foam = "foam",
        /// Turbid water comes through.
        Turbid = "turbid",
        /// Oil comes through.
        OilThrough = "oil_through",
        /// pH out of its range.
        PhOut = "ph_out",
        /// The biology is gone.
        BiologyLost = "biology_lost",
    }
}

/// A process upset's record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProcessUpset {
    /// Which unit.
    pub unit_id: UnitId,
    /// In which way the water went wrong.
    pub kind: UpsetKind,
    /// When it began, as far as that is known.
    pub began_at: DateTime<Utc>,
    /// When the water was right again; left out while it goes on.
    #[serde(default)]
    pub ended_at: Option<DateTime<Utc>>,
    /// What was found.
    #[serde(default)]
    pub found: Option<String>,
    /// What was done.
    #[serde(default)]
    pub done: Option<String>,
}

impl ProcessUpset {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.began_at = span::happened(&mut faults, "/began_at", self.began_at, now);
        if let Some(ended) = self.ended_at {
            self.ended_at = Some(span::happened(&mut faults, "/ended_at", ended, now));
            if ended <= self.began_at {
                faults.add("/ended_at", "not_after_began", "give an end after the beginning, or leave it out");
            }
        }
        self.found = faults.optional_text("/found", self.found.as_deref(), NOTE_CHARS_MAX);
        self.done = faults.optional_text("/done", self.done.as_deref(), NOTE_CHARS_MAX);
        faults.or(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_ends_after_it_began() {
        let upset = ProcessUpset {
            unit_id: UnitId(uuid::Uuid::from_u128(1)),
            kind: UpsetKind::Septic,
            began_at: "2026-03-02T08:00:00Z".parse().unwrap(),
            ended_at: Some("2026-03-02T08:00:00Z".parse().unwrap()),
            found: Some("  ".to_owned()),
            done: None,
        };
        let now = "2026-03-02T09:00:00Z".parse().unwrap();
        assert_eq!(upset.clone().checked(now).unwrap_err().0[0].code, "not_after_began");
        let going_on = ProcessUpset { ended_at: None, ..upset };
        assert_eq!(going_on.checked(now).unwrap().found, None);
    }
}
