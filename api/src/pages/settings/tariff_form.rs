//! A tariff as its supplier prints it, from a form to what the API takes: blocks that rise or fall, sewer by
//! its own measure, charges by strength, surcharges, taxes.

use super::super::form::{self, Typed, field};
use super::super::sheet::{self, Spec, Takes, choice, numbered, spec};
use super::super::words::SUPPLIER_UNITS;
use crate::extract::from_json;
use crate::http::accounts::tariffs::TariffInput;
use crate::problem::Problem;
use chrono::NaiveDate;
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::tariff::record::{SEWER_USE, WATER_USE};
use serde_json::{Map, Value, json};

/// Blocks of water or sewer that the form holds.
pub(super) const BLOCKS: usize = 5;
/// Charges by what sewage carries.
pub(super) const STRENGTHS: usize = 2;
/// Surcharges.
pub(super) const SURCHARGES: usize = 3;
/// Taxes.
pub(super) const TAXES: usize = 2;
/// Code of the fixed charge for water.
const WATER_BASE: &str = "water_base";
/// Code of the fixed charge for sewer.
const SEWER_BASE: &str = "sewer_base";

/// The name of the nth field of several alike; the first one's has no number.
pub(super) fn nth(name: &str, n: usize) -> String {
    if n == 1 { name.to_owned() } else { format!("{name}_{n}") }
}

/// Which lines a percentage is of.
fn lines() -> Takes {
    choice([("all", "all lines before"), ("water", "the lines of water"), ("sewer", "the lines of sewer")])
}

/// Its fields.
pub(super) fn specs() -> Vec<Spec> {
    let units = choice(SUPPLIER_UNITS.map(|(unit, words)| (unit.as_str(), words)));
    let mut all = vec![
        spec("name", "What your people call it", Takes::Text).needed(),
        spec("currency", "Currency", Takes::Text).needed().hint("Three letters after ISO 4217, such as EUR."),
        spec("from", "The first day it holds", Takes::Day).needed(),
        spec("end_previous", "What holds until then ends there", Takes::Tick),
        spec("unit", "Volumes are in", units).needed(),
        spec(
            "per",
            "Fixed charges and the bounds of blocks are for",
            choice([("month", "a month"), ("cycle", "a billing cycle")]),
        )
        .needed(),
    ];
    all.extend(stream(WATER, "water"));
    all.extend(stream(SEWER, "sewer"));
    all.extend(sewage());
    all.extend((1..=STRENGTHS).flat_map(strength));
    all.extend((1..=SURCHARGES).flat_map(surcharge));
    all.extend((1..=TAXES).flat_map(tax));
    all.extend([
        spec("minimum_bill", "The least that a bill comes to", Takes::Amount).under(TOTAL).more(),
        spec("haulage_price", "Having water hauled away", Takes::Amount).under(TOTAL).more(),
        spec("haulage_per", "for", choice([("load", "a load"), ("volume", "one unit of volume")])).under(TOTAL).more(),
    ]);
    all
}

const WATER: &str = "Water: what stays empty is not charged";
const SEWER: &str = "Sewer";
const TOTAL: &str = "The whole bill, and haulage";

/// The fixed charge, the allowance and the blocks of water or sewer.
fn stream(group: &'static str, of: &str) -> Vec<Spec> {
    let named =
        |what: &str, label: &str| numbered(format!("{of}_{what}"), label.to_owned(), Takes::Amount).under(group);
    let mut all = vec![named("fixed", "Fixed charge"), named("allowance", "Volume included")];
    for n in 1..=BLOCKS {
        let to = numbered(nth(&format!("{of}_to"), n), format!("Block {n}: up to"), Takes::Amount).under(group);
        let price = numbered(nth(&format!("{of}_price"), n), format!("Block {n}: price"), Takes::Amount);
        let price = if n == 1 && of == "water" { price.needed() } else { price };
        all.extend([to, price.under(group)]);
    }
    all
}

