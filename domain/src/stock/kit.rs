//! Goods kept for planned visits: reserved before, used or given back after.

use super::quantity::Quantity;
use crate::fault::Faults;
use crate::ids::{ItemId, PlaceId, VisitId};
use crate::template;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How much of an item.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct KitLine {
    /// Which item.
    pub item_id: ItemId,
    /// How much, in the item's unit.
    pub quantity: Quantity,
}

/// What a kind of visit takes along.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Kit {
    /// Its name, 1 to 120 characters.
    pub name: String,
    /// What is in it, each item once.
    pub lines: Vec<KitLine>,
    /// The part that is replaced with it, where it is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub for_part: Option<ForPart>,
}

/// The parts that a kit replaces.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ForPart {
    /// Their kind, one word in snake_case as of components.
    pub kind: String,
    /// The maker's name for them; none for all that have no kit of their own.
    pub model: Option<String>,
}

/// Most lines of a kit.
const LINES_MAX: usize = 200;

impl Kit {
    /// The record, its name trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.name = faults.text("/name", &self.name, 120);
        if let Some(part) = &mut self.for_part {
            part.kind = faults.word("/for_kind", &part.kind, 60);
            part.model = faults.optional_text("/for_model", part.model.as_deref(), 120);
        }
        if self.lines.is_empty() || self.lines.len() > LINES_MAX {
            faults.add("/lines", "out_of_range", format!("give 1 to {LINES_MAX} lines"));
        }
        for (n, line) in self.lines.iter().enumerate() {
            if line.quantity == Quantity::ZERO {
                faults.add(format!("/lines/{n}/quantity"), "not_positive", "give more than nothing, or leave it out");
            }
            if self.lines.iter().take(n).any(|other| other.item_id == line.item_id) {
                faults.add(format!("/lines/{n}/item_id"), "twice", "give each item once");
            }
        }
        faults.or(self)
    }
}

/// A kit kept for a visit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reservation {
    /// For which planned visit, where there is one.
    pub visit_id: Option<VisitId>,
    /// Where it is kept: in a warehouse or already in the van.
    pub place_id: PlaceId,
    /// When the visit is planned.
    pub planned_on: NaiveDate,
    /// What is kept.
    pub lines: Vec<KitLine>,
}

/// What became of a reservation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Closed {
    /// Kept and not used: it goes back.
    pub unused: Vec<KitLine>,
    /// Used beyond what was kept.
    pub beyond: Vec<KitLine>,
}

impl Reservation {
    /// What of goods that were used is of the items kept.
    #[must_use]
    pub fn used_of(&self, used: &[KitLine]) -> Vec<KitLine> {
        let kept = sums(self.lines.iter());
        let of_kept = sums(used.iter().filter(|line| kept.contains_key(&line.item_id)));
        beyond(&of_kept, &BTreeMap::new())
    }

    /// What is left, and what was used beyond it, after a visit that used `used`.
    #[must_use]
    pub fn closed(&self, used: &[KitLine]) -> Closed {
        let (kept, used) = (sums(self.lines.iter()), sums(used.iter()));
        Closed { unused: beyond(&kept, &used), beyond: beyond(&used, &kept) }
    }
}

/// What some tasks take along as a model has it, each item once; a line that names no item of the
/// stock is kept nowhere.
#[must_use]
pub fn of_tasks(kits: &[template::KitLine], tasks: &[&str]) -> Vec<KitLine> {
    let same = |line: &&template::KitLine| tasks.iter().any(|task| task.eq_ignore_ascii_case(&line.task));
    let lines = kits
        .iter()
        .filter(same)
        .filter_map(|line| Some(KitLine { item_id: line.item_id?, quantity: Quantity::parse(line.quantity).ok()? }));
    let lines: Vec<KitLine> = lines.collect();
    beyond(&sums(lines.iter()), &BTreeMap::new())
}

/// What is kept of an item at a place.
#[must_use]
pub fn reserved(reservations: &[Reservation], place_id: PlaceId, item_id: ItemId) -> Decimal {
    let there = reservations.iter().filter(|reservation| reservation.place_id == place_id);
    let lines = there.flat_map(|reservation| &reservation.lines).filter(|line| line.item_id == item_id);
    lines.map(|line| line.quantity.get()).sum()
}

/// Sums of each item.
pub(super) fn sums<'a>(lines: impl Iterator<Item = &'a KitLine>) -> BTreeMap<ItemId, Decimal> {
    lines.fold(BTreeMap::new(), |mut sums, line| {
        *sums.entry(line.item_id).or_default() += line.quantity.get();
        sums
    })
}

