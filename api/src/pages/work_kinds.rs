//! The kinds of work that are told in fields alone: what each asks, and what its event says by that.

use super::sheet::{Spec, Takes, choice, numbered, spec};
use super::work_sheet::{Fitted, Kind};
use domain::fault::Faults;
use domain::routine::caution::Caution;
use domain::service::failure::{Cause, Mechanism, Mode, Symptom};
use serde_json::{Map, Value, json};

/// What was typed into a field; null where it was left empty.
fn taken(fields: &mut Map<String, Value>, name: &str) -> Value {
    fields.remove(name).unwrap_or_default()
}

/// Pit or tanks were cleaned out.
pub(super) struct CleanedOut;

impl Kind for CleanedOut {
    const PATH: &'static str = "clean-out";
    const EVENT: &'static str = "clean_out";
    const TITLE: &'static str = "Clean-out";
    const HEED: &'static [Caution] = &[Caution::ConfinedSpace, Caution::AcidAndHypochlorite, Caution::Discharge];

    fn specs(_parts: &[Fitted]) -> Vec<Spec> {
        vec![
            spec("hauler", "Who took the load", Takes::Text).needed(),
            spec("ticket", "Number of the ticket or manifest", Takes::Text).needed(),
            spec("waste_class", "Class of waste, as its generator declares it", Takes::Text).needed(),
            spec("volume_l", "How much was taken, in litres", Takes::Number).needed(),
            spec("destination", "Where it went", Takes::Text).needed(),
            spec("refill_l", "Filled again with so many litres of fresh water", Takes::Number),
            spec("refill_metered", "That water passed a meter of the unit", Takes::Tick),
            spec(
                "keep_papers_years",
                "Years for which the papers have to be kept, as your rules have it",
                whole_years(),
            )
            .needed(),
        ]
    }

    fn details(fields: Map<String, Value>, _parts: &[Fitted]) -> Value {
        Value::Object(fields)
    }
}

fn whole_years() -> Takes {
    Takes::NumberOf((0..=50).map(|years: u8| (years.to_string(), years.to_string())).collect())
}

/// A probe was held against known standards.
pub(super) struct HeldAgainst;

/// Standards that a form holds: a pH probe wants two buffers, the others one standard.
const STANDARDS: usize = 2;

/// The fields of a standard, each by its name in the record and in the form.
const AS_FOUND: [(&str, &str); 5] =
    [("standard", "standard"), ("shown", "shown"), ("mv", "mv"), ("lot", "lot"), ("expires_on", "expires_on")];
/// The same as it was left: the standard is the same one.
const AS_LEFT: [(&str, &str); 5] = [
    ("standard", "standard"),
    ("shown", "left_shown"),
    ("mv", "left_mv"),
    ("lot", "lot"),
    ("expires_on", "expires_on"),
];

/// What the probe showed, and the fields that say nothing without it.
const BESIDE: [(&str, &[&str]); 2] =
    [("shown", &["standard", "mv", "left_shown", "left_mv", "lot", "expires_on"]), ("left_shown", &["left_mv"])];

fn standard(n: usize) -> Vec<Spec> {
    let title = if n == 1 { "First standard" } else { "Second buffer, of a pH probe" };
    let of =
        |name: &str, label: &str, takes: Takes| numbered(format!("{name}_{n}"), label.to_owned(), takes).under(title);
    vec![
        of("standard", "What it is: pH, or millivolts; empty for air", Takes::Number),
        of("shown", "Shown as found: pH, mV, or mg/L", Takes::Number),
        of("mv", "Millivolts as found, of a pH probe", Takes::Number),
        of("left_shown", "Shown as left, where it was adjusted", Takes::Number),
        of("left_mv", "Millivolts as left, of a pH probe", Takes::Number),
        of("lot", "Its lot", Takes::Text),
        of("expires_on", "Its last good day", Takes::Day),
    ]
}

/// The standards of which something was typed, with what the probe showed in each.
fn points(fields: &Map<String, Value>, names: &[(&str, &str)], shown: &str) -> Vec<Value> {
    let of = |name: &str, n: usize| fields.get(&format!("{name}_{n}")).cloned().unwrap_or_default();
    let used = (1..=STANDARDS).filter(|n| !of(shown, *n).is_null());
    let point = |n: usize| -> Map<String, Value> {
        names.iter().map(|&(name, field)| (name.to_owned(), of(field, n))).collect()
    };
    used.map(|n| Value::Object(point(n))).collect()
}

impl Kind for HeldAgainst {
    const PATH: &'static str = "calibration";
    const EVENT: &'static str = "calibration";
    const TITLE: &'static str = "A probe held against standards";
    const HEED: &'static [Caution] = &[Caution::AcidAndHypochlorite];

    fn specs(parts: &[Fitted]) -> Vec<Spec> {
        let probes = [
            ("ph", "pH, in two buffers"),
            ("orp", "ORP, verified in one standard"),
            ("dissolved_oxygen", "dissolved oxygen, in air"),
        ];
        let mut all = vec![
            spec("probe", "What it measures", choice(probes)).needed(),
            spec("component_id", "Which of its parts it is", Takes::OneOf(parts.to_vec())),
            spec("temperature_c", "Temperature of the standards, in degrees Celsius", Takes::Number).needed(),
            spec("pressure_kpa", "Pressure of the air, in kPa", Takes::Number).hint("Empty for sea level.").more(),
        ];
        all.extend((1..=STANDARDS).flat_map(standard));
        all
    }

