//! Where stock stands.

use crate::fault::Faults;
use crate::ids::SiteId;
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

/// What a place is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum PlaceKind {
    /// A warehouse of the dealer.
    Warehouse,
    /// A van.
    Van,
    /// A customer's site: stock stands beside its units.
    Site {
        /// Which site.
        site_id: SiteId,
    },
}

/// A place's record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Place {
    /// Its name, 1 to 120 characters.
    pub name: String,
    /// What it is.
    #[serde(flatten)]
    pub kind: PlaceKind,
    /// The days of its lots' expiry end by this zone.
    pub time_zone: Tz,
}

impl Place {
    /// The record, its name trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.name = faults.text("/name", &self.name, 120);
        faults.or(self)
    }

    /// What it becomes. Its kind stays: what moved here moved to a place of that kind.
    ///
    /// # Errors
    /// A fault at `/kind`.
    pub fn becomes(&self, new: Self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if new.kind != self.kind {
            faults.add("/kind", "fixed", "add another place and move the stock there");
        }
        faults.or(new)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;
    use uuid::Uuid;

    #[test]
    fn a_record_is_plain_json_and_its_kind_stays() {
        let kind = PlaceKind::Site { site_id: SiteId(Uuid::from_u128(5)) };
        let place = Place { name: "Yard".to_owned(), kind, time_zone: chrono_tz::Europe::Rome };
        let json = json!({"name": "Yard", "kind": "site", "site_id": Uuid::from_u128(5), "time_zone": "Europe/Rome"});
        assert_eq!(serde_json::to_value(&place).unwrap(), json);
        assert_eq!(serde_json::from_value::<Place>(json).unwrap(), place);
        let van = Place { kind: PlaceKind::Van, ..place.clone() };
        assert_eq!(place.becomes(van).unwrap_err().0[0].pointer, "/kind");
        let nameless = Place { name: " ".to_owned(), ..place };
        assert_eq!(nameless.checked().unwrap_err().0[0].pointer, "/name");
    }
}
