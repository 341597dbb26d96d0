//! The API's document as the sweep reads it: operations, what they demand, and requests that fit
//! them, made from the schemas' own examples.

use reqwest::Method;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;
use weirbook::auth::{Row, table};

/// Ids by the kind of record that they name: the fixed steps of its address, such as
/// `units/samples`.
pub(super) type Ids = BTreeMap<String, Vec<String>>;

/// Which kind of record a field or parameter of that name points at.
const POINTERS: [(&str, &str); 18] = [
    ("unit_id", "units"),
    ("site_id", "sites"),
    ("site_ids", "sites"),
    ("customer_id", "customers"),
    ("model_id", "unit-models"),
    ("component_id", "components"),
    ("meter_id", "meters"),
    ("meter_ids", "meters"),
    ("item_id", "consumables"),
    ("place_id", "places"),
    ("to_place_id", "places"),
    ("from_place_id", "places"),
    ("kit_id", "kits"),
    ("dial_meter_id", "meters"),
    ("event_id", "service-events"),
    ("lot_id", "consumables/lots"),
    ("visit_id", "visits"),
    // Of the files behind readings.
    ("record_id", "meters"),
];

/// The names of all pointers.
pub(super) fn pointers() -> impl Iterator<Item = &'static str> {
    POINTERS.iter().map(|(name, _)| *name)
}

fn pointed_at(name: &str) -> Option<&'static str> {
    POINTERS.iter().find(|(pointer, _)| *pointer == name).map(|(_, kind)| *kind)
}

/// The document.
pub(super) struct Document {
    root: Value,
}

/// One operation.
pub(super) struct Operation {
    pub(super) method: Method,
    pub(super) path: String,
    pub(super) id: String,
    /// The row of the permission table that it demands; none for the ways to a token.
    pub(super) permission: Option<Row>,
    said: Value,
}

/// A query parameter.
pub(super) struct Parameter {
    pub(super) name: String,
    pub(super) is_required: bool,
    example: Option<String>,
}

impl Document {
    pub(super) fn read() -> Self {
        Self { root: serde_json::to_value(weirbook::server::openapi()).unwrap() }
    }

    /// All operations. Each is open, or demands one permission of the table.
    pub(super) fn operations(&self) -> Vec<Operation> {
        let rows = table();
        let row = |said: &Value| {
            let security = said["security"].as_array().unwrap_or_else(|| panic!("{said} does not say who may"));
            let name = security.iter().find_map(|one| one["bearer"][0].as_str())?;
            Some(*rows.iter().find(|row| row.name == name).unwrap_or_else(|| panic!("no row of the table is {name}")))
        };
        let mut operations = Vec::new();
        for (path, item) in self.root["paths"].as_object().unwrap() {
            for (method, said) in item.as_object().unwrap() {
                operations.push(Operation {
                    method: method.to_uppercase().parse().unwrap(),
                    path: path.clone(),
                    id: said["operationId"].as_str().unwrap().to_owned(),
                    permission: row(said),
                    said: said.clone(),
                });
            }
        }
        operations
    }

    fn followed<'a>(&'a self, mut schema: &'a Value) -> &'a Value {
        while let Some(target) = schema["$ref"].as_str() {
            schema = self.root.pointer(target.trim_start_matches('#')).unwrap();
        }
        schema
    }

    /// A body for the operation; none where it takes no JSON.
    pub(super) fn body(&self, operation: &Operation, filling: &Filling<'_>) -> Option<Value> {
        let schema = operation.said.pointer("/requestBody/content/application~1json/schema")?;
        Some(self.sample(schema, "", filling))
    }

    fn sample(&self, schema: &Value, name: &str, filling: &Filling<'_>) -> Value {
        let schema = self.followed(schema);
        let choices = ["oneOf", "anyOf", "allOf"].iter().find_map(|key| schema[*key].as_array());
        if let Some(choices) = choices {
            let real = choices.iter().find(|choice| choice["type"] != "null").unwrap();
            return self.sample(real, name, filling);
        }
        let kind = type_of(schema);
        if kind == "object" || schema["properties"].is_object() {
            return self.object(schema, filling);
        }
        if let Some(kind) = pointed_at(name) {
            let known = filling.ids.get(kind).and_then(|ids| ids.first());
            let id = known.map_or(schema["example"].clone(), |id| json!(id));
            return if schema["type"] == "array" { json!([id]) } else { id };
        }
        match (&schema["example"], kind) {
            (Value::Null, "array") => json!([self.sample(&schema["items"], name, filling)]),
            (Value::Null, _) => bare(schema, filling.mark),
            (Value::String(text), _) if is_free_text(schema, name, text) => json!(format!("{text} {}", filling.mark)),
            (example, _) => example.clone(),
        }
    }

    fn object(&self, schema: &Value, filling: &Filling<'_>) -> Value {
        let required: Vec<&str> =
            schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
        let mut made = Map::new();
        for (name, of_property) in schema["properties"].as_object().into_iter().flatten() {
            let said = self.followed(of_property);
            let is_pointer = name.ends_with("_id") && !filling.with.contains(&name.as_str());
            let has_example = said.get("example").is_none_or(|example| !example.is_null());
            if required.contains(&name.as_str()) || filling.is_full && !is_pointer && has_example {
                made.insert(name.clone(), self.sample(of_property, name, filling));
            }
        }
        Value::Object(made)
    }
}

