//! What goes through the dealer's stores: a warehouse and two vans.

use super::chance::{Chance, Topic};
use super::money::{CURRENCY, utility};
use super::plan::{DAY_S, HOUR_S};
use domain::stock::hazard::HazardGroup;
use domain::stock::quantity::StockUnit;
use std::collections::HashMap;

/// An item, and how it comes and goes.
#[derive(Debug)]
pub(crate) struct ItemPlan {
    pub(crate) name: &'static str,
    pub(crate) unit: StockUnit,
    pub(crate) hazard: HazardGroup,
    /// Days that a lot is good for; what has none is not kept by lot.
    pub(crate) shelf_life_d: Option<u16>,
    pub(crate) pack: u32,
    pub(crate) lead_time_d: u16,
    /// What a unit of it costs and sells at, in cents.
    pub(crate) cents: (i64, i64),
    /// How much is used in a month.
    per_month: u32,
}

const fn item(
    name: &'static str,
    (unit, hazard, shelf_life_d): (StockUnit, HazardGroup, Option<u16>),
    (pack, lead_time_d): (u32, u16),
    cents: (i64, i64),
    per_month: u32,
) -> ItemPlan {
    ItemPlan { name, unit, hazard, shelf_life_d, pack, lead_time_d, cents, per_month }
}

use HazardGroup::{Acid, Harmless, Hypochlorite, Microbes};
use StockUnit::{L, Piece};

/// Items and prices are of the usual kinds and sizes (common practice, no source).
pub(crate) const ITEMS: [ItemPlan; 8] = [
    item("Bag filter 50 µm", (Piece, Harmless, None), (20, 14), (620, 1150), 24),
    item("Dosing tube 6 x 4", (Piece, Harmless, None), (10, 21), (1480, 2900), 6),
    item("pH probe", (Piece, Harmless, None), (1, 14), (11_900, 19_500), 3),
    item("Blower diaphragm set", (Piece, Harmless, None), (4, 14), (3850, 6900), 3),
    item("Ozone cell", (Piece, Harmless, None), (1, 21), (41_000, 62_000), 1),
    item("Sulphuric acid 35 %", (L, Acid, None), (25, 7), (140, 290), 40),
    item("Sodium hypochlorite 12 %", (L, Hypochlorite, Some(180)), (25, 7), (95, 210), 30),
    item("Bacteria culture", (L, Microbes, Some(270)), (10, 10), (880, 1650), 14),
];
/// The items that pumps dose.
pub(crate) const ACID: usize = 5;
pub(crate) const HYPOCHLORITE: usize = 6;
/// The item that nobody ordered again.
pub(crate) const SHORT: usize = 0;
/// The item that was counted, and how many were missing.
pub(crate) const COUNTED: (usize, u32) = (1, 2);
/// The item that is on its way.
pub(crate) const ORDERED: usize = 4;
pub(crate) const VANS: usize = 2;

/// A line of the ledger.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct LinePlan {
    pub(crate) at_s: i64,
    pub(crate) item: usize,
    /// In which quarter it came: the lot.
    pub(crate) quarter: usize,
    pub(crate) quantity: u32,
    pub(crate) deed: Deed,
}

/// What is done with it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Deed {
    /// It comes to the warehouse.
    Receive,
    /// It goes from there into a van.
    Load { van: usize },
    /// It goes from a van into a unit, by its number.
    Use { van: usize, unit: usize },
    /// What is in the warehouse is counted.
    Count,
}

const QUARTER_S: i64 = 91 * DAY_S;
const MONTH_S: i64 = 30 * DAY_S;

/// Whether an item is billed by itself at a site: each third is, where the customer is billed in the currency of its
/// price; what else goes into units is in the fee.
pub(crate) fn is_billed(item: usize, site: usize) -> bool {
    item % 3 == 2 && utility(site).currency == CURRENCY
}

