//! Prices that change within a cycle, and the odder ways to charge for sewer.

use super::{account, amount, bill, city_2013, cycle, decimal, january, m3, prices, quarter, tariff, tariff_of, with};
use crate::tariff::account::winter_average;
use crate::tariff::haulage::haulage;
use crate::tariff::{BillError, CyclePrices, WaterUse};
use crate::units::{LITRES_PER_CUBIC_FOOT, Litres};
use crate::zone::Month;
use rust_decimal::Decimal;
use serde_json::json;

/// A revenue officers' forum, reply 20489: use is split across a change of prices by its
/// daily average. The figures are derived: 41 days, 22 of them at the old price.
#[test]
fn use_is_split_by_days_across_a_change_of_prices() {
    let old = json!({
        "from": "2024-01-01", "to": "2025-02-01", "unit": "kgal", "per": "cycle",
        "water": {"fixed": [{"code": "base", "words": "Base", "price": "41.00"}], "blocks": [{"price": "1"}]}
    });
    let new = json!({
        "from": "2025-02-01", "unit": "kgal", "per": "cycle",
        "water": {"fixed": [{"code": "base", "words": "Base", "price": "82.00"}], "blocks": [{"price": "2"}]}
    });
    let tariff = tariff_of(vec![old, new]);
    let prices = CyclePrices::new(&account(2), &tariff, cycle("2025-01-10", "2025-02-20")).unwrap();
    let bill = prices.bill(&WaterUse::of(super::kgal(120.0))).unwrap();
    let use_lines: Vec<_> = bill.lines.iter().filter(|line| &*line.code == "water_use_1").collect();
    let [january, february] = use_lines[..] else { panic!("{bill:#?}") };
    assert_eq!((january.quantity.round_dp(3), february.quantity.round_dp(3)), (decimal("64.390"), decimal("55.610")));
    assert_eq!(january.quantity + february.quantity, decimal("120"));
    assert_eq!((january.from.to_string(), january.to.to_string()), ("2025-01-10".into(), "2025-02-01".into()));
    assert_eq!((january.amount, february.amount), (decimal("64.39"), decimal("111.22")));
    let base: Vec<_> = bill.lines.iter().filter(|line| &*line.code == "base").map(|line| line.amount).collect();
    assert_eq!(base, [decimal("22.00"), decimal("38.00")]);
}

/// Derived: 15 of 30 days halve the blocks too, so that even use ends in the same block.
#[test]
fn block_bounds_are_split_by_days() {
    let version = |from: &str, price: &str| {
        json!({
            "from": from, "unit": "m3", "per": "month",
            "water": {"blocks": [{"up_to": "10", "price": "1"}, {"price": price}]}
        })
    };
    let tariff =
        tariff_of(vec![with(version("2025-01-01", "2"), json!({"to": "2025-04-16"})), version("2025-04-16", "4")]);
    let prices = CyclePrices::new(&account(1), &tariff, cycle("2025-04-01", "2025-05-01")).unwrap();
    let bill = prices.bill(&WaterUse::of(m3(16.0))).unwrap();
    let amounts: Vec<_> = bill.lines.iter().map(|line| line.amount.normalize().to_string()).collect();
    assert_eq!(amounts, ["5", "6", "5", "12"]);
}

#[test]
fn a_day_without_prices_has_no_bill() {
    let version = |from: &str, to: &str| with(city_2013(), json!({"from": from, "to": to}));
    let tariff = tariff_of(vec![version("2025-01-10", "2025-02-01"), version("2025-02-03", "2025-03-20")]);
    let gap = |from: &str, to: &str| match CyclePrices::new(&account(2), &tariff, cycle(from, to)) {
        Err(BillError::NoPrices { from, to }) => Some((from.to_string(), to.to_string())),
        _ => None,
    };
    let days = |from: &str, to: &str| Some((from.to_owned(), to.to_owned()));
    assert_eq!(gap("2025-01-09", "2025-02-01"), days("2025-01-09", "2025-01-10"));
    assert_eq!(gap("2025-01-10", "2025-03-01"), days("2025-02-01", "2025-02-03"));
    assert_eq!(gap("2025-02-10", "2025-03-21"), days("2025-03-20", "2025-03-21"));
    assert_eq!(gap("2025-01-10", "2025-02-01"), None, "the end is the first day without");
}

#[test]
fn a_cycle_has_days_and_no_more_months_than_the_account() {
    let made = |months, from, to| CyclePrices::new(&account(months), &tariff(city_2013()), cycle(from, to)).map(|_| ());
    assert_eq!(made(1, "2025-01-01", "2025-01-01"), Err(BillError::EmptyCycle));
    assert_eq!(made(1, "2025-01-01", "2025-02-11"), Ok(()), "the meter reader was late");
    assert_eq!(made(1, "2025-01-01", "2025-02-12"), Err(BillError::CycleTooLong { days: 42, months: 1 }));
    assert_eq!(made(3, "2025-01-01", "2025-06-01"), Err(BillError::CycleTooLong { days: 151, months: 3 }));
}

