//! What a van has to take along for its visits, and what of it must not ride together.

use super::hazard::{Clash, DEFER, HazardGroup};
use super::kit::{Reservation, sums};
use crate::ids::ItemId;
use rust_decimal::Decimal;
use std::collections::BTreeMap;

/// A line of the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LoadLine {
    /// Which item.
    pub item_id: ItemId,
    /// What the visits need, in the item's unit.
    pub needed: Decimal,
    /// What is in the van already.
    pub aboard: Decimal,
    /// What to put in.
    pub to_load: Decimal,
}

/// Two items that must not ride together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Together {
    /// The one.
    pub first: ItemId,
    /// The other.
    pub second: ItemId,
    /// Why not.
    pub clash: Clash,
}

impl Together {
    /// The warning, and who decides.
    #[must_use]
    pub fn words(&self) -> String {
        format!("{} ({DEFER})", self.clash.words())
    }
}

/// What a van has to take along.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LoadList {
    /// What the visits need, by item.
    pub lines: Vec<LoadLine>,
    /// What must not ride together of all that will be in the van.
    pub warnings: Vec<Together>,
}

impl LoadList {
    /// The list for visits with these reservations, with what is `aboard` already. `hazard`
    /// gives an item's group.
    #[must_use]
    pub fn of(
        reservations: &[Reservation],
        aboard: &BTreeMap<ItemId, Decimal>,
        hazard: impl Fn(ItemId) -> HazardGroup,
    ) -> Self {
        let needed = sums(reservations.iter().flat_map(|reservation| &reservation.lines));
        let line = |(&item_id, &needed): (&ItemId, &Decimal)| {
            let aboard = aboard.get(&item_id).copied().unwrap_or_default();
            LoadLine { item_id, needed, aboard, to_load: (needed - aboard).max(Decimal::ZERO) }
        };
        let lines = needed.iter().map(line).collect();
        let there = aboard.iter().chain(&needed).filter(|(_, amount)| **amount > Decimal::ZERO);
        let riding: BTreeMap<ItemId, HazardGroup> = there.map(|(&item_id, _)| (item_id, hazard(item_id))).collect();
        Self { lines, warnings: clashes(&riding) }
    }
}

fn clashes(riding: &BTreeMap<ItemId, HazardGroup>) -> Vec<Together> {
    let pairs = riding.iter().enumerate().flat_map(|(n, one)| riding.iter().skip(n + 1).map(move |other| (one, other)));
    let clashing = pairs
        .filter_map(|((&first, one), (&second, other))| Some(Together { first, second, clash: one.clash(*other)? }));
    clashing.collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::kit::tests::{item, reservation};
    use crate::stock::movement::tests::VAN;

    fn hazard(of: ItemId) -> HazardGroup {
        match of.0.as_u128() {
            1 => HazardGroup::Acid,
            2 => HazardGroup::Hypochlorite,
            3 => HazardGroup::Microbes,
            _ => HazardGroup::Harmless,
        }
    }

    fn aboard(amounts: &[(u128, i64)]) -> BTreeMap<ItemId, Decimal> {
        amounts.iter().map(|(n, amount)| (item(*n), Decimal::from(*amount))).collect()
    }

    #[test]
    fn what_is_aboard_need_not_be_loaded() {
        let visits = [reservation(VAN, &[(1, "20"), (4, "2")]), reservation(VAN, &[(4, "3")])];
        let list = LoadList::of(&visits, &aboard(&[(1, 25), (4, 1), (9, 7)]), hazard);
        let lines: Vec<_> = list.lines.iter().map(|line| [line.needed, line.aboard, line.to_load]).collect();
        let wanted = [[20, 25, 0], [5, 1, 4]].map(|line| line.map(Decimal::from));
        assert_eq!(lines, wanted);
        assert_eq!(list.warnings, []);
    }

    #[test]
    fn what_is_loaded_is_held_against_what_is_aboard() {
        let visits = [reservation(VAN, &[(1, "20")])];
        let warnings = |there: &[(u128, i64)]| LoadList::of(&visits, &aboard(there), hazard).warnings;
        let with = |second, clash| Together { first: item(1), second: item(second), clash };
        let acid_and_bleach = with(2, Clash::PoisonGas);
        assert_eq!(warnings(&[(2, 5)]), [acid_and_bleach]);
        assert!(acid_and_bleach.words().starts_with("never together"));
        assert!(
            acid_and_bleach
                .words()
                .ends_with("(common practice, no source: the safety data sheets of the products decide)")
        );
        assert_eq!(warnings(&[(2, 0), (4, 5)]), [], "an empty shelf does not ride");
        let killed = Together { first: item(2), second: item(3), clash: Clash::KillsCulture };
        assert_eq!(
            warnings(&[(2, 5), (3, 1)]),
            [with(2, Clash::PoisonGas), with(3, Clash::KillsCulture), killed],
            "every pair is named"
        );
    }
}
