//! The kinds of work that are told in rows alike: settings that were changed, and what was looked at.

use super::handover::kind_words as setting_words;
use super::sheet::{Spec, Takes, choice, numbered};
use super::work_sheet::{Fitted, Kind};
use domain::fault::Faults;
use domain::routine::caution::Caution;
use domain::service::details::SettingKind;
use serde_json::{Map, Value, json};

/// The rows of a form, by the headings over their fields.
const ROWS: [&str; 5] = ["First", "Second", "Third", "Fourth", "Fifth"];

/// What was typed into a field of a row; none where it was left empty.
fn cell<'a>(fields: &'a Map<String, Value>, name: &str, n: usize) -> Option<&'a Value> {
    fields.get(&format!("{name}_{n}")).filter(|value| !value.is_null())
}

/// The rows down to the last of which something was typed, by their numbers: an empty one between others is one.
fn used(fields: &Map<String, Value>, names: &[&str]) -> std::ops::RangeInclusive<usize> {
    let typed = |n: &usize| names.iter().any(|name| cell(fields, name, *n).is_some());
    1..=(1..=ROWS.len()).rev().find(typed).unwrap_or(0)
}

/// What was typed into those rows.
fn rows(fields: &Map<String, Value>, names: &[&str]) -> Vec<Map<String, Value>> {
    let of = |name: &str, n: usize| (name.to_owned(), cell(fields, name, n).cloned().unwrap_or_default());
    used(fields, names).map(|n| names.iter().map(|name| of(name, n)).collect()).collect()
}

/// The fields of rows as a record has them.
fn cells(rows: Option<Value>, names: &[&str]) -> Map<String, Value> {
    let Some(Value::Array(rows)) = rows else { return Map::new() };
    let mut fields = Map::new();
    for (n, row) in (1..=rows.len()).zip(&rows) {
        for name in names {
            fields.insert(format!("{name}_{n}"), row.get(*name).cloned().unwrap_or_default());
        }
    }
    fields
}

/// Whether each of those rows has what it needs.
fn complete(fields: &Map<String, Value>, names: &[&str], needed: &[&str]) -> Result<(), Faults> {
    let mut faults = Faults::default();
    for n in used(fields, names) {
        for name in needed.iter().filter(|name| cell(fields, name, n).is_none()) {
            faults.add(format!("/{name}_{n}"), "required", "fill it in, or empty its row and those after it");
        }
    }
    faults.or(())
}

/// The field of a fault in the list of that name; of the list itself, the first.
fn field_of(pointer: &str, list: &str, first: &str) -> Option<String> {
    let (before, last) = pointer.rsplit_once('/')?;
    if last == list {
        return Some(format!("{first}_1"));
    }
    let n: usize = before.rsplit('/').next()?.parse().ok()?;
    Some(format!("{last}_{}", n + 1))
}

/// Settings were changed.
pub(super) struct Adjusted;

const SETTING: [&str; 5] = ["setting", "place", "unit", "found", "left"];

impl Kind for Adjusted {
    const PATH: &'static str = "adjustment";
    const EVENT: &'static str = "adjustment";
    const TITLE: &'static str = "Settings changed";
    const HEED: &'static [Caution] = &[Caution::AcidAndHypochlorite];

    fn specs(_parts: &[Fitted]) -> Vec<Spec> {
        let kinds = SettingKind::ALL.iter().map(|kind| (kind.as_str().to_owned(), setting_words(*kind).to_owned()));
        let kinds = Takes::OneOf(kinds.collect());
        let row = |(n, heading): (usize, &'static str)| {
            let of = |name: &str, label: &str, takes: Takes| {
                let spec = numbered(format!("{name}_{n}"), label.to_owned(), takes).under(heading);
                if n == 1 { spec.needed() } else { spec }
            };
            [
                of("setting", "What was set", kinds.clone()),
                of("place", "Of which pump, float or controller", Takes::Text),
                of("unit", "In what it is set, such as %, mm, min or L/min", Takes::Text),
                of("found", "As it was found", Takes::Number),
                of("left", "As it was left", Takes::Number),
            ]
        };
        (1..).zip(ROWS).flat_map(row).collect()
    }

    fn check(fields: &Map<String, Value>) -> Result<(), Faults> {
        complete(fields, &SETTING, &SETTING)
    }

    fn details(fields: Map<String, Value>, _parts: &[Fitted]) -> Value {
        json!({ "settings": rows(&fields, &SETTING) })
    }

    fn fields(mut details: Map<String, Value>, _parts: &[Fitted]) -> Map<String, Value> {
        cells(details.remove("settings"), &SETTING)
    }

    fn field(pointer: &str) -> Option<String> {
        field_of(pointer, "settings", "setting")
    }
}

/// The unit was looked over.
pub(super) struct LookedOver;

const LOOKED: [&str; 4] = ["component_id", "what", "found", "note"];

impl Kind for LookedOver {
    const PATH: &'static str = "inspection";
    const EVENT: &'static str = "inspection";
    const TITLE: &'static str = "Inspection";
    const HEED: &'static [Caution] = &[Caution::ConfinedSpace];

    fn specs(parts: &[Fitted]) -> Vec<Spec> {
        let row = |(n, heading): (usize, &'static str)| {
            let of = |name: &str, label: &str, takes: Takes| {
                numbered(format!("{name}_{n}"), label.to_owned(), takes).under(heading)
            };
            let found = choice([("good", "in good order"), ("watch", "to be watched"), ("bad", "to be put right")]);
            let found = of("found", "How it was found", found);
            [
                of("component_id", "Which part", Takes::OneOf(parts.to_vec())),
                of("what", "Or what else was looked at", Takes::Text),
                if n == 1 { found.needed() } else { found },
                of("note", "What else there is to say of it", Takes::Text),
            ]
        };
        (1..).zip(ROWS).flat_map(row).collect()
    }

    fn check(fields: &Map<String, Value>) -> Result<(), Faults> {
        complete(fields, &LOOKED, &["found"])
    }

    /// A part that was chosen is called as it is called there.
    fn details(fields: Map<String, Value>, parts: &[Fitted]) -> Value {
        let mut rows = rows(&fields, &LOOKED);
        for row in &mut rows {
            let chosen = row.get("component_id").and_then(Value::as_str);
            let named = parts.iter().find(|(id, _)| Some(id.as_str()) == chosen).map(|(_, name)| name.clone());
            if row.get("what").is_none_or(Value::is_null) {
                row.insert("what".to_owned(), json!(named.unwrap_or_default()));
            }
        }
        json!({ "looked_at": rows })
    }

    fn fields(mut details: Map<String, Value>, parts: &[Fitted]) -> Map<String, Value> {
        let mut fields = cells(details.remove("looked_at"), &LOOKED);
        for n in used(&fields, &LOOKED) {
            let chosen = cell(&fields, "component_id", n).and_then(Value::as_str);
            let named = parts.iter().find(|(id, _)| Some(id.as_str()) == chosen).map(|(_, name)| json!(name));
            if named.is_some() && named.as_ref() == cell(&fields, "what", n) {
                fields.remove(&format!("what_{n}"));
            }
        }
        fields
    }

    fn field(pointer: &str) -> Option<String> {
        field_of(pointer, "looked_at", "found")
    }
}