/// Which volume counts as sewage.
fn sewage() -> Vec<Spec> {
    let volumes = choice([
        ("return_factor", "a part of the water used"),
        ("winter_average", "the average of last winter"),
        ("metered", "what a meter in the discharge counts"),
    ]);
    vec![
        spec("sewer_volume", "What counts as sewage", volumes).needed().under(SEWER),
        spec("return_factor", "The part, 0 to 1", Takes::Amount).under(SEWER),
        spec("winter_months", "Months of winter, such as 12, 1, 2", Takes::Text).under(SEWER),
        spec("sewer_cap", "The most volume that is charged", Takes::Amount).under(SEWER),
        spec("winter_lower", "The water used, where that is less than the winter\u{2019}s", Takes::Tick).under(SEWER),
    ]
}

fn strength(n: usize) -> [Spec; 5] {
    let of = |name: &str, label: &str, takes: Takes| {
        numbered(nth(&format!("strength_{name}"), n), label.to_owned(), takes).under("What the sewage carries").more()
    };
    [
        of("words", "What the bill calls it", Takes::Text),
        of("pollutant", "Of what, as the account names it", Takes::Text),
        of("threshold", "Free, in mg/L", Takes::Amount),
        of("price", "Price above that", Takes::Amount),
        of("per", "for one", choice([("kg", "kilogram"), ("lb", "pound")])),
    ]
}

fn surcharge(n: usize) -> [Spec; 4] {
    let of = |name: &str, label: &str, takes: Takes| {
        numbered(nth(&format!("surcharge_{name}"), n), label.to_owned(), takes).under("Surcharges").more()
    };
    [
        of("words", "What the bill calls it", Takes::Text),
        of("amount", "An amount", Takes::Amount),
        of("percent", "or percent", Takes::Amount),
        of("of", "of", lines()),
    ]
}

fn tax(n: usize) -> [Spec; 3] {
    let of = |name: String, label: &str, takes: Takes| {
        let spec = numbered(name, label.to_owned(), takes).under("Taxes");
        if n == 1 { spec } else { spec.more() }
    };
    [
        of(nth("tax_words", n), "What the bill calls it", Takes::Text),
        of(nth("tax", n), "Tax, in percent", Takes::Amount),
        of(nth("tax_of", n), "of", lines()),
    ]
}

/// What a first one begins with.
pub(super) fn begun(typed: &Typed, currency: &str, today: NaiveDate) -> Typed {
    let values = [
        ("currency", currency.to_owned()),
        ("from", today.to_string()),
        ("sewer_volume", "return_factor".to_owned()),
        ("return_factor", "1".to_owned()),
        ("name", "Rates".to_owned()),
    ];
    form::begun(typed, values)
}

/// The fields of a form as they were read.
struct Read(Map<String, Value>);

impl Read {
    fn value(&self, name: &str) -> Option<&Value> {
        self.0.get(name).filter(|value| !value.is_null())
    }

    fn text(&self, name: &str) -> Option<&str> {
        self.value(name).and_then(Value::as_str)
    }
}

/// What was typed, as it is sent to the API.
///
/// # Errors
/// A fault for each field that can't be read.
pub(super) fn input(typed: &Typed) -> Result<TariffInput, Problem> {
    let mut typed = typed.clone();
    // A form that leaves out what counts as sewage means a part of the water.
    typed.entry("sewer_volume".to_owned()).or_insert_with(|| "return_factor".to_owned());
    let read = Read(sheet::read(&specs(), &typed, Tz::UTC)?);
    let mut faults = Faults::default();
    let mut terms = json!({ "from": read.value("from"), "unit": read.value("unit"), "per": read.value("per"),
        "water": used(&read, &mut faults, ("water", WATER_BASE, "Base charge for water")) });
    let mut codes = Codes::of(&read);
    let sewer = sewer(&read, &mut faults, &mut codes);
    let surcharges: Vec<Value> =
        (1..=SURCHARGES).filter_map(|n| surcharged(&read, n, &mut faults, &mut codes)).collect();
    let taxes: Vec<Value> = (1..=TAXES).filter_map(|n| taxed(&read, n, &mut faults, &codes)).collect();
    let haulage = read
        .value("haulage_price")
        .map(|price| json!({ "price": price, "per": read.text("haulage_per").unwrap_or("load") }));
    if let Some(terms) = terms.as_object_mut() {
        terms.extend(sewer.map(|sewer| ("sewer".to_owned(), sewer)));
        terms.extend([("surcharges".to_owned(), json!(surcharges)), ("taxes".to_owned(), json!(taxes))]);
        terms.extend(read.value("minimum_bill").map(|least| ("minimum_bill".to_owned(), least.clone())));
        terms.extend(haulage.map(|haulage| ("haulage".to_owned(), haulage)));
    }
    faults.or(())?;
    let input = json!({ "name": read.value("name"), "currency": read.value("currency"), "terms": terms,
        "end_previous": read.value("end_previous") });
    from_json(input.to_string().as_bytes())
}