#[test]
fn a_fixed_charge_goes_by_meter_size() {
    let version = json!({
        "unit": "m3", "per": "month",
        "water": {"fixed": [{"code": "base", "words": "Base", "price": {"DN 20": "10", "DN 40": "25.50"}}]}
    });
    let of_size = |size: Option<&str>| {
        let account = super::WaterAccount { meter_size: size.map(str::to_owned), ..account(2) };
        CyclePrices::new(&account, &tariff(version.clone()), cycle("2025-01-01", "2025-03-01"))
            .and_then(|prices| prices.total(&WaterUse::default()))
            .map(|total| total.to_string())
    };
    assert_eq!(of_size(Some("DN 40")).unwrap(), "51.00 USD", "two months of it");
    let missing = |size: &str| Err(BillError::NoPriceForMeterSize { code: "base".into(), size: size.into() });
    assert_eq!(of_size(Some("DN 50")), missing("DN 50"));
    assert_eq!(of_size(None), missing(""));
}

fn sewer_by_winter(lower_of_actual: bool) -> super::Tariff {
    tariff(json!({
        "unit": "m3", "per": "month",
        "sewer": {
            "allowance": "2", "blocks": [{"price": "3"}],
            "volume": {"winter_average": {"months": [12, 1, 2], "lower_of_actual": lower_of_actual}}
        }
    }))
}

/// Derived: a winter's average of 10 m3 with 2 free, whatever is used in summer; by the
/// lower of the two, not when just 7 were used.
#[test]
fn sewer_goes_by_the_average_of_winter() {
    let used = |water: f64| WaterUse { winter_l_per_month: Some(m3(10.0)), ..WaterUse::of(m3(water)) };
    let total = |lower, water| prices(1, &sewer_by_winter(lower)).total(&used(water)).unwrap().to_string();
    assert_eq!([7.0, 50.0].map(|water| total(false, water)), ["24.00 USD", "24.00 USD"]);
    assert_eq!([7.0, 50.0].map(|water| total(true, water)), ["15.00 USD", "24.00 USD"]);
    let unknown = prices(1, &sewer_by_winter(true)).total(&WaterUse::of(m3(7.0)));
    assert_eq!(unknown, Err(BillError::NoWinterAverage));
}

#[test]
fn the_winter_is_the_last_that_was_over() {
    let month = |text: &str| Month::parse(text).unwrap();
    let used = [("2023-12", 1.0), ("2024-01", 2.0), ("2024-02", 3.0), ("2024-12", 40.0), ("2025-01", 50.0)]
        .map(|(text, litres)| (month(text), Litres(litres)));
    let average = |before: &str| winter_average(&[12, 1, 2], &used, before.parse().unwrap());
    assert_eq!(average("2025-02-10"), Ok(Litres(2.0)), "this winter is not over");
    assert_eq!(average("2024-03-01"), Ok(Litres(2.0)));
    assert_eq!(average("2025-03-01"), Err(BillError::NoWinterMonth(month("2025-02"))));
    assert_eq!(winter_average(&[], &used, january().from), Err(BillError::NoWinterAverage));
}

#[test]
fn sewer_may_go_by_its_own_meter_up_to_a_cap() {
    let version = json!({
        "unit": "m3", "per": "month",
        "sewer": {"blocks": [{"price": "2"}], "volume": "metered", "cap": "40"}
    });
    let prices = prices(2, &tariff(version));
    let total =
        |discharge: Option<Litres>| prices.total(&WaterUse { discharge_l: discharge, ..WaterUse::of(m3(90.0)) });
    assert_eq!(total(Some(m3(70.0))).unwrap().to_string(), "140.00 USD");
    assert_eq!(total(Some(m3(85.0))).unwrap().to_string(), "160.00 USD", "40 m3 in each of two months");
    assert_eq!(total(None), Err(BillError::NoDischarge));
}

/// Derived: 450 mg/L above the threshold in 100 m3 are 45 kg; in 100 CCF 127.4 kg or 280.9 lb.
#[test]
fn strength_is_charged_by_mass_above_the_threshold() {
    let charge = |unit: &str, per: &str| {
        let version = json!({
            "unit": unit, "per": "cycle",
            "sewer": {
                "volume": {"return_factor": "1"},
                "strength": [{
                    "code": "solids", "words": "Suspended solids", "pollutant": "tss",
                    "threshold_mg_per_l": "250", "price": "1", "per": per
                }]
            }
        });
        let account: super::WaterAccount =
            serde_json::from_value(json!({"name": "Yard", "cycle_months": 3, "strengths_mg_per_l": {"tss": "700"}}))
                .unwrap();
        CyclePrices::new(&account, &tariff(version), quarter()).unwrap()
    };
    assert_eq!(charge("m3", "kg").total(&WaterUse::of(m3(100.0))).unwrap().to_string(), "45.00 USD");
    let hundred_ccf = WaterUse::of(Litres(10_000.0 * LITRES_PER_CUBIC_FOOT));
    assert_eq!(charge("ccf", "kg").total(&hundred_ccf).unwrap().to_string(), "127.43 USD");
    assert_eq!(charge("ccf", "lb").total(&hundred_ccf).unwrap().to_string(), "280.93 USD");
}

