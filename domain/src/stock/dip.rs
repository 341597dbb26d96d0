//! What was left at a site when somebody looked: the opened drum dipped, the sealed ones counted.

use super::item::Item;
use super::quantity::{Quantity, StockUnit};
use crate::fault::Faults;
use crate::ids::{ItemId, PlaceId};
use crate::span;
use chrono::{DateTime, Utc};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// A look at a site's stock of an item. It stands beside the ledger and changes nothing there:
/// a drum in use loses what no line says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Dip {
    /// Where.
    pub place_id: PlaceId,
    /// Of which item.
    pub item_id: ItemId,
    /// When.
    pub at: DateTime<Utc>,
    /// Left in what is opened.
    pub open: Quantity,
    /// In what is still sealed.
    pub sealed: Quantity,
    /// In what both are given; the item's own unit.
    pub unit: StockUnit,
}

impl Dip {
    /// All there is.
    #[must_use]
    pub fn total(&self) -> Decimal {
        self.open.get() + self.sealed.get()
    }

    /// The dip of `item`, its instant as the database keeps it.
    ///
    /// # Errors
    /// Faults at `/at` and `/unit`.
    pub fn checked(mut self, item: &Item, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.at = span::instant(&mut faults, "/at", self.at);
        span::past(&mut faults, "/at", self.at, now);
        if self.unit != item.unit {
            let fix = format!("{} is kept in {}: give the quantities in that", item.name, item.unit.as_str());
            faults.add("/unit", "wrong_unit", fix);
        }
        faults.or(self)
    }
}

/// An upright drum or tank with straight walls.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Drum {
    /// What it holds when full, in the item's unit.
    pub full: Quantity,
    /// How high that stands, in millimetres.
    pub full_mm: f64,
}

/// Decimals of a dipped quantity: more than a stick can tell.
const DIP_DECIMALS: u32 = 2;

impl Drum {
    /// What it holds when its liquid stands `level_mm` high.
    ///
    /// # Errors
    /// Faults at `/full_mm` and `/level_mm`.
    pub fn holds(&self, level_mm: f64) -> Result<Quantity, Faults> {
        let mut faults = Faults::default();
        faults.range("/full_mm", self.full_mm, 1.0, 20_000.0);
        faults.range("/level_mm", level_mm, 0.0, self.full_mm);
        let share = Decimal::try_from(level_mm / self.full_mm).unwrap_or_default();
        let held = self.full.get() * share.round_dp(6);
        faults.and(Quantity::parse(held.round_dp(DIP_DECIMALS)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::item::tests::acid;
    use crate::stock::movement::tests::{ACID, SITE, noon};
    use crate::stock::quantity::tests::quantity;
    use serde_json::json;

    fn dip() -> Dip {
        let (open, sealed) = (quantity("12.5"), quantity("40"));
        Dip { place_id: SITE, item_id: ACID, at: noon(3), open, sealed, unit: StockUnit::L }
    }

    #[test]
    fn it_is_all_there_is_in_the_unit_of_the_item() {
        assert_eq!(dip().total().to_string(), "52.5");
        assert_eq!(dip().checked(&acid(), noon(3)), Ok(dip()));
        let wrong = Dip { unit: StockUnit::Kg, ..dip() };
        let pointers: Vec<_> =
            wrong.checked(&acid(), noon(2)).unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(pointers, ["/at", "/unit"]);
    }

    #[test]
    fn a_drum_holds_by_its_level() {
        let drum = Drum { full: quantity("200"), full_mm: 840.0 };
        assert_eq!(drum.holds(210.0).unwrap(), quantity("50"));
        assert_eq!(drum.holds(840.0).unwrap(), quantity("200"));
        assert_eq!(drum.holds(1.0).unwrap(), quantity("0.24"));
        assert_eq!(drum.holds(841.0).unwrap_err().0[0].pointer, "/level_mm");
        assert_eq!(Drum { full_mm: 0.0, ..drum }.holds(0.0).unwrap_err().0[0].pointer, "/full_mm");
    }

    #[test]
    fn a_record_is_plain_json() {
        let json = json!({"place_id": SITE, "item_id": ACID, "at": "2026-03-03T12:00:00Z",
            "open": "12.5", "sealed": "40", "unit": "l"});
        assert_eq!(serde_json::to_value(dip()).unwrap(), json);
        assert_eq!(serde_json::from_value::<Dip>(json).unwrap(), dip());
    }
}
