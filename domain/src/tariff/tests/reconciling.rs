//! Actual bills against computed ones, and why a bill fell by less than the saving.

use super::{account, city_2013, codes, cycle, decimal, kgal, quarter, tariff, tariff_of, with};
use crate::money::{Currency, Money};
use crate::tariff::reconcile::{ActualBill, ActualLine, Billed, reconcile};
use crate::tariff::{Bill, BillError, CyclePrices, WaterUse};
use proptest::prelude::*;
use rust_decimal::Decimal;
use serde_json::json;

fn usd(amount: Decimal) -> Money {
    Money { amount, currency: Currency::parse("USD").unwrap() }
}

/// A bill just as it was computed.
fn typed(bill: &Bill) -> ActualBill {
    let lines = bill.lines.iter().map(|line| ActualLine {
        code: Some(line.code.to_string()),
        words: line.words.to_string(),
        quantity: Some(line.quantity),
        price: Some(line.price),
        amount: line.amount,
    });
    ActualBill { lines: lines.collect(), total: bill.total }
}

fn computed() -> Bill {
    super::bill(3, &tariff(city_2013()), kgal(50.0))
}

#[test]
fn a_bill_as_computed_differs_by_nothing() {
    let found = typed(&computed()).against(&computed());
    assert_eq!(found.total(), Decimal::ZERO);
    assert_eq!((found.prices, found.quantities, found.unexplained), Default::default());
}

/// The city's printed total of 500.28 is its lines' sum and a cent: rounding.
#[test]
fn a_printed_total_a_cent_off_is_rounding() {
    let printed = usd(decimal("500.28"));
    let found = ActualBill { total: printed, ..typed(&computed()) }.against(&computed());
    assert_eq!((found.rounding, found.total()), (decimal("0.01"), decimal("0.01")));
    let found = ActualBill { lines: Vec::new(), total: printed }.against(&computed());
    assert_eq!((found.rounding, found.unexplained), (decimal("0.01"), Decimal::ZERO));
    let found = ActualBill { lines: Vec::new(), total: usd(decimal("510.27")) }.against(&computed());
    assert_eq!((found.rounding, found.unexplained), (Decimal::ZERO, decimal("10")));
}

/// Derived: 52 instead of 50 kgal at 6.20 instead of 6.15 are 2 x 6.15 more by quantity and
/// 17 x 0.05 by price.
#[test]
fn a_line_differs_by_price_and_by_quantity() {
    let mut bill = typed(&computed());
    let line = bill.lines.iter_mut().find(|line| line.code.as_deref() == Some("water_use_3")).unwrap();
    (line.quantity, line.price, line.amount) = (Some(decimal("17")), Some(decimal("6.20")), decimal("105.40"));
    bill.lines.retain(|line| line.code.as_deref() != Some("test_fee"));
    let late_fee =
        ActualLine { code: None, words: "Late fee".into(), quantity: None, price: None, amount: decimal("12") };
    bill.lines.push(late_fee.clone());
    bill.total.amount = bill.lines.iter().map(|line| line.amount).sum();
    let found = bill.against(&computed());
    assert_eq!((found.quantities, found.prices), (decimal("12.30"), decimal("0.85")));
    assert_eq!(found.unknown, [late_fee]);
    assert_eq!(found.unexplained, decimal("-1.59"), "the test fee was not billed");
    assert_eq!(found.total(), bill.total.amount - computed().total.amount);
}

