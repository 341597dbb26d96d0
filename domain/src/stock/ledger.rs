//! The ledger of stock: what stands where at any instant is the sum of its lines.
//!
//! A count says what was found, not what to add: its line is the difference from the sum of
//! the lines before it. So the balances come out the same in whatever order lines arrive, and
//! a line that arrives late takes its part out of the difference of the count after it.

use super::movement::{Change, Event, Movement};
use crate::fault::Faults;
use crate::ids::{ItemId, LotId, MovementId, PlaceId, UnitId};
use chrono::{DateTime, Utc};
use rust_decimal::Decimal;
use std::collections::{BTreeMap, HashMap};
use uuid::Uuid;

/// One item of one lot at one place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Shelf {
    /// Where.
    pub place_id: PlaceId,
    /// What.
    pub item_id: ItemId,
    /// Of which lot, for items kept by lot.
    pub lot_id: Option<LotId>,
}

/// What a line did to a shelf.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Posting {
    /// When.
    pub at: DateTime<Utc>,
    /// By which line.
    pub movement_id: MovementId,
    /// What was added or taken away; of a count, its difference from the ledger.
    pub change: Decimal,
    /// What stands there after it.
    pub balance: Decimal,
    /// What kind of line is behind it.
    pub role: Role,
}

/// What kind of line is behind a posting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// Goods that came or went, but not into a unit.
    Carried,
    /// Goods issued to a unit or returned by it.
    Issue,
    /// A count, with what it found.
    Count(Decimal),
}

/// What a unit got from a place, or gave back.
#[derive(Debug, Clone, Copy)]
struct Issue {
    at: DateTime<Utc>,
    place_id: PlaceId,
    amount: Decimal,
}

/// All lines of a ledger, by shelf and by unit.
#[derive(Debug, Clone, Default)]
pub struct Ledger {
    /// Each in the order of its instants.
    shelves: BTreeMap<Shelf, Vec<Posting>>,
    /// Each in the order of its instants.
    issues: BTreeMap<(UnitId, ItemId), Vec<Issue>>,
}

impl Posting {
    /// Lines of one instant: counts come last, the others by their keys.
    fn order(&self) -> (DateTime<Utc>, bool, MovementId) {
        (self.at, self.is_count(), self.movement_id)
    }

    /// Whether it is a count.
    #[must_use]
    pub fn is_count(&self) -> bool {
        matches!(self.role, Role::Count(_))
    }

    fn on_shelves(movement: &Movement) -> impl Iterator<Item = (Shelf, Self)> + '_ {
        movement.changes().map(|(place_id, change)| {
            let (role, change) = match (change, movement.event) {
                (Change::To(found), _) => (Role::Count(found), Decimal::ZERO),
                (Change::By(amount), Event::Issued { .. } | Event::Returned { .. }) => (Role::Issue, amount),
                (Change::By(amount), _) => (Role::Carried, amount),
            };
            let shelf = Shelf { place_id, item_id: movement.item_id, lot_id: movement.lot_id };
            let (at, movement_id) = (movement.at, movement.id);
            (shelf, Self { at, movement_id, change, balance: Decimal::ZERO, role })
        })
    }
}

impl Issue {
    fn of(movement: &Movement) -> Option<((UnitId, ItemId), Self)> {
        let (unit_id, place_id, amount) = match movement.event {
            Event::Issued { from_place_id, unit_id, .. } => (unit_id, from_place_id, movement.quantity.get()),
            Event::Returned { unit_id, to_place_id, .. } => (unit_id, to_place_id, -movement.quantity.get()),
            _ => return None,
        };
        Some(((unit_id, movement.item_id), Self { at: movement.at, place_id, amount }))
    }
}

/// Adds a shelf's postings up, from the one at `first` on.
fn settle(postings: &mut [Posting], first: usize) {
    let (before, rest) = postings.split_at_mut(first);
    let mut balance = before.last().map_or(Decimal::ZERO, |posting| posting.balance);
    for posting in rest {
        if let Role::Count(found) = posting.role {
            posting.change = found - balance;
        }
        balance += posting.change;
        posting.balance = balance;
    }
}

