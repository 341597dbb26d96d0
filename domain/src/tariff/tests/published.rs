//! Bills that suppliers printed, the wrong totals among them.

use super::{amount, bill, city_2013, decimal, kgal, m3, prices, tariff, total, volume};
use crate::tariff::WaterUse;
use crate::units::{Litres, RegisterUnit};
use rust_decimal::Decimal;
use serde_json::json;

/// The city's memo of 2013, page 12: 50,000 gal in a quarter. Its lines are right; its total
/// of 500.28 is one cent more than their sum.
#[test]
fn a_quarter_of_fifty_thousand_gallons() {
    let bill = bill(3, &tariff(city_2013()), kgal(50.0));
    let line = |code: &str| amount(&bill, code);
    assert_eq!(line("water_use_1"), Decimal::ZERO);
    assert_eq!((line("water_use_2"), line("water_use_3")), (decimal("87.75"), decimal("92.25")));
    let water = ["base", "standby", "test_fee", "water_use_2", "water_use_3"];
    assert_eq!(water.into_iter().map(line).sum::<Decimal>(), decimal("230.46"));
    assert_eq!(line("sewer_use_1"), decimal("172.55"));
    assert_eq!(line("sewer_base") + line("sewer_use_1"), decimal("258.10"));
    assert_eq!(bill.total.to_string(), "500.27 USD");
    assert_ne!(bill.total.amount, decimal("500.28"), "the printed total");
}

/// The same memo, page 8: 10,000 gal, just the volume that the first block ends with. The
/// printed total of 147.73 is a cent too high again.
#[test]
fn a_block_ends_with_its_bound() {
    let bill = bill(3, &tariff(city_2013()), kgal(10.0));
    let line = |code: &str| amount(&bill, code);
    assert_eq!(line("base") + line("standby") + line("test_fee"), decimal("50.46"));
    for code in ["water_use_1", "water_use_2", "water_use_3", "sewer_use_1"] {
        assert_eq!(line(code), Decimal::ZERO, "{code}");
    }
    assert_eq!(line("sewer_base"), decimal("85.55"));
    assert_eq!(bill.total.to_string(), "147.72 USD");
    assert_ne!(bill.total.amount, decimal("147.73"), "the printed total");
}

/// Derived from the memo's prices: from 50 to 20 kgal the last blocks are saved, 15 x 6.15 +
/// 15 x 3.51 of water and 30 x 4.93 of sewer. By the average price of the bill it would be
/// 300.16, which is wrong.
#[test]
fn a_saving_is_priced_by_the_last_blocks() {
    let prices = prices(3, &tariff(city_2013()));
    let unit = |used| WaterUse::of(kgal(used));
    let saving = prices.saving(kgal(20.0), &unit(30.0), &unit(0.0)).unwrap();
    let saved = |code: &str| saving.lines.iter().find(|line| line.code == code).unwrap().saved;
    assert_eq!(saved("water_use_2") + saved("water_use_3"), decimal("144.90"));
    assert_eq!(saved("sewer_use_1"), decimal("147.90"));
    assert_eq!(saving.total.to_string(), "292.80 USD");
    let average = prices.bill(&unit(50.0)).unwrap().total.amount * decimal("30") / decimal("50");
    assert_eq!(average.round_dp(2), decimal("300.16"), "what an average price would make of it");
}

/// Cranberry Township, Pennsylvania, page 2540: 6 kgal at 6.46 and a base of 6.00. The page
/// says "a gallon" where it means a thousand.
#[test]
fn a_uniform_price() {
    let version = json!({
        "unit": "kgal", "per": "month",
        "water": {"fixed": [{"code": "base", "words": "Base", "price": "6.00"}], "blocks": [{"price": "6.46"}]}
    });
    let bill = bill(1, &tariff(version.clone()), kgal(6.0));
    assert_eq!(amount(&bill, "water_use_1"), decimal("38.76"));
    assert_eq!(bill.total.to_string(), "44.76 USD");
    assert_ne!(total(1, version, volume(6.0, RegisterUnit::UsGal)), "44.76 USD", "six gallons, as printed");
}

