//! Whether every field of the document is described, shown by an example, and shown as it is described.

use super::empty;
use serde_json::{Map, Value, json};

/// Fields without a description or an example, or with one that contradicts what is said of them, wherever in the
/// document a schema has some; `at` points at `part`. Objects, lists of them and what is described elsewhere show
/// theirs in their own parts.
pub(super) fn field_faults(at: &str, part: &Value, faults: &mut Vec<String>) {
    if let Some(fields) = part["properties"].as_object() {
        for (name, field) in fields {
            faults.extend(of_field(field).into_iter().map(|fault| format!("{at}/properties/{name} {fault}")));
        }
        faults.extend(between(fields).map(|fault| format!("{at} {fault}")));
    }
    match part {
        Value::Object(members) => members.iter().for_each(|(name, member)| {
            field_faults(&format!("{at}/{}", name.replace('/', "~1")), member, faults);
        }),
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(n, item)| field_faults(&format!("{at}/{n}"), item, faults))
        }
        _ => {}
    }
}

fn of_field(field: &Value) -> Vec<String> {
    let mut faults = Vec::new();
    if is_made_up(field) {
        return faults;
    }
    if empty(&field["description"]) {
        faults.push("has no description".to_owned());
    }
    let items = &field["items"];
    let is_shown_within =
        kinds(field).contains(&"object") || is_made_up(items) || has(items, &["properties", "example"]);
    match field.get("example") {
        None if is_shown_within => {}
        None => faults.push("has no example".to_owned()),
        Some(example) => faults.extend(contradiction(field, example).map(|why| format!("shows {example}, {why}"))),
    }
    faults
}

fn has(part: &Value, keys: &[&str]) -> bool {
    keys.iter().any(|key| part.get(key).is_some())
}

fn is_made_up(schema: &Value) -> bool {
    has(schema, &["$ref", "oneOf", "anyOf", "allOf"])
}

/// The types that a schema takes; none for any.
fn kinds(schema: &Value) -> Vec<&str> {
    match &schema["type"] {
        Value::Array(all) => all.iter().filter_map(Value::as_str).collect(),
        one => one.as_str().into_iter().collect(),
    }
}

fn is_of(value: &Value, kind: &str) -> bool {
    match kind {
        "null" => value.is_null(),
        "boolean" => value.is_boolean(),
        "integer" => value.is_i64() || value.is_u64(),
        "number" => value.is_number(),
        "string" => value.is_string(),
        "array" => value.is_array(),
        _ => value.is_object(),
    }
}

/// What an example has against what is said of its field.
fn contradiction(field: &Value, example: &Value) -> Option<&'static str> {
    let kinds = kinds(field);
    if !kinds.is_empty() && !kinds.iter().any(|kind| is_of(example, kind)) {
        return Some("which is of another type");
    }
    match example {
        Value::Number(number) => of_number(field, number.as_f64()?),
        Value::String(text) => of_text(field, text),
        Value::Array(all) => all.iter().find_map(|one| contradiction(&field["items"], one)),
        _ => None,
    }
}

fn of_number(field: &Value, number: f64) -> Option<&'static str> {
    let least = field["minimum"].as_f64().unwrap_or(f64::MIN);
    let most = field["maximum"].as_f64().unwrap_or(f64::MAX);
    let is_share = field["description"].as_str().is_some_and(|said| said.starts_with("Share of"));
    if !(least..=most).contains(&number) {
        Some("which is out of its range")
    } else if is_share && !(0.0..=1.0).contains(&number) {
        Some("which is no share")
    } else {
        None
    }
}

fn of_text(field: &Value, text: &str) -> Option<&'static str> {
    let said = field["description"].as_str().unwrap_or_default();
    let is_one_word = text.starts_with(|first: char| first.is_ascii_lowercase())
        && text.chars().all(|letter| letter.is_ascii_lowercase() || letter.is_ascii_digit() || "_.".contains(letter));
    // Which words there are is said first.
    let is_unnamed = || !said.split('`').skip(1).step_by(2).any(|named| named == text);
    if field["maxLength"].as_u64().is_some_and(|most| text.chars().count() as u64 > most) {
        Some("which is too long")
    } else if field["enum"].as_array().is_some_and(|all| !all.contains(&json!(text))) {
        Some("which is none of its values")
    } else if said.starts_with('`') && is_one_word && is_unnamed() {
        Some("which is none of the words described")
    } else if said.starts_with("The first of the month") && !text.ends_with("-01") {
        Some("which is no first of a month")
    } else {
        None
    }
}

/// What the examples of a schema's fields have against each other.
fn between(fields: &Map<String, Value>) -> Option<&'static str> {
    let shown = |name: &str| fields.get(name).map(|field| &field["example"]);
    let from = shown("from").and_then(Value::as_str);
    let to = shown("to").and_then(Value::as_str);
    let year = shown("year").and_then(Value::as_i64);
    if from.zip(to).is_some_and(|(from, to)| from > to) {
        Some("shows an end before its beginning")
    } else if year.zip(from).is_some_and(|(year, from)| !from.starts_with(&year.to_string())) {
        Some("shows a year that begins in another one")
    } else {
        None
    }
}