impl Ledger {
    /// The ledger of these lines, given in any order.
    #[must_use]
    pub fn of<'a>(movements: impl IntoIterator<Item = &'a Movement>) -> Self {
        let mut shelves: HashMap<Shelf, Vec<Posting>> = HashMap::new();
        let mut issues: HashMap<(UnitId, ItemId), Vec<Issue>> = HashMap::new();
        for movement in movements {
            for (shelf, posting) in Posting::on_shelves(movement) {
                shelves.entry(shelf).or_default().push(posting);
            }
            if let Some((key, issue)) = Issue::of(movement) {
                issues.entry(key).or_default().push(issue);
            }
        }
        for postings in shelves.values_mut() {
            postings.sort_by_key(Posting::order);
            settle(postings, 0);
        }
        for issues in issues.values_mut() {
            issues.sort_by_key(|issue| issue.at);
        }
        Self { shelves: shelves.into_iter().collect(), issues: issues.into_iter().collect() }
    }

    /// A ledger that goes on from postings that were added up before: of each shelf the one
    /// before what is to come, and those after it, in order.
    #[must_use]
    pub fn resumed(shelves: impl IntoIterator<Item = (Shelf, Vec<Posting>)>) -> Self {
        Self { shelves: shelves.into_iter().collect(), issues: BTreeMap::new() }
    }

    /// Adds a line.
    pub fn post(&mut self, movement: &Movement) {
        for (shelf, posting) in Posting::on_shelves(movement) {
            let postings = self.shelves.entry(shelf).or_default();
            let place = postings.partition_point(|other| other.order() < posting.order());
            postings.insert(place, posting);
            settle(postings, place);
        }
        if let Some((key, issue)) = Issue::of(movement) {
            let issues = self.issues.entry(key).or_default();
            issues.insert(issues.partition_point(|other| other.at <= issue.at), issue);
        }
    }

    /// Whether a line fits among those there are: a count is younger than every line of its
    /// shelf and its difference explained; nothing leaves that is not there, neither then nor
    /// later, unless the line says why.
    ///
    /// # Errors
    /// Faults at `/at`, `/why` and `/quantity`.
    pub fn admit(&self, movement: &Movement) -> Result<(), Faults> {
        let mut faults = Faults::default();
        for (shelf, posting) in Posting::on_shelves(movement) {
            let postings = self.postings(&shelf);
            let (before, after) = postings.split_at(postings.partition_point(|other| other.order() < posting.order()));
            let balance = before.last().map_or(Decimal::ZERO, |posting| posting.balance);
            match posting.role {
                Role::Count(found) => admit_count(&mut faults, movement, found - balance, after),
                _ if movement.overdraw_reason.is_none() => admit_change(&mut faults, posting.change, balance, after),
                _ => {}
            }
        }
        faults.or(())
    }

    /// What was on a shelf, in order.
    #[must_use]
    pub fn postings(&self, shelf: &Shelf) -> &[Posting] {
        self.shelves.get(shelf).map_or(&[], Vec::as_slice)
    }

    /// What stood on each shelf at an instant, the lines of that instant included.
    pub fn balances(&self, at: DateTime<Utc>) -> impl Iterator<Item = (&Shelf, Decimal)> {
        self.shelves.iter().map(move |(shelf, postings)| (shelf, balance_at(postings, at)))
    }

    /// What stood at a place of an item, all its lots together.
    #[must_use]
    pub fn balance(&self, place_id: PlaceId, item_id: ItemId, at: DateTime<Utc>) -> Decimal {
        self.lots(place_id, item_id).map(|postings| balance_at(postings, at)).sum()
    }

    /// The differences that counts found, where they found any.
    pub fn differences(&self) -> impl Iterator<Item = (&Shelf, &Posting)> {
        let postings = self.shelves.iter().flat_map(|(shelf, postings)| postings.iter().map(move |one| (shelf, one)));
        postings.filter(|(_, posting)| posting.is_count() && !posting.change.is_zero())
    }

    /// What a unit got of an item in `(from, to]`, less what it gave back; with `but_from`, only
    /// what came from other places. `None` when it never got any.
    #[must_use]
    pub fn issued(
        &self,
        unit_id: UnitId,
        item_id: ItemId,
        (from, to): (DateTime<Utc>, DateTime<Utc>),
        but_from: Option<PlaceId>,
    ) -> Option<Decimal> {
        let issues = self.issues.get(&(unit_id, item_id))?;
        let first = issues.partition_point(|issue| issue.at <= from);
        let within = issues.iter().skip(first).take_while(|issue| issue.at <= to);
        Some(within.filter(|issue| Some(issue.place_id) != but_from).map(|issue| issue.amount).sum())
    }

    /// What came to a place in `(from, to]`, less what went away again, without what was issued
    /// there and without counts.
    #[must_use]
    pub fn delivered(&self, place_id: PlaceId, item_id: ItemId, span: (DateTime<Utc>, DateTime<Utc>)) -> Decimal {
        self.sum(place_id, item_id, span, |role| role == Role::Carried)
    }

    /// The same with what was issued there and given back.
    #[must_use]
    pub fn changed(&self, place_id: PlaceId, item_id: ItemId, span: (DateTime<Utc>, DateTime<Utc>)) -> Decimal {
        self.sum(place_id, item_id, span, |role| !matches!(role, Role::Count(_)))
    }

    /// When an item was last counted at a place, up to an instant.
    #[must_use]
    pub fn last_count(&self, place_id: PlaceId, item_id: ItemId, until: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let counts = |postings: &[Posting]| {
            let past = postings.iter().rev().skip_while(|posting| posting.at > until);
            past.filter(|posting| posting.is_count()).map(|posting| posting.at).next()
        };
        self.lots(place_id, item_id).filter_map(counts).max()
    }

    fn sum(
        &self,
        place_id: PlaceId,
        item_id: ItemId,
        (from, to): (DateTime<Utc>, DateTime<Utc>),
        wanted: fn(Role) -> bool,
    ) -> Decimal {
        let within = self.lots(place_id, item_id).flat_map(|postings| {
            let first = postings.partition_point(|posting| posting.at <= from);
            postings.iter().skip(first).take_while(|posting| posting.at <= to)
        });
        within.filter(|posting| wanted(posting.role)).map(|posting| posting.change).sum()
    }

    fn lots(&self, place_id: PlaceId, item_id: ItemId) -> impl Iterator<Item = &[Posting]> {
        let shelf = |lot_id| Shelf { place_id, item_id, lot_id };
        let range = shelf(None)..=shelf(Some(LotId(Uuid::max())));
        self.shelves.range(range).map(|(_, postings)| postings.as_slice())
    }
}

