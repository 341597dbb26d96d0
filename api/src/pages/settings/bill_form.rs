//! A bill as it came, from a form to what the API takes: its volume in the unit that it is printed in,
//! its lines one under another as they are called on it.

use super::super::form::{self, Typed, field};
use super::super::sheet::{self, Spec, Takes, choice, spec};
use super::super::words::SUPPLIER_UNITS;
use crate::extract::from_json;
use crate::http::accounts::bills::BillInput;
use crate::problem::Problem;
use chrono::NaiveDate;
use chrono_tz::Tz;
use domain::accounts::bill::SiteBill;
use domain::accounts::site_account::SiteAccount;
use domain::fault::Faults;
use domain::tariff::Tariff;
use domain::units::RegisterUnit;
use serde_json::{Value, json};

/// Its fields.
pub(super) fn specs() -> Vec<Spec> {
    let units = choice(SUPPLIER_UNITS.map(|(unit, words)| (unit.as_str(), words)));
    vec![
        spec("from", "Its first day", Takes::Day).needed(),
        spec("to", "The day after its last", Takes::Day).needed(),
        spec("amount", "Its total", Takes::Amount).needed(),
        spec("currency", "Currency", Takes::Text).needed().hint("Three letters after ISO 4217, such as EUR."),
        spec("metered", "The volume on it", Takes::Number)
            .hint("What the supplier\u{2019}s meter counted in these days. Without it the bill is not explained."),
        spec("unit", "That volume is in", units).needed(),
        spec("lines", "Its lines", Takes::Lines)
            .hint("One under another, each with its amount at the end, such as: Meter fee 12.50")
            .more(),
    ]
}

/// What a new one begins with.
pub(super) fn begun(typed: &Typed, from: NaiveDate, currency: &str, unit: RegisterUnit) -> Typed {
    let values = [("from", from.to_string()), ("currency", currency.to_owned()), ("unit", unit.as_str().to_owned())];
    form::begun(typed, values)
}

/// What was typed, as the API takes it.
///
/// # Errors
/// A fault for each field that can't be read.
pub(super) fn read(typed: &Typed) -> Result<SiteBill, Problem> {
    let read = sheet::read(&specs(), typed, Tz::UTC)?;
    let of = |name: &str| read.get(name).filter(|value| !value.is_null()).cloned();
    let unit = SUPPLIER_UNITS.iter().find(|(unit, _)| field(typed, "unit") == Some(unit.as_str()));
    let (unit, _) = unit.ok_or_else(|| Faults::one("/unit", "required", "choose one of these"))?;
    let metered_l = of("metered").and_then(|metered| metered.as_f64()).map(|metered| metered * unit.factor());
    let sent = json!({ "from": of("from"), "to": of("to"), "metered_l": metered_l,
        "lines": lines(field(typed, "lines").unwrap_or_default())?,
        "total": { "amount": of("amount"), "currency": of("currency") } });
    Ok(from_json::<BillInput>(sent.to_string().as_bytes())?.parse()?)
}

const AMOUNT_LAST: &str =
    "end this line with its amount, without spaces in it, and with a colon before it where a number stands there";

/// Lines of a bill, each with its amount at the end.
fn lines(text: &str) -> Result<Vec<Value>, Faults> {
    let mut faults = Faults::default();
    let mut lines = Vec::new();
    for line in text.lines().map(str::trim).filter(|line| !line.is_empty()) {
        match form::with_number(line) {
            Some((words, amount)) => lines.push(json!({ "words": words, "amount": amount })),
            None => faults.add("/lines", "no_amount", format!("{AMOUNT_LAST}: {line}")),
        }
    }
    faults.or(lines)
}

/// The field of the form that a pointer of the record is about, where they are called otherwise.
pub(super) fn field_at(pointer: &str) -> Option<String> {
    let mut parts = pointer.split('/').skip(1);
    let name = match (parts.next()?, parts.next()) {
        ("total", Some("currency")) => "currency",
        ("total", _) => "amount",
        ("metered_l", _) => "metered",
        ("lines", _) => "lines",
        _ => return None,
    };
    Some(name.to_owned())
}

/// The bill with its lines known by the tariff's codes, where both call them the same.
pub(super) fn coded(mut bill: SiteBill, account: &SiteAccount, tariff: Option<&Tariff>) -> SiteBill {
    let Some(computed) = tariff.and_then(|tariff| bill.computed(account, tariff).ok()) else { return bill };
    let mut free = computed.bill.lines;
    for line in &mut bill.bill.lines {
        let same = free.iter().position(|of| of.words.to_lowercase() == line.words.to_lowercase());
        // What the tariff has once for each of its versions in the bill's days is one line of the bill.
        if let Some(code) = same.map(|n| free.swap_remove(n).code) {
            free.retain(|of| of.code != code);
            line.code = Some(code.to_string());
        }
    }
    bill
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_end_with_their_amounts() {
        let read = lines(" Meter fee 12,50 \n\nSurface water 3\n").unwrap();
        assert_eq!(
            read,
            [json!({ "words": "Meter fee", "amount": "12.50" }), json!({ "words": "Surface water", "amount": "3" })]
        );
        let faults = lines("Meter fee\nNothing").unwrap_err();
        assert_eq!(faults.0.iter().map(|fault| fault.pointer.as_str()).collect::<Vec<_>>(), ["/lines", "/lines"]);
        assert!(lines("Volume charge 1 234.50").is_err(), "neither 234.50 nor a part of the words");
    }

    #[test]
    fn a_pointer_of_a_bill_leads_to_the_field_it_was_typed_in() {
        let all = ["/total/amount", "/total/currency", "/metered_l", "/lines/0/amount", "/lines/3/words", "/to"];
        let fields = ["amount", "currency", "metered", "lines", "lines"].map(|name| Some(name.to_owned()));
        assert_eq!(all.map(field_at), [&fields[..], &[None]].concat()[..]);
    }
}
