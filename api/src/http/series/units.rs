//! In which units volumes are answered.

use crate::problem::{Kind, Problem};
use domain::customer::UnitSystem;
use domain::report::figure;
use domain::units::LITRES_PER_US_GALLON;
use rust_decimal::Decimal;
use serde_json::Value;

/// The units that are asked for; metric when nothing is said.
///
/// # Errors
/// For a word that is neither.
pub(in crate::http) fn parse(units: Option<&str>) -> Result<UnitSystem, Problem> {
    let fix = |_unknown| Problem::at(Kind::Invalid, "/units", "unknown_unit_system", "Give metric or us.");
    units.map_or(Ok(UnitSystem::Metric), UnitSystem::parse).map_err(fix)
}

/// How the names of volumes end.
pub(in crate::http) fn suffix(units: UnitSystem) -> &'static str {
    match units {
        UnitSystem::Metric => "l",
        UnitSystem::Us => "gal",
    }
}

/// A volume in these units.
pub(in crate::http) fn volume(units: UnitSystem, litres: f64) -> f64 {
    match units {
        UnitSystem::Metric => litres,
        UnitSystem::Us => litres / LITRES_PER_US_GALLON,
    }
}

/// Cubic metres of 1,000 US gallons, exactly: as many as a gallon has litres.
const M3_PER_KGAL: Decimal = Decimal::from_parts(3_785_411_784, 0, 0, false, 9);
/// Decimals of an amount for each 1,000 US gallons.
const EACH_DP: u32 = 6;

/// How the number of a report's figure, and its uncertainty, are told in these units, and in which; `unit` is
/// the metric one.
pub(in crate::http) fn of_figure(system: UnitSystem, of: &figure::Value, unit: String) -> (fn(f64) -> f64, String) {
    match (system, of) {
        (UnitSystem::Us, figure::Value::Litres(_)) => (gallons, "gal".to_owned()),
        (UnitSystem::Us, figure::Value::LitresPerWash(_)) => (gallons, "gal/wash".to_owned()),
        (UnitSystem::Us, figure::Value::KwhPerM3(_)) => (each_kgal, "kWh/kgal".to_owned()),
        (UnitSystem::Us, figure::Value::MoneyPerM3(each)) => (each_kgal, format!("{}/kgal", each.currency)),
        _ => (std::convert::identity, unit),
    }
}

/// An amount for each cubic metre as one for each 1,000 US gallons.
pub(in crate::http) fn amount_each_kgal(each_m3: Decimal) -> Decimal {
    each_m3.saturating_mul(M3_PER_KGAL).round_dp(EACH_DP)
}

fn gallons(litres: f64) -> f64 {
    volume(UnitSystem::Us, litres)
}

fn each_kgal(each_m3: f64) -> f64 {
    each_m3 * LITRES_PER_US_GALLON
}

/// An answer whose volumes are litres, told in US gallons: each field whose name ends in `_l`, a number or a
/// figure with its uncertainty, under a name that ends in `_gal`.
pub(in crate::http) fn in_gallons(answer: &mut Value) {
    match answer {
        Value::Array(items) => items.iter_mut().for_each(in_gallons),
        Value::Object(fields) => {
            fields.values_mut().for_each(in_gallons);
            let names: Vec<String> = fields.keys().filter(|name| name.ends_with("_l")).cloned().collect();
            for name in names {
                let told = fields.remove(&name).map(told);
                let name = format!("{}_{}", name.trim_end_matches("_l"), suffix(UnitSystem::Us));
                fields.extend(told.map(|told| (name, told)));
            }
        }
        _ => {}
    }
}

fn told(figure: Value) -> Value {
    match figure {
        Value::Number(litres) => litres.as_f64().map_or(Value::Null, |litres| volume(UnitSystem::Us, litres).into()),
        Value::Object(mut fields) => {
            for name in ["value", "expanded"] {
                if let Some(litres) = fields.get(name).and_then(Value::as_f64) {
                    fields.insert(name.to_owned(), volume(UnitSystem::Us, litres).into());
                }
            }
            fields.into()
        }
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::money::{Currency, Money};
    use domain::report::figure::Value as Of;
    use serde_json::json;

    /// NIST SP 811: 1,000 US gallons are 3.785 411 784 cubic metres.
    #[test]
    fn figures_of_reports_are_told_in_gallons_where_they_have_a_volume_in_them() {
        let eur = Money { amount: Decimal::from(2), currency: Currency::parse("EUR").unwrap() };
        for (of, number, told, unit) in [
            (Of::Litres(37.85411784), 37.85411784, 10.0, "gal"),
            (Of::LitresPerWash(378.5411784), 378.5411784, 100.0, "gal/wash"),
            (Of::KwhPerM3(2.0), 2.0, 7.570823568, "kWh/kgal"),
            (Of::MoneyPerM3(eur), 2.0, 7.570823568, "EUR/kgal"),
            (Of::Kwh(5.0), 5.0, 5.0, "as it is"),
            (Of::Money(eur), 2.0, 2.0, "as it is"),
        ] {
            let (tell, in_unit) = of_figure(UnitSystem::Us, &of, "as it is".to_owned());
            assert!((tell(number) - told).abs() < 1e-12, "{of:?}");
            assert_eq!(in_unit, unit);
            let (tell, in_unit) = of_figure(UnitSystem::Metric, &of, "as it is".to_owned());
            assert_eq!((tell(number), in_unit.as_str()), (number, "as it is"));
        }
        assert_eq!(amount_each_kgal(Decimal::from(2)).to_string(), "7.570824");
    }

    /// NIST SP 811: one US gallon is 3.785 411 784 litres.
    #[test]
    fn litres_become_gallons_wherever_they_stand() {
        let mut answer = json!({ "items": [{ "amounts": { "makeup_l": 37.85411784, "energy_kwh": 2.0 }, "grade": "measured",
            "balance": { "fresh_used_l": { "value": 3.785411784, "expanded": 7.570823568, "words": [] },
                "recycled_l": { "value": null, "expanded": null, "withheld": "gap" }, "recycled_share": { "value": 0.5 } } }] });
        in_gallons(&mut answer);
        let wanted = json!({ "items": [{ "amounts": { "makeup_gal": 10.0, "energy_kwh": 2.0 }, "grade": "measured",
            "balance": { "fresh_used_gal": { "value": 1.0, "expanded": 2.0, "words": [] },
                "recycled_gal": { "value": null, "expanded": null, "withheld": "gap" }, "recycled_share": { "value": 0.5 } } }] });
        assert_eq!(answer, wanted);
    }
}