/// The fixed charge, the allowance and the blocks of water or sewer.
fn used(read: &Read, faults: &mut Faults, (of, code, words): (&str, &str, &str)) -> Value {
    let fixed: Value = read
        .value(&format!("{of}_fixed"))
        .map(|price| json!({ "code": code, "words": words, "price": price }))
        .into_iter()
        .collect();
    let mut blocks = Vec::new();
    for n in 1..=BLOCKS {
        let price = nth(&format!("{of}_price"), n);
        match (read.value(&nth(&format!("{of}_to"), n)), read.value(&price)) {
            (to, Some(price)) => blocks.push(json!({ "up_to": to, "price": price })),
            (Some(_), None) => faults.add(format!("/{price}"), "required", "give the price up to there"),
            (None, None) => {}
        }
    }
    let allowance = read.value(&format!("{of}_allowance")).cloned().unwrap_or_else(|| json!("0"));
    json!({ "fixed": fixed, "allowance": allowance, "blocks": blocks })
}

fn sewer(read: &Read, faults: &mut Faults, codes: &mut Codes) -> Option<Value> {
    let strengths: Vec<Value> = (1..=STRENGTHS).filter_map(|n| carried(read, n, faults, codes)).collect();
    let mut sewer = used(read, faults, ("sewer", SEWER_BASE, "Base charge for sewer"));
    if read.value("sewer_price").is_none() {
        let priced = |n| read.value(&nth("sewer_price", n)).is_some();
        if read.value("sewer_fixed").is_some() || (2..=BLOCKS).any(priced) || !strengths.is_empty() {
            faults.add("/sewer_price", "required", "type 0 where sewer is not charged by volume");
        }
        return None;
    }
    let volume = match read.text("sewer_volume") {
        Some("metered") => json!("metered"),
        Some("winter_average") => {
            let months = winter_months(read.text("winter_months").unwrap_or_default(), faults);
            json!({ "winter_average": { "months": months, "lower_of_actual": read.value("winter_lower") } })
        }
        _ => json!({ "return_factor": read.value("return_factor").cloned().unwrap_or_else(|| json!("1")) }),
    };
    if let Some(sewer) = sewer.as_object_mut() {
        sewer.extend([("volume".to_owned(), volume), ("strength".to_owned(), json!(strengths))]);
        sewer.extend(read.value("sewer_cap").map(|cap| ("cap".to_owned(), cap.clone())));
    }
    Some(sewer)
}

fn winter_months(text: &str, faults: &mut Faults) -> Vec<u8> {
    let months: Result<Vec<u8>, _> = text.split(',').map(|month| month.trim().parse()).collect();
    if months.is_err() {
        faults.add("/winter_months", "not_months", "give numbers of months, such as 12, 1, 2");
    }
    months.unwrap_or_default()
}

/// Notes a fault for a row that says what is charged, and not how much: left out unseen, a charge would be lost.
fn half(read: &Read, faults: &mut Faults, words: &[String], price: &str) {
    if words.iter().any(|name| read.value(name).is_some()) {
        faults.add(format!("/{price}"), "required", "give the price too, or empty the row");
    }
}

