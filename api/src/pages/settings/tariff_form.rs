//! A tariff of one price for each unit of volume, as most suppliers have it, from a form to what the API
//! takes.

use super::super::form::Typed;
use super::super::sheet::{self, Spec, Takes, spec};
use crate::extract::from_json;
use crate::http::accounts::tariffs::TariffInput;
use crate::problem::Problem;
use chrono::NaiveDate;
use chrono_tz::Tz;
use domain::fault::Faults;
use serde_json::{Map, Value, json};

/// Its fields.
pub(super) fn specs() -> Vec<Spec> {
    let pair = |name: &str, words: &str| (name.to_owned(), words.to_owned());
    let units = vec![
        pair("m3", "m\u{b3}"),
        pair("us_gal", "gallon"),
        pair("kgal", "1,000 gallons"),
        pair("ccf", "100 ft\u{b3}"),
        pair("ft3", "ft\u{b3}"),
    ];
    let pers = vec![pair("month", "a month"), pair("cycle", "a billing cycle")];
    vec![
        spec("name", "What your people call it", Takes::Text).needed(),
        spec("currency", "Currency", Takes::Text).needed().hint("Three letters after ISO 4217, such as EUR."),
        spec("from", "The first day it holds", Takes::Day).needed(),
        spec("end_previous", "What holds until then ends there", Takes::Tick),
        spec("unit", "Volumes are in", Takes::OneOf(units)).needed(),
        spec("water_price", "Water, for one of these", Takes::Amount).needed(),
        spec("sewer_price", "Sewer, for one of these", Takes::Amount),
        spec("return_factor", "Part of the water that counts as sewage, 0 to 1", Takes::Amount),
        spec("per", "Fixed charges are for", Takes::OneOf(pers)).needed(),
        spec("water_fixed", "Fixed charge for water", Takes::Amount),
        spec("sewer_fixed", "Fixed charge for sewer", Takes::Amount),
        spec("tax", "Tax on all of it, in percent", Takes::Amount),
    ]
}

/// What a new one begins with.
pub(super) fn begun(typed: &Typed, currency: &str, today: NaiveDate) -> Typed {
    let mut filled = typed.clone();
    let values = [
        ("currency", currency.to_owned()),
        ("from", today.to_string()),
        ("return_factor", "1".to_owned()),
        ("name", "Rates".to_owned()),
    ];
    for (name, value) in values {
        filled.entry(name.to_owned()).or_insert(value);
    }
    filled
}

/// What was typed, as it is sent to the API.
///
/// # Errors
/// A fault for each field that can't be read.
pub(super) fn input(typed: &Typed) -> Result<TariffInput, Problem> {
    let read = sheet::read(&specs(), typed, Tz::UTC)?;
    if value(&read, "sewer_fixed").is_some() && value(&read, "sewer_price").is_none() {
        return Err(Faults::one("/sewer_price", "required", "type 0 where sewer has a fixed charge alone").into());
    }
    let of = |name: &str| read.get(name).filter(|value| !value.is_null()).cloned();
    let mut terms = json!({ "from": of("from"), "unit": of("unit"), "per": of("per"), "water": water(&read) });
    let (sewer, taxes) = (sewer(&read), taxes(&read));
    if let Some(terms) = terms.as_object_mut() {
        terms.extend(sewer.map(|sewer| ("sewer".to_owned(), sewer)));
        terms.extend(taxes.map(|taxes| ("taxes".to_owned(), taxes)));
    }
    let input = json!({ "name": of("name"), "currency": of("currency"), "terms": terms,
        "end_previous": of("end_previous") });
    from_json(input.to_string().as_bytes())
}

fn value<'a>(read: &'a Map<String, Value>, name: &str) -> Option<&'a Value> {
    read.get(name).filter(|value| !value.is_null())
}

fn fixed(read: &Map<String, Value>, name: &str, code: &str, words: &str) -> Value {
    value(read, name).map(|price| json!({ "code": code, "words": words, "price": price })).into_iter().collect()
}

fn water(read: &Map<String, Value>) -> Value {
    json!({ "fixed": fixed(read, "water_fixed", "water_base", "Base charge for water"),
        "blocks": [{ "price": value(read, "water_price") }] })
}

fn sewer(read: &Map<String, Value>) -> Option<Value> {
    let price = value(read, "sewer_price")?;
    let returns = value(read, "return_factor").cloned().unwrap_or_else(|| json!("1"));
    Some(json!({ "fixed": fixed(read, "sewer_fixed", "sewer_base", "Base charge for sewer"),
        "blocks": [{ "price": price }], "volume": { "return_factor": returns } }))
}

/// Tax on each line that there is.
fn taxes(read: &Map<String, Value>) -> Option<Value> {
    let lines = [
        ("water_fixed", "water_base"),
        ("water_price", "water_use"),
        ("sewer_fixed", "sewer_base"),
        ("sewer_price", "sewer_use"),
    ];
    let has_sewer = value(read, "sewer_price").is_some();
    let there =
        |(field, code): &(&str, &str)| value(read, field).is_some() && (has_sewer || !code.starts_with("sewer"));
    let of: Vec<&str> = lines.iter().filter(|line| there(line)).map(|(_, code)| *code).collect();
    let percent = value(read, "tax")?;
    Some(json!([{ "code": "tax", "words": "Tax", "percent": percent, "of": of }]))
}