/// Derived from the city's prices, the last block and the base dearer in the second cycle.
#[test]
fn a_bill_that_fell_less_than_the_saving_is_explained() {
    let dearer = json!({
        "from": "2025-04-01",
        "water": {
            "fixed": [
                {"code": "base", "words": "Water base", "price": "45.16"},
                {"code": "standby", "words": "Standby", "price": "7.71"},
                {"code": "test_fee", "words": "Test fee", "price": "1.59"}
            ],
            "blocks": [{"up_to": "10", "price": "0"}, {"up_to": "35", "price": "3.51"}, {"price": "7.15"}]
        }
    });
    let tariff = tariff_of(vec![
        with(city_2013(), json!({"from": "2025-01-01", "to": "2025-04-01"})),
        with(city_2013(), dearer),
    ]);
    let first = CyclePrices::new(&account(3), &tariff, quarter()).unwrap();
    let second = CyclePrices::new(&account(3), &tariff, cycle("2025-04-01", "2025-07-01")).unwrap();
    let bill_before = typed(&first.bill(&WaterUse::of(kgal(70.0))).unwrap());
    let mut bill_now = typed(&second.bill(&WaterUse::of(kgal(57.0))).unwrap());
    bill_now.total.amount += decimal("9.01");
    bill_now.lines.push(ActualLine {
        code: None,
        words: "Fire line".into(),
        quantity: None,
        price: None,
        amount: decimal("9.00"),
    });
    let unit = |used| WaterUse::of(kgal(used));
    let before = Billed { prices: &first, actual: &bill_before, other: kgal(40.0), unit: unit(30.0) };
    let now = Billed { prices: &second, actual: &bill_now, other: kgal(50.0), unit: unit(7.0) };
    let found = reconcile(&before, &now, &unit(33.0)).unwrap();
    // Water and sewer of the last block are now 7.15 + 4.93 a kgal.
    assert_eq!(found.saving, decimal("314.08"), "26 kgal");
    assert_eq!(found.prices, decimal("-39.00"), "a base of 4 and 35 kgal at 1 more");
    assert_eq!(found.other_use, decimal("-120.80"), "10 kgal more");
    assert_eq!(found.water, decimal("-36.24"), "washing would have taken 3 kgal more");
    assert_eq!((found.unknown_charges, found.rounding), (decimal("-9.00"), decimal("-0.01")));
    assert_eq!(found.unexplained, Decimal::ZERO);
    assert_eq!(found.fell_by.amount, decimal("314.08") - decimal("205.05"));
}

#[test]
fn bills_in_other_currencies_are_not_compared() {
    let prices = super::prices(3, &tariff(city_2013()));
    let euros = Money { amount: Decimal::ONE, currency: Currency::parse("EUR").unwrap() };
    let bill = ActualBill { lines: Vec::new(), total: euros };
    let billed = Billed { prices: &prices, actual: &bill, other: kgal(1.0), unit: WaterUse::default() };
    assert_eq!(reconcile(&billed, &billed, &WaterUse::default()).unwrap_err(), BillError::OtherCurrency);
}

#[test]
fn every_fault_of_an_actual_bill_is_named() {
    let line = |code: &str, words: &str, amount: &str| json!({"code": code, "words": words, "amount": amount});
    let bill: ActualBill = serde_json::from_value(json!({
        "lines": [line("base", "", "1"), line("base", "Base", "9999999999999")],
        "total": {"amount": "9999999999999", "currency": "USD"}
    }))
    .unwrap();
    assert_eq!(
        codes(&bill.checked().unwrap_err()),
        [
            ("/total/amount", "out_of_range"),
            ("/lines/0/words", "required"),
            ("/lines/1/amount", "out_of_range"),
            ("/lines/1/code", "repeated")
        ]
    );
}

proptest! {
    #[test]
    fn the_parts_add_up_to_what_the_bill_fell_by(
        totals in (0_i64..200_000, 0_i64..200_000),
        uses in (0.0..60.0, 0.0..60.0, 0.0..60.0, 0.0..60.0, 0.0..60.0),
    ) {
        let prices = super::prices(3, &tariff(city_2013()));
        let [was, is] = [totals.0, totals.1].map(|cents| {
            ActualBill { lines: Vec::new(), total: usd(Decimal::new(cents, 2)) }
        });
        let unit = |used| WaterUse::of(kgal(used));
        let before = Billed { prices: &prices, actual: &was, other: kgal(uses.0), unit: unit(uses.1) };
        let now = Billed { prices: &prices, actual: &is, other: kgal(uses.2), unit: unit(uses.3) };
        let found = reconcile(&before, &now, &unit(uses.4)).unwrap();
        let parts = found.saving + found.prices + found.other_use + found.water
            + found.unknown_charges + found.rounding + found.unexplained;
        prop_assert_eq!(parts, found.fell_by.amount);
    }
}