fn carried(read: &Read, n: usize, faults: &mut Faults, codes: &mut Codes) -> Option<Value> {
    let name = |name: &str| nth(&format!("strength_{name}"), n);
    let at = |of: &str| read.value(&name(of));
    let Some(price) = at("price") else {
        half(read, faults, &["words", "pollutant", "threshold"].map(name), &name("price"));
        return None;
    };
    let code = format!("strength_{n}");
    codes.sewer.push(code.clone());
    let zero = json!("0");
    Some(json!({ "code": code, "words": at("words").cloned().unwrap_or_else(|| json!("Strength")),
        "pollutant": at("pollutant").and_then(Value::as_str).unwrap_or_default(),
        "threshold_mg_per_l": at("threshold").unwrap_or(&zero), "price": price,
        "per": at("per").and_then(Value::as_str).unwrap_or("kg") }))
}

/// The codes of the lines so far.
struct Codes {
    water: Vec<String>,
    sewer: Vec<String>,
    surcharges: Vec<String>,
}

impl Codes {
    fn of(read: &Read) -> Self {
        let with_base = |of: &str, base: &str, used: &str| {
            let base = read.value(&format!("{of}_fixed")).map(|_| base.to_owned());
            let used = read.value(&format!("{of}_price")).map(|_| used.to_owned());
            base.into_iter().chain(used).collect()
        };
        Self {
            water: with_base("water", WATER_BASE, WATER_USE),
            sewer: with_base("sewer", SEWER_BASE, SEWER_USE),
            surcharges: Vec::new(),
        }
    }

    fn chosen(&self, of: Option<&str>) -> Vec<String> {
        match of {
            Some("water") => self.water.clone(),
            Some("sewer") => self.sewer.clone(),
            _ => [self.water.clone(), self.sewer.clone(), self.surcharges.clone()].concat(),
        }
    }
}

fn surcharged(read: &Read, n: usize, faults: &mut Faults, codes: &mut Codes) -> Option<Value> {
    let name = |name: &str| nth(&format!("surcharge_{name}"), n);
    let at = |of: &str| read.value(&name(of));
    let (code, words) = (format!("surcharge_{n}"), at("words").cloned().unwrap_or_else(|| json!("Surcharge")));
    let made = match (at("amount"), at("percent")) {
        (None, None) => {
            half(read, faults, &[name("words")], &name("amount"));
            return None;
        }
        (Some(_), Some(_)) => {
            faults.add(format!("/{}", name("percent")), "one_of", "give an amount or a percentage, not both");
            return None;
        }
        (Some(price), None) => json!({ "code": code, "words": words, "price": price }),
        (None, Some(percent)) => {
            let of = codes.chosen(at("of").and_then(Value::as_str));
            json!({ "code": code, "words": words, "percent": percent, "of": of })
        }
    };
    codes.surcharges.push(code);
    Some(made)
}

fn taxed(read: &Read, n: usize, faults: &mut Faults, codes: &Codes) -> Option<Value> {
    let Some(percent) = read.value(&nth("tax", n)) else {
        half(read, faults, &[nth("tax_words", n)], &nth("tax", n));
        return None;
    };
    let words = read.value(&nth("tax_words", n)).cloned().unwrap_or_else(|| json!("Tax"));
    Some(json!({ "code": nth("tax", n), "words": words, "percent": percent,
        "of": codes.chosen(read.text(&nth("tax_of", n))) }))
}

/// Which of the filled fields a list of the record stands in: the nth one that has a price.
fn row_of(typed: &Typed, name: &str, most: usize, place: &str) -> Option<usize> {
    let place: usize = place.parse().ok()?;
    (1..=most).filter(|n| field(typed, &nth(name, *n)).is_some()).nth(place)
}

