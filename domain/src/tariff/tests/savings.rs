//! What a unit saves on a bill, and between which bounds while other use is unknown.

use super::{account, city_2013, decimal, kgal, m3, prices, quarter, tariff, with};
use crate::tariff::{CyclePrices, OtherUse, WaterUse};
use crate::units::Litres;
use serde_json::{Value, json};

/// Rising blocks with the last above 800 m3.
fn rising() -> Value {
    json!({
        "unit": "m3", "per": "month",
        "water": {"blocks": [
            {"up_to": "100", "price": "1"}, {"up_to": "400", "price": "2"}, {"up_to": "800", "price": "3"}, {"price": "4"}
        ]}
    })
}

fn range(version: Value, other: Option<OtherUse>, baseline: Litres, actual: Litres) -> (String, String) {
    let prices = prices(1, &tariff(version));
    let range = prices.saving_range(other, &WaterUse::of(baseline), &WaterUse::of(actual)).unwrap();
    (range.least.saving.to_string(), range.most.saving.to_string())
}

fn pair(least: &str, most: &str) -> (String, String) {
    (format!("{least} USD"), format!("{most} USD"))
}

fn between(least: f64, most: f64) -> Option<OtherUse> {
    Some(OtherUse { least_l_per_month: m3(least), most_l_per_month: Some(m3(most)) })
}

/// Derived: 900 m3 of other use are in the last block by themselves.
#[test]
fn a_large_account_saves_at_the_price_of_its_last_block() {
    let prices = prices(1, &tariff(rising()));
    let saving = prices.saving(m3(900.0), &WaterUse::of(m3(60.0)), &WaterUse::default()).unwrap();
    assert_eq!(saving.total.to_string(), "240.00 USD");
    assert_eq!(saving.lines.iter().map(|line| line.saved).sum::<rust_decimal::Decimal>(), decimal("240"));
    let alone = prices.saving(Litres::ZERO, &WaterUse::of(m3(60.0)), &WaterUse::default()).unwrap();
    assert_eq!(alone.total.to_string(), "60.00 USD", "without other use it would be the first");
}

#[test]
fn a_unit_that_uses_more_shows_a_negative_saving() {
    let prices = prices(1, &tariff(rising()));
    let saving = prices.saving(m3(900.0), &WaterUse::of(m3(10.0)), &WaterUse::of(m3(15.0))).unwrap();
    assert_eq!(saving.total.to_string(), "-20.00 USD");
}

/// Derived by hand.
#[test]
fn the_range_spans_what_other_use_makes_of_the_saving() {
    assert_eq!(range(rising(), None, m3(60.0), Litres::ZERO), pair("60.00", "240.00"));
    assert_eq!(range(rising(), between(0.0, 40.0), m3(60.0), Litres::ZERO), pair("60.00", "60.00"));
    assert_eq!(range(rising(), between(0.0, 70.0), m3(60.0), Litres::ZERO), pair("60.00", "90.00"));
    assert_eq!(range(rising(), between(900.0, 900.0), m3(60.0), Litres::ZERO), pair("240.00", "240.00"));
}

/// With a cheap block in the middle the least lies inside: 150 m3 of other use, not a bound.
#[test]
fn the_extremes_may_lie_between_the_bounds() {
    let version = json!({
        "unit": "m3", "per": "month",
        "water": {"blocks": [{"up_to": "100", "price": "3"}, {"up_to": "200", "price": "1"}, {"price": "5"}]}
    });
    assert_eq!(range(version, between(0.0, 400.0), m3(50.0), Litres::ZERO), pair("50.00", "250.00"));
}

/// Below the minimum nothing is saved; the most is where both bills are above it. Derived:
/// the minimum of 100 is reached at 50 m3.
#[test]
fn a_minimum_bill_is_no_saving() {
    let version = json!({"unit": "m3", "per": "month", "water": {"blocks": [{"price": "2"}]}, "minimum_bill": "100"});
    assert_eq!(range(version.clone(), between(0.0, 10.0), m3(30.0), Litres::ZERO), pair("0.00", "0.00"));
    assert_eq!(range(version.clone(), between(0.0, 35.0), m3(30.0), Litres::ZERO), pair("0.00", "30.00"));
    assert_eq!(range(version, None, m3(30.0), Litres::ZERO), pair("0.00", "60.00"));
}

/// Derived: sewer falls away above its cap of 100 m3, so a saving beyond it is water alone.
#[test]
fn beyond_the_cap_sewer_saves_nothing() {
    let version = json!({
        "unit": "m3", "per": "month",
        "water": {"blocks": [{"price": "1"}]},
        "sewer": {"blocks": [{"price": "2"}], "volume": {"return_factor": "0.5"}, "cap": "100"}
    });
    assert_eq!(range(version, None, m3(30.0), Litres::ZERO), pair("30.00", "60.00"));
}

#[test]
fn the_range_holds_every_saving_within_it() {
    let version = with(
        city_2013(),
        json!({"minimum_bill": "260", "taxes": [{"code": "tax", "words": "Tax", "percent": "5", "of": ["water_use"]}]}),
    );
    let prices = CyclePrices::new(&account(3), &tariff(version), quarter()).unwrap();
    let (baseline, actual) = (WaterUse::of(kgal(22.0)), WaterUse::of(kgal(3.0)));
    let range = prices.saving_range(None, &baseline, &actual).unwrap();
    assert!(range.least.saving.amount < range.most.saving.amount);
    for step in 0..400 {
        let saving = prices.saving(kgal(f64::from(step) * 0.25), &baseline, &actual).unwrap().total.amount;
        let cents = decimal("0.05");
        assert!(saving >= range.least.saving.amount - cents && saving <= range.most.saving.amount + cents, "{step}");
    }
    for end in [range.least, range.most] {
        assert_eq!(prices.saving(end.other_l, &baseline, &actual).unwrap().total, end.saving, "it is reached there");
    }
}