/// Hi-Desert Water District, California, page 314: the example is headed "6 units" and adds
/// up 8, which make its 60.03; six make 47.69.
#[test]
fn the_units_of_a_bill_are_those_that_were_used() {
    let version = json!({
        "unit": "ccf", "per": "month",
        "water": {
            "fixed": [{"code": "base", "words": "Base", "price": "20.75"}],
            "blocks": [{"up_to": "4", "price": "3.65"}, {"price": "6.17"}]
        }
    });
    assert_eq!(total(1, version.clone(), volume(8.0, RegisterUnit::Ccf)), "60.03 USD");
    assert_eq!(total(1, version.clone(), volume(6.0, RegisterUnit::Ccf)), "47.69 USD");
    assert_ne!(total(1, version, volume(6.0, RegisterUnit::Ccf)), "60.03 USD", "the printed total");
}

/// Oakley, page 171: sewer of 16 kgal with 5 in the base and falling blocks. The parts are
/// printed, their sum is derived.
#[test]
fn sewer_with_an_allowance_and_falling_blocks() {
    let version = json!({
        "unit": "kgal", "per": "month",
        "sewer": {
            "fixed": [{"code": "sewer_base", "words": "Sewer", "price": "27"}],
            "allowance": "5",
            "blocks": [{"up_to": "15", "price": "2"}, {"price": "1.10"}],
            "volume": {"return_factor": "1"}
        }
    });
    let bill = bill(1, &tariff(version), kgal(16.0));
    assert_eq!((amount(&bill, "sewer_use_1"), amount(&bill, "sewer_use_2")), (decimal("20.00"), decimal("1.10")));
    assert_eq!(bill.total.to_string(), "48.10 USD");
}

/// St Catharines, Ontario, the city's calculator: 14.75 and 10.50 a month, 1.352 and 2.005
/// a cubic metre. The totals are derived: 10 m3 a month, and 30 in a cycle of three.
#[test]
fn monthly_charges_in_cubic_metres() {
    let version = json!({
        "unit": "m3", "per": "month",
        "water": {"fixed": [{"code": "base", "words": "Water", "price": "14.75"}], "blocks": [{"price": "1.352"}]},
        "sewer": {
            "fixed": [{"code": "sewer_base", "words": "Wastewater", "price": "10.50"}],
            "blocks": [{"price": "2.005"}],
            "volume": {"return_factor": "1"}
        }
    });
    assert_eq!(total(1, version.clone(), m3(10.0)), "58.82 USD");
    assert_eq!(total(3, version, m3(30.0)), "176.46 USD");
}

/// Snohomish, Washington, QID 106: the base includes 4 CCF. Its prices are not printed there;
/// those here are invented.
#[test]
fn an_allowance_is_included_in_the_base() {
    let version = json!({
        "unit": "ccf", "per": "month",
        "water": {
            "fixed": [{"code": "base", "words": "Base", "price": "30"}], "allowance": "4", "blocks": [{"price": "5"}]
        }
    });
    let ccf = |used| volume(used, RegisterUnit::Ccf);
    for (used, expected) in [(0.0, "30.00 USD"), (4.0, "30.00 USD"), (5.5, "37.50 USD")] {
        assert_eq!(total(1, version.clone(), ccf(used)), expected, "{used} CCF");
    }
}

/// The same page: one CCF is 748 gal, exactly 748.0519.
#[test]
fn a_hundred_cubic_feet_are_748_gallons() {
    let version = json!({"unit": "ccf", "per": "month", "water": {"blocks": [{"price": "748.0519"}]}});
    assert_eq!(total(1, version, Litres(10_000.0 * RegisterUnit::UsGal.factor())), "10000.00 USD");
}