/// What a body is filled with.
pub(super) struct Filling<'a> {
    pub(super) ids: &'a Ids,
    /// A word for every free text, so that it is known again.
    pub(super) mark: &'a str,
    /// Whether to send what may be left out too.
    pub(super) is_full: bool,
    /// Pointers to send although they may be left out.
    pub(super) with: &'a [&'a str],
}

fn text(value: &Value) -> Option<String> {
    match value {
        Value::Null => None,
        Value::String(text) => Some(text.clone()),
        other => Some(other.to_string()),
    }
}

fn type_of(schema: &Value) -> &str {
    match &schema["type"] {
        Value::Array(types) => types.iter().filter_map(Value::as_str).find(|kind| *kind != "null").unwrap_or_default(),
        kind => kind.as_str().unwrap_or_default(),
    }
}

/// Words, or a name or number that has to be unique, rather than one of a few values.
fn is_free_text(schema: &Value, name: &str, example: &str) -> bool {
    let is_name = ["name", "label", "serial_number", "number"].contains(&name);
    schema["format"].is_null() && schema["pattern"].is_null() && (is_name || example.contains(' '))
}

fn bare(schema: &Value, mark: &str) -> Value {
    match (type_of(schema), schema["format"].as_str()) {
        ("string", Some("date")) => json!("2026-03-02"),
        ("string", Some("date-time")) => json!("2026-03-02T07:30:00Z"),
        ("string", Some("uuid")) => json!("0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c12"),
        ("string", _) => json!(format!("words {mark}")),
        ("integer" | "number", _) => schema.get("minimum").cloned().unwrap_or(json!(1)),
        ("boolean", _) => json!(false),
        _ => Value::Null,
    }
}

impl Operation {
    /// The kinds of record whose ids its path names, in order.
    pub(super) fn kinds(&self) -> Vec<String> {
        let (mut fixed, mut kinds) = (Vec::new(), Vec::new());
        for step in self.path.split('/').skip(2) {
            match step.starts_with('{') {
                true => kinds.push(fixed.join("/")),
                false => fixed.push(step),
            }
        }
        kinds
    }

    /// The kind of record that its path is about.
    pub(super) fn kind(&self) -> String {
        let steps = self.path.split('/').skip(2).filter(|step| !step.starts_with('{'));
        steps.collect::<Vec<_>>().join("/")
    }

    /// Its path with the first id of each kind; none while one is lacking.
    pub(super) fn filled(&self, ids: &Ids) -> Option<String> {
        let mut kinds = self.kinds().into_iter();
        let step = |step: &str| match step.starts_with('{') {
            true => Some(ids.get(&kinds.next()?)?.first()?.clone()),
            false => Some(step.to_owned()),
        };
        self.path.split('/').map(step).collect::<Option<Vec<_>>>().map(|steps| steps.join("/"))
    }

    pub(super) fn is_read(&self) -> bool {
        self.method == Method::GET
    }

    /// Whether it adds a record from JSON, or from nothing.
    pub(super) fn creates(&self) -> bool {
        let body = &self.said["requestBody"]["content"];
        self.method == Method::POST
            && self.permission.is_some()
            && self.said["responses"]["201"].is_object()
            && (body.is_null() || body["application/json"].is_object())
    }

    /// What may be asked in its query.
    pub(super) fn query(&self) -> Vec<Parameter> {
        let all = self.said["parameters"].as_array().into_iter().flatten().filter(|said| said["in"] == "query");
        let parameter = |said: &Value| Parameter {
            name: said["name"].as_str().unwrap().to_owned(),
            is_required: said["required"] == true,
            example: [&said["example"], &said["schema"]["example"]].into_iter().find_map(text),
        };
        all.map(parameter).collect()
    }

    /// The queries to ask it with: what is required alone, with a page of one record, and with each
    /// other parameter of which an id or an example is known; none where something of a kind that has to
    /// be named is lacking.
    pub(super) fn queries(&self, ids: &Ids) -> Vec<String> {
        let all = self.query();
        // An example's id is nobody's.
        let value = |parameter: &Parameter| match pointed_at(&parameter.name) {
            Some(kind) => ids.get(kind)?.first().cloned(),
            None => parameter.example.clone(),
        };
        let required: Option<Vec<String>> = all
            .iter()
            .filter(|parameter| parameter.is_required)
            .map(|parameter| Some(format!("{}={}", parameter.name, value(parameter)?)))
            .collect();
        let Some(required) = required else { return Vec::new() };
        let with = |more: String| {
            let pairs: Vec<_> = required.iter().cloned().chain((!more.is_empty()).then_some(more)).collect();
            if pairs.is_empty() { String::new() } else { format!("?{}", pairs.join("&")) }
        };
        let mut queries = vec![with(String::new())];
        for parameter in all.iter().filter(|parameter| !parameter.is_required) {
            let given = if parameter.name == "limit" { Some("1".to_owned()) } else { value(parameter) };
            queries.extend(given.map(|given| with(format!("{}={given}", parameter.name))));
        }
        queries
    }
}
