//! What a form is filled with: what was typed, a record as it is, or what was typed over a record that somebody
//! else may have changed meanwhile.

use super::choosing;
use super::form::{LOCAL, Typed, field};
use super::sheet::{Spec, Takes, revision};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde::Serialize;
use serde_json::Value;
use std::collections::BTreeMap;

/// What a form is filled with.
pub(super) enum Filled<'a> {
    /// What was typed.
    Typed(&'a Typed),
    /// A record as it is, by the clock of its zone.
    Record(Value, Tz),
    /// What was typed, and the record as it is now.
    Over(&'a Typed, Box<Filled<'a>>),
}

/// What stood in the fields when the form was shown, in a field of that name.
const WAS: &str = "was";

impl<'a> Filled<'a> {
    /// A record's present values.
    pub(super) fn of<I: Serialize>(record: &I, zone: Tz) -> Filled<'static> {
        Filled::Record(serde_json::to_value(record).unwrap_or_default(), zone)
    }

    /// The record, with what was typed over it where anything was.
    pub(super) fn with_typed(self, typed: Option<&'a Typed>) -> Self {
        match typed {
            Some(typed) => Self::Over(typed, Box::new(self)),
            None => self,
        }
    }

    /// What stands in a field, as a browser is given it.
    pub(super) fn value(&self, spec: &Spec) -> String {
        match self {
            Filled::Typed(typed) | Filled::Over(typed, _) => field(typed, &spec.name).unwrap_or_default().to_owned(),
            Filled::Record(record, zone) => match (record.get(&*spec.name), &spec.takes) {
                (Some(Value::String(text)), Takes::Instant) => local(text, *zone),
                (Some(Value::String(text)), _) => text.clone(),
                (Some(Value::Null) | None, _) => String::new(),
                (Some(other), _) => other.to_string(),
            },
        }
    }

    /// Whether one of several is chosen.
    pub(super) fn has(&self, spec: &Spec, name: &str) -> bool {
        match self {
            Filled::Typed(typed) | Filled::Over(typed, _) => field(typed, &format!("{}-{name}", spec.name)).is_some(),
            Filled::Record(record, _) => {
                record.get(&*spec.name).and_then(Value::as_array).is_some_and(|all| all.iter().any(|one| one == name))
            }
        }
    }

    /// What is to be found in the list of a field.
    pub(super) fn wanted(&self, spec: &Spec) -> &str {
        match self {
            Filled::Typed(typed) | Filled::Over(typed, _) => choosing::wanted(typed, &spec.name),
            Filled::Record(..) => "",
        }
    }

    /// What stands in a field, written alike wherever it means the same: browsers end lines in a way of their own.
    fn plain(&self, spec: &Spec) -> String {
        match &spec.takes {
            Takes::Tick => String::from(if is_ticked(&self.value(spec)) { "yes" } else { "" }),
            Takes::SomeOf(all) => {
                let chosen = all.iter().filter(|(name, _)| self.has(spec, name)).map(|(name, _)| name.as_str());
                chosen.collect::<Vec<_>>().join("\n")
            }
            Takes::Picture => String::new(),
            _ => self.value(spec).trim().replace("\r\n", "\n"),
        }
    }

    /// What stands in the fields of the record, for its form to bring back.
    pub(super) fn was(&self, specs: &[Spec]) -> String {
        let record = match self {
            Filled::Over(_, record) => record.as_ref(),
            own => own,
        };
        let fields: BTreeMap<&str, String> = specs.iter().map(|spec| (&*spec.name, record.plain(spec))).collect();
        serde_json::to_string(&fields).unwrap_or_default()
    }

    /// What others wrote after the form was shown; none while the record is at the revision that the form had.
    pub(super) fn meanwhile(&self, now: Option<i32>) -> Option<Meanwhile<'_>> {
        let Filled::Over(typed, record) = self else { return None };
        let was = typed.get(WAS).and_then(|text| serde_json::from_str(text).ok()).unwrap_or_default();
        (now? != revision(typed)).then_some(Meanwhile { record, was })
    }
}

/// A record that was changed after its form was shown.
pub(super) struct Meanwhile<'a> {
    record: &'a Filled<'a>,
    /// What stood in the fields then; nothing where the form did not bring it back.
    was: BTreeMap<String, String>,
}

impl Meanwhile<'_> {
    /// With what a field is filled, and what others wrote there where something else was typed: what whoever typed
    /// left as it stood is filled with what others wrote.
    pub(super) fn of<'a>(&'a self, typed: &'a Filled<'a>, spec: &Spec) -> (&'a Filled<'a>, Option<String>) {
        let (own, theirs) = (typed.plain(spec), self.record.plain(spec));
        let was = self.was.get(&*spec.name);
        if was == Some(&own) {
            return (self.record, None);
        }
        let is_met = own != theirs && was != Some(&theirs);
        (typed, is_met.then_some(theirs))
    }
}

/// Whether a tick stands for that value.
pub(super) fn is_ticked(value: &str) -> bool {
    value == "true" || value == "yes"
}

fn local(text: &str, zone: Tz) -> String {
    let at: Option<DateTime<Utc>> = text.parse().ok();
    at.map(|at| at.with_timezone(&zone).format(LOCAL).to_string()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::super::sheet::spec;
    use super::*;
    use serde_json::json;

    fn typed(fields: &[(&str, &str)]) -> Typed {
        fields.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect()
    }

    #[test]
    fn what_both_changed_is_met_and_what_one_left_alone_is_the_others() {
        let specs = ["name", "note", "order", "place"].map(|name| spec(name, "", Takes::Lines));
        let then = json!({ "name": "Quay", "note": "a\nb", "order": "7", "place": "north" });
        let was = Filled::Record(then, Tz::UTC).was(&specs);
        let sent = typed(&[
            ("revision", "1"),
            ("was", &was),
            ("name", "Quay 2"),
            ("note", "a\r\nb"),
            ("order", "8"),
            ("place", "south"),
        ]);
        let now = json!({ "name": "Quay 3", "note": "c", "order": "7", "place": "south" });
        let filled = Filled::Record(now, Tz::UTC).with_typed(Some(&sent));
        assert!(filled.meanwhile(Some(1)).is_none(), "nobody changed it");
        let meanwhile = filled.meanwhile(Some(2)).unwrap();
        let shown = specs.each_ref().map(|spec| {
            let (with, now) = meanwhile.of(&filled, spec);
            (with.value(spec), now)
        });
        let met = Some("Quay 3".to_owned());
        let expected = [("Quay 2", met), ("c", None), ("8", None), ("south", None)];
        assert_eq!(shown, expected.map(|(value, now)| (value.to_owned(), now)));
    }

    #[test]
    fn without_what_stood_there_all_that_differs_is_met() {
        let of = spec("name", "", Takes::Text);
        let sent = typed(&[("revision", "1"), ("name", "Quay")]);
        let filled = Filled::Record(json!({ "name": "Pier" }), Tz::UTC).with_typed(Some(&sent));
        let meanwhile = filled.meanwhile(Some(2)).unwrap();
        assert_eq!(meanwhile.of(&filled, &of).1.as_deref(), Some("Pier"));
    }
}