#[test]
fn a_strength_that_is_not_known_is_asked_for() {
    let version = json!({
        "unit": "m3", "per": "cycle",
        "sewer": {
            "volume": {"return_factor": "1"},
            "strength": [{
                "code": "bod", "words": "BOD", "pollutant": "bod",
                "threshold_mg_per_l": "200", "price": "0.4", "per": "kg"
            }]
        }
    });
    let made = CyclePrices::new(&account(3), &tariff(version), quarter());
    assert_eq!(made.unwrap_err(), BillError::NoStrength { pollutant: "bod".to_owned() });
}

/// Derived: 5 % of base and water, 10 % of sewer and of the first tax.
#[test]
fn taxes_are_a_part_of_the_lines_they_name() {
    let version = with(
        city_2013(),
        json!({
            "surcharges": [{"code": "fuel", "words": "Fuel", "percent": "5", "of": ["base", "water_use"]}],
            "taxes": [{"code": "tax", "words": "Tax", "percent": "10", "of": ["sewer_use", "sewer_base", "fuel"]}]
        }),
    );
    let bill = bill(3, &tariff(version), super::kgal(50.0));
    assert_eq!(amount(&bill, "fuel"), decimal("11.06"), "5 % of 221.16");
    assert_eq!(amount(&bill, "tax"), decimal("26.92"), "10 % of 269.16");
    assert_eq!(bill.total.amount, decimal("500.27") - decimal("11.71") + decimal("11.06") + decimal("26.92"));
}

#[test]
fn a_minimum_is_filled_up_to() {
    let version = json!({"unit": "m3", "per": "month", "water": {"blocks": [{"price": "2"}]}, "minimum_bill": "30"});
    let bill = |used| bill(2, &tariff(version.clone()), m3(used));
    assert_eq!(amount(&bill(10.0), "minimum_bill"), decimal("40"), "30 a month for two months");
    assert_eq!(bill(10.0).total.to_string(), "60.00 USD");
    assert_eq!(amount(&bill(31.0), "minimum_bill"), Decimal::ZERO);
    assert_eq!(bill(31.0).total.to_string(), "62.00 USD");
}

#[test]
fn halves_are_rounded_as_the_tariff_says() {
    let half = |rounding: &str, currency: &str, price: &str| {
        let version =
            json!({"from": "2025-01-01", "unit": "m3", "per": "cycle", "water": {"blocks": [{"price": price}]}});
        let tariff = json!({"name": "x", "currency": currency, "rounding": rounding, "versions": [version]});
        bill(1, &serde_json::from_value(tariff).unwrap(), m3(1.0)).total.to_string()
    };
    assert_eq!([half("half_up", "USD", "2.345"), half("half_even", "USD", "2.345")], ["2.35 USD", "2.34 USD"]);
    assert_eq!([half("half_up", "JPY", "12.5"), half("half_even", "JPY", "12.5")], ["13 JPY", "12 JPY"]);
    assert_eq!(half("half_up", "KWD", "1.0005"), "1.001 KWD");
}

#[test]
fn haulage_is_priced_by_load_or_by_volume() {
    let priced = |per: &str| tariff(json!({"unit": "m3", "per": "cycle", "haulage": {"price": "180.50", "per": per}}));
    let line = |per: &str, on: &str| haulage(&priced(per), on.parse().unwrap(), 2, m3(7.0));
    assert_eq!(line("load", "2025-01-01").unwrap().amount, decimal("361.00"));
    assert_eq!(line("volume", "2025-01-01").unwrap().amount, decimal("1263.50"));
    assert!(matches!(line("load", "2012-12-31"), Err(BillError::NoPrices { .. })));
    let none = haulage(&tariff(city_2013()), january().from, 1, m3(1.0));
    assert!(matches!(none, Err(BillError::NoPrices { .. })));
}

#[test]
fn what_cannot_be_real_is_refused() {
    let prices = prices(3, &tariff(city_2013()));
    for litres in [-1.0, f64::NAN, 1e13] {
        assert_eq!(prices.total(&WaterUse::of(Litres(litres))), Err(BillError::UseOutOfRange), "{litres}");
    }
    let tax = |n: usize| {
        let of = if n == 0 { "water_use".to_owned() } else { format!("tax_{}", n - 1) };
        json!({"code": format!("tax_{n}"), "words": "Tax", "percent": "1000000000", "of": [of]})
    };
    let version = with(city_2013(), json!({"taxes": (0..9).map(tax).collect::<Vec<_>>()}));
    let total = super::prices(3, &tariff(version)).total(&WaterUse::of(super::kgal(50.0)));
    assert_eq!(total, Err(BillError::TooLarge));
}
