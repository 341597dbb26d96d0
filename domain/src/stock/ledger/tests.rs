use super::*;
use crate::stock::movement::tests::{ACID, SITE, UNIT, VAN, WAREHOUSE, counted, issued, line, moved, noon, received};
use crate::stock::movement::{DifferenceWhy, Payer, WriteOffWhy};

fn decimal(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn faults_of(ledger: &Ledger, movement: &Movement) -> Vec<(String, &'static str)> {
    match ledger.admit(movement) {
        Ok(()) => Vec::new(),
        Err(faults) => faults.0.into_iter().map(|fault| (fault.pointer, fault.code)).collect(),
    }
}

fn fault(pointer: &str, code: &'static str) -> Vec<(String, &'static str)> {
    vec![(pointer.to_owned(), code)]
}

/// 100 in, 40 to the van, 10 to the site, 4 to the unit, 1 of them back.
fn month() -> Vec<Movement> {
    let returned = Event::Returned { unit_id: UNIT, to_place_id: SITE, payer: Payer::Included };
    vec![
        line(1, 2, "100", received(WAREHOUSE)),
        line(2, 4, "40", moved(WAREHOUSE, VAN)),
        line(3, 6, "10", moved(VAN, SITE)),
        line(4, 8, "4", issued(SITE)),
        line(5, 9, "1", returned),
        line(6, 20, "29.5", counted(VAN)),
        line(7, 22, "0.5", Event::WrittenOff { from_place_id: VAN, why: WriteOffWhy::Damaged }),
    ]
}

#[test]
fn the_balance_at_any_instant_is_the_sum_up_to_it() {
    let ledger = Ledger::of(&month());
    let balances = |day| [WAREHOUSE, VAN, SITE].map(|place| ledger.balance(place, ACID, noon(day)).to_string());
    assert_eq!(balances(1), ["0", "0", "0"]);
    assert_eq!(balances(2), ["100", "0", "0"], "the lines of the instant are in it");
    assert_eq!(balances(5), ["60", "40", "0"]);
    assert_eq!(balances(8), ["60", "30", "6"]);
    assert_eq!(balances(31), ["60", "29.0", "7"]);
    assert_eq!(ledger.balances(noon(31)).map(|(_, balance)| balance).sum::<Decimal>(), decimal("96"));
}

#[test]
fn a_late_line_takes_its_part_out_of_the_difference_of_the_count_after_it() {
    let mut ledger = Ledger::of(&month());
    let difference = |ledger: &Ledger| ledger.differences().map(|(_, count)| count.change).collect::<Vec<_>>();
    assert_eq!(difference(&ledger), [decimal("-0.5")]);
    ledger.post(&line(8, 12, "0.5", issued(VAN)));
    assert_eq!(difference(&ledger), []);
    assert_eq!(ledger.balance(VAN, ACID, noon(21)), decimal("29.5"), "what was found stays");
}

#[test]
fn what_is_not_there_cannot_leave() {
    let ledger = Ledger::of(&month());
    assert_eq!(faults_of(&ledger, &line(9, 30, "7", issued(SITE))), []);
    let over = line(9, 30, "7.1", issued(SITE));
    assert_eq!(faults_of(&ledger, &over), fault("/quantity", "overdrawn"));
    assert!(ledger.admit(&over).unwrap_err().0[0].detail.contains("has 7 to take"), "the fix names the amount");
    let explained = Movement { overdraw_reason: Some("drum found without a label".to_owned()), ..over };
    assert_eq!(faults_of(&ledger, &explained), []);
}

#[test]
fn what_later_lines_rest_on_cannot_leave_either() {
    let ledger = Ledger::of(&month());
    // On the 7th 10 were there, but 4 of them left on the 8th and only 1 came back.
    assert_eq!(faults_of(&ledger, &line(9, 7, "6", issued(SITE))), []);
    assert_eq!(faults_of(&ledger, &line(9, 7, "6.5", issued(SITE))), fault("/quantity", "overdrawn"));
    // The van was counted on the 20th: what left before that, the count does not lack.
    assert_eq!(faults_of(&ledger, &line(9, 10, "30", issued(VAN))), []);
    assert_eq!(faults_of(&ledger, &line(9, 21, "29.5", issued(VAN))), fault("/quantity", "overdrawn"));
}

#[test]
fn a_count_is_the_last_line_and_its_difference_explained() {
    let ledger = Ledger::of(&month());
    let count = |day, found: &str, why| line(9, day, found, Event::Counted { place_id: VAN, why });
    assert_eq!(faults_of(&ledger, &count(21, "29.5", None)), fault("/at", "before_movement"));
    assert_eq!(faults_of(&ledger, &count(22, "29", None)), [], "a count follows the lines of its instant");
    assert_eq!(faults_of(&ledger, &count(30, "28", None)), fault("/why", "unexplained"));
    assert_eq!(faults_of(&ledger, &count(30, "28", Some(DifferenceWhy::Lost))), []);
    let both = count(3, "1", None);
    assert_eq!(ledger.admit(&both).unwrap_err().0.len(), 2, "all faults at once");
}

#[test]
fn lots_stand_apart_and_add_up() {
    let of_lot = |id: u128, lot: u128, amount: &str, event| Movement {
        lot_id: Some(LotId(Uuid::from_u128(lot))),
        ..line(id, 2, amount, event)
    };
    let ledger = Ledger::of(&[of_lot(1, 1, "5", received(VAN)), of_lot(2, 2, "7", received(VAN))]);
    assert_eq!(ledger.balance(VAN, ACID, noon(3)), decimal("12"));
    let out = |lot| Movement { at: noon(3), ..of_lot(3, lot, "6", issued(VAN)) };
    assert_eq!(faults_of(&ledger, &out(1)), fault("/quantity", "overdrawn"));
    assert_eq!(faults_of(&ledger, &out(2)), []);
}

#[test]
fn what_a_unit_got_is_less_what_it_gave_back() {
    let mut ledger = Ledger::of(&month());
    ledger.post(&line(8, 12, "2", issued(VAN)));
    let issued = |from, to, but_from| ledger.issued(UNIT, ACID, (noon(from), noon(to)), but_from);
    assert_eq!(issued(1, 31, None), Some(decimal("5")));
    assert_eq!(issued(1, 31, Some(SITE)), Some(decimal("2")));
    assert_eq!(issued(8, 31, None), Some(decimal("1")), "the beginning is not in it");
    assert_eq!(issued(7, 8, None), Some(decimal("4")), "the end is");
    assert_eq!(ledger.issued(UnitId(Uuid::nil()), ACID, (noon(1), noon(31)), None), None);
    assert_eq!(ledger.delivered(SITE, ACID, (noon(1), noon(31))), decimal("10"));
    assert_eq!(ledger.changed(SITE, ACID, (noon(1), noon(31))), decimal("7"));
    assert_eq!(ledger.last_count(VAN, ACID, noon(31)), Some(noon(20)));
    assert_eq!(ledger.last_count(VAN, ACID, noon(19)), None);
}