/// The ledger from `from_s` to `to_s` in order of time; nothing is taken that is not there.
pub(crate) fn ledger(from_s: i64, to_s: i64, units: &[usize]) -> Vec<LinePlan> {
    let mut lines: Vec<LinePlan> =
        ITEMS.iter().enumerate().flat_map(|(number, item)| wanted(number, item, (from_s, to_s), units)).collect();
    let quarter = lines.iter().filter(|line| line.item == COUNTED.0).map(|line| line.quarter).max().unwrap_or(0);
    let count = LinePlan { at_s: to_s - 12 * DAY_S, item: COUNTED.0, quarter, quantity: 0, deed: Deed::Count };
    lines.push(count);
    lines.sort_by_key(|line| line.at_s);
    let mut shelves = Shelves::default();
    lines.into_iter().filter_map(|line| shelves.take(line)).collect()
}

/// What would be done with an item if there were always enough of it.
fn wanted(number: usize, item: &ItemPlan, (from_s, to_s): (i64, i64), units: &[usize]) -> Vec<LinePlan> {
    let mut chance = Chance::of(Topic::Stock, number);
    let mut lines = Vec::new();
    for (quarter, begin_s) in (from_s..to_s - DAY_S).step_by(usize::try_from(QUARTER_S).unwrap_or(1)).enumerate() {
        let line = |at_s, quantity, deed| LinePlan { at_s, item: number, quarter, quantity, deed };
        let half = item.per_month.div_ceil(2);
        let first = u32::from(quarter == 0);
        // Six loads a quarter and some to spare; of the short one a little less than is used.
        let packs =
            if number == SHORT { 6 * half / item.pack } else { (8 * half + 8 * half * first).div_ceil(item.pack) };
        if number != SHORT || begin_s + QUARTER_S < to_s {
            lines.push(line(begin_s + 8 * HOUR_S, packs * item.pack, Deed::Receive));
        }
        for month in 0..3 {
            let month_s = begin_s + month * MONTH_S;
            for van in 0..VANS {
                let more = if month == 0 { 2 * half * first } else { 0 };
                lines.push(line(month_s + DAY_S + 6 * HOUR_S, half + more, Deed::Load { van }));
                let day = DAY_S * if chance.yes(0.5) { 9 } else { 17 };
                let quantity = half.saturating_sub(u32::from(chance.yes(0.3))).max(1);
                let unit = units.get(place(chance.share(), units.len())).copied();
                if let Some(unit) = unit.filter(|_| chance.yes(0.85)) {
                    lines.push(line(month_s + day + 10 * HOUR_S, quantity, Deed::Use { van, unit }));
                }
            }
        }
    }
    lines.retain(|line| line.at_s < to_s);
    lines
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share of a list's length")]
fn place(share: f64, length: usize) -> usize {
    (share * length as f64) as usize
}

/// What lies where: the warehouse, then the vans; by item and lot.
#[derive(Default)]
struct Shelves(HashMap<(usize, usize, usize), u32>);

impl Shelves {
    /// The line with what there is of it; none where there is nothing.
    fn take(&mut self, line: LinePlan) -> Option<LinePlan> {
        let lot = if ITEMS.get(line.item)?.shelf_life_d.is_some() { line.quarter } else { 0 };
        let shelf = |place| (place, line.item, lot);
        let quantity = match line.deed {
            Deed::Receive => self.put(shelf(0), line.quantity),
            Deed::Load { van } => {
                let quantity = self.draw(shelf(0), line.quantity);
                self.put(shelf(van + 1), quantity)
            }
            Deed::Use { van, .. } => self.draw(shelf(van + 1), line.quantity),
            Deed::Count => {
                self.draw(shelf(0), COUNTED.1);
                let quantity = self.0.get(&shelf(0)).copied().unwrap_or(0);
                return Some(LinePlan { quantity, ..line });
            }
        };
        (quantity > 0).then_some(LinePlan { quantity, ..line })
    }

    fn put(&mut self, shelf: (usize, usize, usize), quantity: u32) -> u32 {
        *self.0.entry(shelf).or_default() += quantity;
        quantity
    }

    /// As much of it as there is.
    fn draw(&mut self, shelf: (usize, usize, usize), most: u32) -> u32 {
        let there = self.0.entry(shelf).or_default();
        let quantity = most.min(*there);
        *there -= quantity;
        quantity
    }
}
