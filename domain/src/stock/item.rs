//! What is kept in stock: a consumable or a spare part, its lots, and how it is bought.

use super::demand::per_day::PerDay;
use super::hazard::HazardGroup;
use super::quantity::{Quantity, StockUnit};
use super::replenish::ServiceLevel;
use crate::dosing::feed::{DENSITY_KG_PER_L, Product, active_share_of};
use crate::fault::Faults;
use crate::ids::{ItemId, SupplierId};
use chrono::{Days, NaiveDate};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// An item's record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Item {
    /// Its name, 1 to 120 characters.
    pub name: String,
    /// What it is counted in; every movement of it is in this unit.
    pub unit: StockUnit,
    /// Mass of a litre, for liquids; turns dosed volumes into kilograms.
    pub density_kg_per_l: Option<f64>,
    /// Active substance in it by mass; with the density, what a dose asks of it.
    pub active_share: Option<f64>,
    /// What one unit uses of it in a running day, where somebody declared that.
    pub per_day: Option<PerDay>,
    /// What it does to other goods.
    pub hazard: HazardGroup,
    /// Whether its movements name a lot.
    pub by_lot: bool,
    /// Days for which a new lot is good, as a rule.
    pub shelf_life_d: Option<u16>,
    /// The chance that its stock is to suffice until the next delivery.
    pub service_level: ServiceLevel,
    /// Who sells it and how; `None` when it is not bought by the dealer.
    pub supply: Option<Supply>,
}

/// How an item is bought.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Supply {
    /// From whom.
    pub supplier_id: SupplierId,
    /// What one pack holds, in the item's unit.
    pub pack: Quantity,
    /// Packs that an order takes at least.
    pub least_packs: u32,
    /// Days from order to delivery, as a rule.
    pub lead_time_d: u16,
    /// Standard deviation of those days.
    pub lead_time_sd_d: f64,
    /// What ordering and keeping it cost, where somebody said both: an order is then as large as
    /// costs least.
    pub costs: Option<OrderCosts>,
}

/// What ordering and keeping an item cost, in the dealer's currency.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct OrderCosts {
    /// One order, whatever its size.
    pub order: Decimal,
    /// Keeping one of the item's unit for a year.
    pub holding_per_year: Decimal,
}

/// Largest cost taken.
const COST_MAX: i64 = 1_000_000_000;

impl OrderCosts {
    /// The costs.
    ///
    /// # Errors
    /// A fault for each that is not above nothing.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        for (pointer, cost) in [("/order_cost", self.order), ("/holding_cost_per_year", self.holding_per_year)] {
            if cost <= Decimal::ZERO || cost > Decimal::from(COST_MAX) {
                faults.add(pointer, "out_of_range", format!("give an amount above 0, up to {COST_MAX}"));
            }
        }
        faults.or(self)
    }
}

/// Longest lead time taken, in days.
const LEAD_TIME_D_MAX: f64 = 730.0;
/// Longest shelf life taken, in days.
const SHELF_LIFE_D_MAX: f64 = 7300.0;
/// Most packs that an order can have to take.
const LEAST_PACKS: (f64, f64) = (1.0, 10_000.0);

impl Item {
    /// The record, its name trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.name = faults.text("/name", &self.name, 120);
        if let Some(density) = self.density_kg_per_l {
            faults.range("/density_kg_per_l", density, DENSITY_KG_PER_L.0, DENSITY_KG_PER_L.1);
        }
        if let Some(share) = self.active_share {
            active_share_of(&mut faults, share);
        }
        if let Some(law) = self.per_day {
            faults.take("/per_day", law.checked());
        }
        if let Some(days) = self.shelf_life_d {
            faults.range("/shelf_life_d", f64::from(days), 1.0, SHELF_LIFE_D_MAX);
        }
        if let Some(supply) = &self.supply {
            if supply.pack == Quantity::ZERO {
                faults.add("/supply/pack", "not_positive", "give what one pack holds, in the item's unit");
            }
            faults.range("/supply/least_packs", f64::from(supply.least_packs), LEAST_PACKS.0, LEAST_PACKS.1);
            faults.range("/supply/lead_time_d", f64::from(supply.lead_time_d), 0.0, LEAD_TIME_D_MAX);
            faults.range("/supply/lead_time_sd_d", supply.lead_time_sd_d, 0.0, LEAD_TIME_D_MAX);
            if let Some(costs) = supply.costs {
                faults.take("/supply", costs.checked());
            }
        }
        faults.or(self)
    }

    /// What it becomes. Its unit stays: all its movements are in it.
    ///
    /// # Errors
    /// A fault at `/unit`.
    pub fn becomes(&self, new: Self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if new.unit != self.unit {
            let fix = format!("its movements are in {}; add another item for the other unit", self.unit.as_str());
            faults.add("/unit", "fixed", fix);
        }
        faults.or(new)
    }

    /// Last day on which a lot that came on a day may be used, as a rule.
    #[must_use]
    pub fn expires_on(&self, came_on: NaiveDate) -> Option<NaiveDate> {
        came_on.checked_add_days(Days::new(u64::from(self.shelf_life_d?)))
    }

    /// Its strength as it is fed, where a share and a density are given, `given` before its own.
    ///
    /// # Errors
    /// Faults at `/active_share` and `/density_kg_per_l`.
    pub fn product(&self, given: (Option<f64>, Option<f64>)) -> Result<Product, Faults> {
        let (active_share, density) = (given.0.or(self.active_share), given.1.or(self.density_kg_per_l));
        let mut faults = Faults::default();
        for (pointer, known) in [("/active_share", active_share), ("/density_kg_per_l", density)] {
            if known.is_none() {
                faults.add(pointer, "required", "give it here, or with the consumable");
            }
        }
        match active_share.zip(density) {
            Some((active_share, density)) => Product::parse(active_share, density),
            None => Err(faults),
        }
    }

    /// A dosed volume in the item's unit; `None` when it is counted in neither litres nor
    /// kilograms of known density.
    #[must_use]
    pub fn of_litres(&self, volume_l: f64) -> Option<f64> {
        match self.unit {
            StockUnit::L => Some(volume_l),
            StockUnit::Kg => self.density_kg_per_l.map(|density| volume_l * density),
            StockUnit::M | StockUnit::Piece => None,
        }
    }
}