    /// Whether the probe showed something in each standard of which something else was typed.
    fn check(fields: &Map<String, Value>) -> Result<(), Faults> {
        let is_typed = |name: &str, n: usize| fields.get(&format!("{name}_{n}")).is_some_and(|value| !value.is_null());
        let mut faults = Faults::default();
        for (n, (shown, others)) in (1..=STANDARDS).flat_map(|n| BESIDE.map(|of| (n, of))) {
            if !is_typed(shown, n) && others.iter().any(|other| is_typed(other, n)) {
                let fix = "fill in what the probe showed, or empty what stands beside it";
                faults.add(format!("/{shown}_{n}"), "required", fix);
            }
        }
        faults.or(())
    }

    fn details(mut fields: Map<String, Value>, _parts: &[Fitted]) -> Value {
        let (found, left) = (points(&fields, &AS_FOUND, "shown"), points(&fields, &AS_LEFT, "left_shown"));
        let left = if left.is_empty() { Value::Null } else { Value::Array(left) };
        json!({
            "probe": taken(&mut fields, "probe"),
            "component_id": taken(&mut fields, "component_id"),
            "temperature_c": taken(&mut fields, "temperature_c"),
            "pressure_kpa": taken(&mut fields, "pressure_kpa"),
            "as_found": found,
            "as_left": left,
        })
    }

    fn fields(mut details: Map<String, Value>, _parts: &[Fitted]) -> Map<String, Value> {
        for (list, names) in [("as_found", AS_FOUND), ("as_left", AS_LEFT)] {
            let Some(Value::Array(points)) = details.remove(list) else { continue };
            for (n, point) in (1..=points.len()).zip(points) {
                for (name, field) in names {
                    details.insert(format!("{field}_{n}"), point.get(name).cloned().unwrap_or_default());
                }
            }
        }
        details
    }

    /// A fault of a standard is one of its field; of all standards together, of what the first one showed.
    fn field(pointer: &str) -> Option<String> {
        let mut steps = pointer.rsplit('/');
        let (last, before) = (steps.next()?, steps.next()?);
        match (last, before.parse::<usize>()) {
            ("as_found", _) => Some("shown_1".to_owned()),
            ("as_left", _) => Some("left_shown_1".to_owned()),
            (name, Ok(n)) => {
                let names = if steps.next() == Some("as_left") { AS_LEFT } else { AS_FOUND };
                let (_, field) = names.into_iter().find(|(of, _)| *of == name)?;
                Some(format!("{field}_{}", n + 1))
            }
            _ => None,
        }
    }
}

/// A part failed.
pub(super) struct Failed;

/// Words of a level, by name and in a sentence.
fn level(words: impl Iterator<Item = (&'static str, &'static str)>) -> Takes {
    Takes::OneOf(words.map(|(name, says)| (name.to_owned(), says.to_owned())).collect())
}

impl Kind for Failed {
    const PATH: &'static str = "failure";
    const EVENT: &'static str = "failure";
    const TITLE: &'static str = "A part failed";
    const HEED: &'static [Caution] = &[Caution::ConfinedSpace, Caution::Ozone];

    fn specs(parts: &[Fitted]) -> Vec<Spec> {
        let symptoms = level(Symptom::ALL.iter().map(|word| (word.as_str(), word.says())));
        let modes = level(Mode::ALL.iter().map(|word| (word.as_str(), word.says())));
        let mechanisms = level(Mechanism::ALL.iter().map(|word| (word.as_str(), word.says())));
        let causes = level(Cause::ALL.iter().map(|word| (word.as_str(), word.says())));
        vec![
            spec("component_id", "Which part", Takes::OneOf(parts.to_vec())),
            spec("part", "Or, of one that is not written down, what it is", Takes::Text),
            spec("symptom", "What people noticed", symptoms).needed(),
            spec("mode", "In which way it no longer does its work", modes).needed(),
            spec("mechanism", "What happened in it", mechanisms).needed(),
            spec("cause", "Why that could happen", causes)
                .needed()
                .hint("Who replaced it says so with \u{201c}A part was replaced\u{201d}."),
        ]
    }

    /// A part that was chosen is called as it is called there.
    fn details(mut fields: Map<String, Value>, parts: &[Fitted]) -> Value {
        let chosen = fields.get("component_id").and_then(Value::as_str);
        let named = parts.iter().find(|(id, _)| Some(id.as_str()) == chosen).map(|(_, name)| json!(name));
        let part = fields.get("part").filter(|part| !part.is_null()).cloned().or(named);
        fields.insert("part".to_owned(), part.unwrap_or_else(|| json!("")));
        Value::Object(fields)
    }

    fn fields(mut details: Map<String, Value>, parts: &[Fitted]) -> Map<String, Value> {
        let chosen = details.get("component_id").and_then(Value::as_str);
        let named = parts.iter().find(|(id, _)| Some(id.as_str()) == chosen).map(|(_, name)| json!(name));
        if named.is_some() && named.as_ref() == details.get("part") {
            details.remove("part");
        }
        details
    }
}