fn balance_at(postings: &[Posting], at: DateTime<Utc>) -> Decimal {
    let past = postings.partition_point(|posting| posting.at <= at);
    past.checked_sub(1).and_then(|last| postings.get(last)).map_or(Decimal::ZERO, |posting| posting.balance)
}

fn admit_count(faults: &mut Faults, movement: &Movement, difference: Decimal, after: &[Posting]) {
    if let Some(later) = after.last() {
        let fix = format!("stock moved there on {}: count again, and give an instant after it", later.at);
        faults.add("/at", "before_movement", fix);
    }
    if !difference.is_zero() && matches!(movement.event, Event::Counted { why: None, .. }) {
        let fix = format!("the count is {difference} off the ledger: say why, or unknown once it was looked into");
        faults.add("/why", "unexplained", fix);
    }
}

/// Later lines up to the next count rest on this one.
fn admit_change(faults: &mut Faults, change: Decimal, balance: Decimal, after: &[Posting]) {
    let rest = after.iter().take_while(|posting| !posting.is_count()).map(|posting| posting.balance);
    let there = rest.fold(balance, Decimal::min);
    if change < Decimal::ZERO && there + change < Decimal::ZERO {
        let fix = format!(
            "the ledger has {} to take from there: give that at most, record first what came in, or say why more \
             could leave in overdraw_reason",
            there.max(Decimal::ZERO)
        );
        faults.add("/quantity", "overdrawn", fix);
    }
}

#[cfg(test)]
mod properties;
#[cfg(test)]
mod tests;
