//! What holds for every ledger.

use super::*;
use crate::stock::movement::tests::{SITE, VAN, WAREHOUSE, counted, issued, line, moved, noon, received};
use crate::stock::quantity::Quantity;
use proptest::prelude::*;

const PLACES: [PlaceId; 3] = [WAREHOUSE, VAN, SITE];

fn events(with_counts: bool) -> impl Strategy<Value = Event> {
    let place = || prop::sample::select(PLACES.to_vec());
    prop_oneof![
        place().prop_map(received),
        place().prop_map(issued),
        (place(), place())
            .prop_filter("a line that goes round is refused", |(from, to)| from != to)
            .prop_map(|(from, to)| moved(from, to)),
        place().prop_map(move |place| if with_counts { counted(place) } else { received(place) }),
    ]
}

/// Lines with hundredths, several of them at one instant.
fn movements(with_counts: bool) -> impl Strategy<Value = Vec<Movement>> {
    let one = (1..28_u32, 0..10_000_i64, events(with_counts));
    prop::collection::vec(one, 0..40).prop_map(|lines| {
        let numbered = lines.into_iter().zip(1..);
        let movement = |((day, hundredths, event), id)| Movement {
            quantity: Quantity::parse(Decimal::new(hundredths, 2)).unwrap(),
            ..line(id, day, "0", event)
        };
        numbered.map(movement).collect()
    })
}

/// The sum as it is written down: all lines up to the instant, one by one.
fn naive(movements: &[Movement], place_id: PlaceId, at: DateTime<Utc>) -> Decimal {
    let mut past: Vec<_> = movements.iter().filter(|movement| movement.at <= at).collect();
    past.sort_by_key(|movement| (movement.at, matches!(movement.event, Event::Counted { .. }), movement.id));
    let changes = past.into_iter().flat_map(Movement::changes).filter(|(place, _)| *place == place_id);
    changes.fold(Decimal::ZERO, |sum, (_, change)| match change {
        Change::By(amount) => sum + amount,
        Change::To(found) => found,
    })
}

fn balances(ledger: &Ledger, day: u32) -> [Decimal; 3] {
    PLACES.map(|place| ledger.balance(place, crate::stock::movement::tests::ACID, noon(day)))
}

proptest! {
    #[test]
    fn balances_are_sums_in_whatever_order_lines_arrive(
        (lines, shuffled) in movements(true).prop_flat_map(|lines| (Just(lines.clone()), Just(lines).prop_shuffle())),
        day in 1..28_u32,
    ) {
        let in_bulk = Ledger::of(&lines);
        let mut one_by_one = Ledger::default();
        for movement in &shuffled {
            one_by_one.post(movement);
        }
        let wanted = PLACES.map(|place| naive(&lines, place, noon(day)));
        prop_assert_eq!(balances(&in_bulk, day), wanted);
        prop_assert_eq!(balances(&one_by_one, day), wanted);
        for (shelf, postings) in &in_bulk.shelves {
            prop_assert_eq!(postings.as_slice(), one_by_one.postings(shelf));
            prop_assert_eq!(postings.iter().map(|posting| posting.change).sum::<Decimal>(), postings.last().unwrap().balance);
        }
    }

    /// Moves take nothing from all places together and add nothing: what stands there is what
    /// came in less what was issued.
    #[test]
    fn moves_conserve(lines in movements(false), day in 1..28_u32) {
        let net: Decimal = lines.iter().filter(|movement| movement.at <= noon(day)).map(|movement| {
            match movement.event {
                Event::Received { .. } => movement.quantity.get(),
                Event::Issued { .. } => -movement.quantity.get(),
                _ => Decimal::ZERO,
            }
        }).sum();
        prop_assert_eq!(balances(&Ledger::of(&lines), day).into_iter().sum::<Decimal>(), net);
    }

    /// A ledger that only took what it admitted is never below zero, at no instant.
    #[test]
    fn what_is_admitted_never_overdraws(lines in movements(true)) {
        let mut ledger = Ledger::default();
        for movement in &lines {
            if ledger.admit(movement).is_ok() {
                ledger.post(movement);
            }
        }
        for postings in ledger.shelves.values() {
            prop_assert!(postings.iter().all(|posting| posting.balance >= Decimal::ZERO));
        }
    }
}