/// Goods of one production run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Lot {
    /// Of which item.
    pub item_id: ItemId,
    /// What the maker calls it, 1 to 60 characters.
    pub number: String,
    /// Last day on which it may be used.
    pub expires_on: Option<NaiveDate>,
}

impl Lot {
    /// The record, its number trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.number = faults.text("/number", &self.number, 60);
        self.expires_on = self.expires_on.map(|day| crate::span::date(&mut faults, "/expires_on", day));
        faults.or(self)
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::stock::quantity::tests::quantity;
    use serde_json::json;
    use uuid::Uuid;

    pub(crate) fn acid() -> Item {
        Item {
            name: "Acid 30 %".to_owned(),
            unit: StockUnit::L,
            density_kg_per_l: Some(1.15),
            active_share: Some(0.3),
            per_day: None,
            hazard: HazardGroup::Acid,
            by_lot: false,
            shelf_life_d: None,
            service_level: ServiceLevel::USUAL,
            supply: Some(Supply {
                supplier_id: SupplierId(Uuid::from_u128(70)),
                pack: quantity("20"),
                least_packs: 2,
                lead_time_d: 10,
                lead_time_sd_d: 2.0,
                costs: None,
            }),
        }
    }

    #[test]
    fn every_fault_is_named() {
        let supply = Supply {
            pack: Quantity::ZERO,
            least_packs: 0,
            lead_time_d: 731,
            lead_time_sd_d: f64::NAN,
            costs: Some(OrderCosts { order: Decimal::ZERO, holding_per_year: Decimal::NEGATIVE_ONE }),
            ..acid().supply.unwrap()
        };
        let law = PerDay { at_20_c: 2.0, theta: 107.0, water_c: [15.0; 12], sd_share: 0.1 };
        let wrong = Item {
            name: " ".to_owned(),
            density_kg_per_l: Some(1150.0),
            active_share: Some(30.0),
            per_day: Some(law),
            supply: Some(supply),
            ..acid()
        };
        let pointers: Vec<_> = wrong.checked().unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(
            pointers,
            [
                "/name",
                "/density_kg_per_l",
                "/active_share",
                "/per_day/theta",
                "/supply/pack",
                "/supply/least_packs",
                "/supply/lead_time_d",
                "/supply/lead_time_sd_d",
                "/supply/order_cost",
                "/supply/holding_cost_per_year"
            ]
        );
        let lot = Lot { item_id: ItemId(Uuid::nil()), number: String::new(), expires_on: "2200-01-01".parse().ok() };
        let pointers: Vec<_> = lot.checked().unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(pointers, ["/number", "/expires_on"]);
    }

    #[test]
    fn its_unit_stays() {
        assert_eq!(acid().becomes(Item { unit: StockUnit::Kg, ..acid() }).unwrap_err().0[0].pointer, "/unit");
    }

    #[test]
    fn litres_become_kilograms_by_density() {
        assert_eq!(acid().of_litres(2.0), Some(2.0));
        assert_eq!(Item { unit: StockUnit::Kg, ..acid() }.of_litres(2.0), Some(2.3));
        assert_eq!(Item { unit: StockUnit::Kg, density_kg_per_l: None, ..acid() }.of_litres(2.0), None);
        assert_eq!(Item { unit: StockUnit::Piece, ..acid() }.of_litres(2.0), None);
    }

    #[test]
    fn its_strength_is_its_own_unless_one_is_given() {
        let strength = |given| acid().product(given).unwrap().strength_mg_per_ml();
        assert!((strength((None, None)) - 345.0).abs() < 1e-9 && (strength((Some(0.1), None)) - 115.0).abs() < 1e-9);
        let unknown = Item { active_share: None, density_kg_per_l: None, ..acid() };
        let pointers: Vec<_> =
            unknown.product((None, None)).unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(pointers, ["/active_share", "/density_kg_per_l"]);
    }

    #[test]
    fn a_record_is_plain_json() {
        let json = json!({
            "name": "Acid 30 %", "unit": "l", "density_kg_per_l": 1.15, "active_share": 0.3, "per_day": null,
            "hazard": "acid", "by_lot": false, "shelf_life_d": null, "service_level": 0.95,
            "supply": {
                "supplier_id": Uuid::from_u128(70), "pack": "20", "least_packs": 2,
                "lead_time_d": 10, "lead_time_sd_d": 2.0, "costs": null
            }
        });
        assert_eq!(serde_json::to_value(acid()).unwrap(), json);
        assert_eq!(serde_json::from_value::<Item>(json).unwrap(), acid());
    }
}