/// What one has beyond the other.
fn beyond(one: &BTreeMap<ItemId, Decimal>, other: &BTreeMap<ItemId, Decimal>) -> Vec<KitLine> {
    let lines = one.iter().filter_map(|(item_id, amount)| {
        let rest = *amount - other.get(item_id).copied().unwrap_or_default();
        let quantity = Quantity::parse(rest).ok().filter(|rest| *rest > Quantity::ZERO)?;
        Some(KitLine { item_id: *item_id, quantity })
    });
    lines.collect()
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::stock::movement::tests::{ACID, VAN, WAREHOUSE};
    use crate::stock::quantity::tests::quantity;
    use proptest::prelude::*;
    use serde_json::json;
    use uuid::Uuid;

    pub(crate) fn item(n: u128) -> ItemId {
        ItemId(Uuid::from_u128(n))
    }

    pub(crate) fn kept(lines: &[(u128, &str)]) -> Vec<KitLine> {
        lines.iter().map(|(n, amount)| KitLine { item_id: item(*n), quantity: quantity(amount) }).collect()
    }

    pub(crate) fn reservation(place_id: PlaceId, lines: &[(u128, &str)]) -> Reservation {
        let planned_on = "2026-03-20".parse().unwrap();
        Reservation { visit_id: Some(VisitId(Uuid::from_u128(8))), place_id, planned_on, lines: kept(lines) }
    }

    #[test]
    fn what_was_not_used_goes_back() {
        let closed = reservation(VAN, &[(1, "2"), (2, "5"), (3, "1")]).closed(&kept(&[(1, "2"), (2, "1.5"), (4, "1")]));
        assert_eq!(closed.unused, kept(&[(2, "3.5"), (3, "1")]));
        assert_eq!(closed.beyond, kept(&[(4, "1")]));
    }

    #[test]
    fn a_visit_keeps_what_its_tasks_take_along() {
        let line = |task: &str, n: Option<u128>, quantity: i64| template::KitLine {
            task: task.to_owned(),
            item: "x".to_owned(),
            quantity: Decimal::from(quantity),
            unit: template::GoodsUnit::Piece,
            substitutes: Vec::new(),
            item_id: n.map(item),
        };
        let kits = [
            line("Renew the tube", Some(1), 2),
            line("Filters", Some(2), 4),
            line("Filters", Some(1), 1),
            line("Filters", None, 9),
            line("Other", Some(3), 1),
        ];
        assert_eq!(of_tasks(&kits, &["renew the tube", "Filters"]), kept(&[(1, "3"), (2, "4")]));
        let one = reservation(VAN, &[(1, "3"), (2, "4")]);
        assert_eq!(one.used_of(&kept(&[(1, "1"), (3, "5"), (1, "1")])), kept(&[(1, "2")]));
    }

    #[test]
    fn what_is_kept_is_counted_by_place() {
        let reservations = [
            reservation(VAN, &[(1, "2")]),
            reservation(VAN, &[(1, "3"), (2, "1")]),
            reservation(WAREHOUSE, &[(1, "9")]),
        ];
        assert_eq!(reserved(&reservations, VAN, item(1)), Decimal::from(5));
        assert_eq!(reserved(&reservations, VAN, ACID), Decimal::ZERO);
    }

    #[test]
    fn every_fault_is_named_and_the_record_is_plain_json() {
        let wrong = Kit { name: String::new(), lines: kept(&[(1, "2"), (1, "0")]), for_part: None };
        let pointers: Vec<_> = wrong.checked().unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(pointers, ["/name", "/lines/1/quantity", "/lines/1/item_id"]);
        assert_eq!(
            Kit { name: "Yearly".to_owned(), lines: vec![], for_part: None }.checked().unwrap_err().0[0].pointer,
            "/lines"
        );
        let json = json!({"name": "Yearly", "lines": [{"item_id": Uuid::from_u128(1), "quantity": "2"}]});
        let kit: Kit = serde_json::from_value(json.clone()).unwrap();
        assert_eq!(serde_json::to_value(&kit).unwrap(), json);
        assert_eq!(kit.clone().checked(), Ok(kit));
    }

    proptest! {
        /// What was kept and what was used beyond it is what was used and what goes back.
        #[test]
        fn nothing_is_lost(lines in prop::collection::vec((0..4_u128, 1..50_i64), 0..6), used in prop::collection::vec((0..4_u128, 1..50_i64), 0..6)) {
            let lines_of = |of: &[(u128, i64)]| -> Vec<KitLine> {
                let line = |(n, amount): &(u128, i64)| {
                    KitLine { item_id: item(*n), quantity: Quantity::parse(Decimal::from(*amount)).unwrap() }
                };
                of.iter().map(line).collect()
            };
            let (lines, used) = (lines_of(&lines), lines_of(&used));
            let closed = Reservation { lines: lines.clone(), ..reservation(VAN, &[]) }.closed(&used);
            let both = |one: &[KitLine], other: &[KitLine]| sums(one.iter().chain(other));
            prop_assert_eq!(both(&lines, &closed.beyond), both(&used, &closed.unused));
        }
    }
}
