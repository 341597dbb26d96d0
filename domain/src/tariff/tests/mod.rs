//! Published bills, derived ones, and properties of the arithmetic.

mod changes;
mod properties;
mod published;
mod reconciling;
mod records;
mod savings;

use super::{Bill, Cycle, CyclePrices, Tariff, WaterAccount, WaterUse};
use crate::fault::Faults;
use crate::units::{Litres, RegisterUnit};
use rust_decimal::Decimal;
use serde_json::{Value, json};

fn decimal(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn cycle(from: &str, to: &str) -> Cycle {
    Cycle { from: from.parse().unwrap(), to: to.parse().unwrap() }
}

/// The first quarter of 2025.
fn quarter() -> Cycle {
    cycle("2025-01-01", "2025-04-01")
}

/// January 2025.
fn january() -> Cycle {
    cycle("2025-01-01", "2025-02-01")
}

fn account(cycle_months: u8) -> WaterAccount {
    serde_json::from_value(json!({"name": "Yard", "cycle_months": cycle_months})).unwrap()
}

/// A tariff in dollars of one version that holds from 2013 on.
fn tariff(version: Value) -> Tariff {
    tariff_of(vec![with(version, json!({"from": "2013-01-01"}))])
}

fn tariff_of(versions: Vec<Value>) -> Tariff {
    let tariff = json!({"name": "City", "currency": "USD", "rounding": "half_up", "versions": versions});
    serde_json::from_value(tariff).unwrap()
}

/// An object with more fields.
fn with(mut object: Value, more: Value) -> Value {
    let Value::Object(more) = more else { panic!("{more}") };
    object.as_object_mut().unwrap().extend(more);
    object
}

/// A city utility's prices of the first quarter of 2013: its memo on document 288623, pages
/// 8 and 12, of a public records site, believed to be of Arden Hills, Minnesota.
fn city_2013() -> Value {
    json!({
        "unit": "kgal",
        "per": "cycle",
        "water": {
            "fixed": [
                {"code": "base", "words": "Water base", "price": "41.16"},
                {"code": "standby", "words": "Standby", "price": "7.71"},
                {"code": "test_fee", "words": "Test fee", "price": "1.59"}
            ],
            "blocks": [{"up_to": "10", "price": "0"}, {"up_to": "35", "price": "3.51"}, {"price": "6.15"}]
        },
        "sewer": {
            "fixed": [{"code": "sewer_base", "words": "Sewer base", "price": "85.55"}],
            "allowance": "15",
            "blocks": [{"price": "4.93"}],
            "volume": {"return_factor": "1"}
        },
        "surcharges": [{"code": "surface_water", "words": "Surface water", "price": "11.71"}]
    })
}

fn volume(quantity: f64, unit: RegisterUnit) -> Litres {
    Litres(quantity * unit.factor())
}

fn kgal(quantity: f64) -> Litres {
    volume(quantity, RegisterUnit::Kgal)
}

fn m3(quantity: f64) -> Litres {
    volume(quantity, RegisterUnit::M3)
}

fn prices(months: u8, tariff: &Tariff) -> CyclePrices {
    let cycle = match months {
        1 => january(),
        2 => cycle("2025-01-01", "2025-03-01"),
        _ => quarter(),
    };
    CyclePrices::new(&account(months), tariff, cycle).unwrap()
}

/// The bill of a cycle of so many months.
fn bill(months: u8, tariff: &Tariff, used: Litres) -> Bill {
    prices(months, tariff).bill(&WaterUse::of(used)).unwrap()
}

/// The total as it is printed, such as `500.27 USD`.
fn total(months: u8, version: Value, used: Litres) -> String {
    bill(months, &tariff(version), used).total.to_string()
}

fn amount(bill: &Bill, code: &str) -> Decimal {
    let line = bill.lines.iter().find(|line| &*line.code == code);
    line.unwrap_or_else(|| panic!("no {code} in {bill:#?}")).amount
}

fn codes(faults: &Faults) -> Vec<(&str, &str)> {
    faults.0.iter().map(|fault| (fault.pointer.as_str(), fault.code)).collect()
}