/// The field of the form that a pointer of the record is about.
pub(super) fn field_at(typed: &Typed, pointer: &str) -> Option<String> {
    let from = ["/terms", "/versions/0"].iter().find_map(|before| pointer.strip_prefix(before)).unwrap_or(pointer);
    let parts: Vec<&str> = from.split('/').skip(1).collect();
    match parts.as_slice() {
        [of @ ("water" | "sewer"), "blocks", place, what] => {
            let price = format!("{of}_price");
            let n = row_of(typed, &price, BLOCKS, place)?;
            Some(nth(&if *what == "price" { price } else { format!("{of}_to") }, n))
        }
        [of @ ("water" | "sewer"), "fixed", ..] => Some(format!("{of}_fixed")),
        [of @ ("water" | "sewer"), "allowance"] => Some(format!("{of}_allowance")),
        ["sewer", "cap"] => Some("sewer_cap".to_owned()),
        ["sewer", "volume", "return_factor"] => Some("return_factor".to_owned()),
        ["sewer", "volume", "winter_average", ..] => Some("winter_months".to_owned()),
        ["sewer", "strength", place, what] => {
            let n = row_of(typed, "strength_price", STRENGTHS, place)?;
            let what = if *what == "threshold_mg_per_l" { "threshold" } else { *what };
            Some(nth(&format!("strength_{what}"), n))
        }
        ["surcharges", place, what, ..] => {
            let charged = |n: &usize| {
                ["surcharge_amount", "surcharge_percent"].iter().any(|name| field(typed, &nth(name, *n)).is_some())
            };
            let n = (1..=SURCHARGES).filter(charged).nth(place.parse().ok()?)?;
            let what = if *what == "price" { "amount" } else { *what };
            Some(nth(&format!("surcharge_{what}"), n))
        }
        ["taxes", place, what, ..] => {
            let n = row_of(typed, "tax", TAXES, place)?;
            Some(nth(
                if *what == "percent" {
                    "tax"
                } else if *what == "of" {
                    "tax_of"
                } else {
                    "tax_words"
                },
                n,
            ))
        }
        ["haulage", ..] => Some("haulage_price".to_owned()),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(fields: &[(&str, &str)]) -> Typed {
        let base = [("name", "Rates"), ("currency", "EUR"), ("from", "2026-01-01"), ("unit", "m3"), ("per", "month")];
        base.iter().chain(fields).map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect()
    }

    #[test]
    fn a_pointer_leads_to_the_field_of_its_row_even_past_empty_rows() {
        let typed =
            typed(&[("water_price", "1"), ("water_price_3", "2"), ("tax_2", "5"), ("surcharge_percent_2", "1")]);
        let at = |pointer: &str| field_at(&typed, pointer);
        assert_eq!(at("/versions/0/water/blocks/1/up_to").as_deref(), Some("water_to_3"));
        assert_eq!(at("/versions/0/taxes/0/percent").as_deref(), Some("tax_2"));
        assert_eq!(at("/versions/0/surcharges/0/of/1").as_deref(), Some("surcharge_of_2"));
        assert_eq!(at("/terms/from"), None, "called alike in both");
    }

    #[test]
    fn what_is_half_typed_is_said_of_its_field() {
        let at = |fields: &[(&str, &str)]| -> Vec<String> {
            let problem = input(&typed(&[&[("water_price", "1")][..], fields].concat())).err().unwrap();
            problem.faults().iter().map(|fault| fault.pointer.clone()).collect()
        };
        assert_eq!(at(&[("sewer_fixed", "5"), ("water_to_2", "9")]), ["/water_price_2", "/sewer_price"]);
        assert_eq!(at(&[("sewer_price_2", "5")]), ["/sewer_price"], "a price of a later block is sewer too");
        assert_eq!(at(&[("strength_pollutant", "bod"), ("sewer_price", "2")]), ["/strength_price"]);
        assert_eq!(at(&[("surcharge_words_2", "Levy")]), ["/surcharge_amount_2"]);
        assert_eq!(at(&[("tax_words", "VAT")]), ["/tax"]);
    }

    #[test]
    fn choices_alone_are_no_row() {
        let fields = [("water_price", "1"), ("strength_per", "kg"), ("surcharge_of", "all"), ("tax_of", "all")];
        assert!(input(&typed(&fields)).is_ok(), "a browser sends what stands in a list");
    }
}
