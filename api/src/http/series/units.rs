//! In which units volumes are answered.

use crate::problem::{Kind, Problem};
use domain::customer::UnitSystem;
use domain::units::LITRES_PER_US_GALLON;
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
    use serde_json::json;

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
