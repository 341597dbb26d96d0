//! Examples in the API's document that nobody has to write beside a field: a problem of each kind as the
//! service answers it, and values that a field's form, or its name where names mean the same everywhere,
//! tells by itself. What stands beside a field counts before them.

use crate::auth::{Role, operations};
use crate::db::DbError;
use crate::db::page::After;
use crate::extract::JSON_BYTES_MAX;
use crate::problem::{CONTENT_TYPE, Kind, Problem, ProblemBody};
use domain::fault::Faults;
use domain::zone::parse_zone;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::{mem, slice};
use utoipa::openapi::example::{Example, ExampleBuilder};
use utoipa::openapi::path::{Operation, Parameter, ParameterBuilder};
use utoipa::openapi::schema::{Array, ArrayItems, KnownFormat, Object, SchemaFormat, SchemaType, Type};
use utoipa::openapi::{Content, OpenApi, Ref, RefOr, Schema};
use uuid::{Uuid, uuid};

/// The document's schemas by their names.
type Schemas = BTreeMap<String, RefOr<Schema>>;

/// Adds them to the document, wherever no example stands yet.
pub(crate) fn added(document: &mut OpenApi) {
    let mut components = document.components.take().unwrap_or_default();
    components.schemas.values_mut().for_each(of_fields);
    components.examples.extend(Kind::ALL.iter().map(|kind| (kind.code().to_owned(), RefOr::T(of_kind(*kind)))));
    for (_, _, operation) in operations(document) {
        let listed = field_of_listed(&components.schemas, operation);
        for parameter in operation.parameters.iter_mut().flatten() {
            if let RefOr::T(parameter) = parameter {
                of_parameter(parameter, listed.as_deref());
            }
        }
        if let Some(RefOr::T(body)) = &mut operation.request_body {
            body.content.values_mut().for_each(of_content);
        }
        for (status, response) in &mut operation.responses.responses {
            let RefOr::T(response) = response else { continue };
            response.content.values_mut().for_each(of_content);
            if let Some(RefOr::T(content)) = response.content.get_mut(CONTENT_TYPE) {
                refer(content, status);
            }
        }
    }
    document.components = Some(components);
}

/// Points at the problems of that status.
fn refer(content: &mut Content, status: &str) {
    for kind in Kind::ALL.iter().filter(|kind| kind.status().as_str() == status) {
        let named = Ref::new(format!("#/components/examples/{}", kind.code()));
        content.examples.insert(kind.code().to_owned(), RefOr::Ref(named));
    }
}

/// What the service says of a kind of problem, in one of the cases in which it does.
fn problem(kind: Kind) -> Problem {
    match kind {
        Kind::Malformed => Problem::cut_off(),
        Kind::Invalid => {
            let mut faults = Faults::default();
            faults.take("/time_zone", parse_zone("Central Europe"));
            faults.into()
        }
        Kind::NotSignedIn => Problem::not_signed_in(),
        Kind::NotAllowed => Problem::not_allowed(Role::CustomerViewer, "write-customers"),
        Kind::NotFound => Problem::not_found(),
        Kind::NoSuchMethod => Problem::no_such_method("GET, POST"),
        Kind::Conflict => DbError::Taken { constraint: "unit_dealer_id_serial_number_key".to_owned() }.into(),
        Kind::Gone => Problem::link_over(),
        Kind::Stale => DbError::Stale { current: 2 }.into(),
        Kind::NoRevision => Problem::no_revision(),
        Kind::TooLarge => Problem::too_large(JSON_BYTES_MAX),
        Kind::UnknownMedia => Problem::no_json(),
        Kind::TooMany => Problem::too_many(45),
        Kind::Busy => DbError::Collided.into(),
        Kind::Internal => Problem::ours(),
    }
}

fn of_kind(kind: Kind) -> Example {
    let body = serde_json::to_value(ProblemBody::from(&problem(kind))).ok();
    ExampleBuilder::new().summary(kind.title()).value(body).build()
}

fn of_content(content: &mut RefOr<Content>) {
    if let RefOr::T(content) = content {
        content.schema.iter_mut().for_each(of_fields);
    }
}

/// The fields of a schema, and of those inside it.
fn of_fields(schema: &mut RefOr<Schema>) {
    let RefOr::T(schema) = schema else { return };
    match schema {
        Schema::Object(object) => {
            for (name, property) in &mut object.properties {
                match property {
                    RefOr::T(Schema::Object(field)) => of_field(name, field),
                    RefOr::T(Schema::Array(list)) => of_list(name, list),
                    _ => {}
                }
                of_fields(property);
            }
        }
        Schema::AllOf(all) => all.items.iter_mut().for_each(of_fields),
        Schema::OneOf(one) => one.items.iter_mut().for_each(of_fields),
        Schema::AnyOf(any) => any.items.iter_mut().for_each(of_fields),
        Schema::Array(array) => {
            if let ArrayItems::RefOrSchema(items) = &mut array.items {
                of_fields(items);
            }
        }
        _ => {}
    }
}

fn of_field(name: &str, field: &mut Object) {
    if name == "id" && field.description.is_none() {
        field.description = Some("Its id.".to_owned());
    }
    if field.example.is_none() {
        field.example = by_name(name, field).or_else(|| by_form(name, field));
    }
}

/// A list of ids, `site_ids` such as `site_id`.
fn of_list(name: &str, list: &mut Array) {
    let ArrayItems::RefOrSchema(items) = &list.items else { return };
    if let RefOr::T(Schema::Object(one)) = &**items
        && list.example.is_none()
        && one.format == Some(SchemaFormat::KnownFormat(KnownFormat::Uuid))
    {
        list.example = Some(json!([id(name.trim_end_matches('s'))]));
    }
}

/// What fields of that name mean everywhere.
fn by_name(name: &str, field: &Object) -> Option<Value> {
    match name {
        "revision" => Some(json!(1)),
        "next_cursor" => Some(json!(cursor())),
        // Most records count, and are shown while they do.
        "ended_at" | "revoked_at" | "withdrawn_at" | "withdrawn_why" | "closed_at" if is_nullable(field) => {
            Some(Value::Null)
        }
        _ => None,
    }
}

/// A value of the field's form.
fn by_form(name: &str, field: &Object) -> Option<Value> {
    if let Some(value) = field.enum_values.as_ref().and_then(|values| values.first()).or(field.default.as_ref()) {
        return Some(value.clone());
    }
    let is_end = ["to", "to_at", "expires_at", "ends_at", "last_day", "next_from"].contains(&name);
    match field.format.as_ref()? {
        SchemaFormat::KnownFormat(KnownFormat::Uuid) => Some(json!(id(name))),
        SchemaFormat::KnownFormat(KnownFormat::Date) => Some(json!(if is_end { "2026-04-01" } else { "2026-03-02" })),
        SchemaFormat::KnownFormat(KnownFormat::DateTime) => {
            Some(json!(if is_end { "2026-04-01T07:30:00Z" } else { "2026-03-02T07:30:00Z" }))
        }
        _ => None,
    }
}

fn is_nullable(field: &Object) -> bool {
    matches!(&field.schema_type, SchemaType::Array(types) if types.contains(&Type::Null))
}

/// An id as [`Uuid::now_v7`] makes them; of a record shown with others another one.
fn id(name: &str) -> Uuid {
    match name {
        "customer_id" => uuid!("0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c10"),
        "site_id" => uuid!("0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c13"),
        "unit_id" => uuid!("0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c14"),
        "meter_id" | "taken_meter_id" => uuid!("0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c15"),
        "item_id" => uuid!("0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c16"),
        "place_id" => uuid!("0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c17"),
        "recorded_by" => uuid!("0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c18"),
        _ => uuid!("0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c12"),
    }
}

/// The place after a customer in the list by name.
fn cursor() -> String {
    After::cursor("Harbour Haulage", id("customer_id"))
}

/// A field of the records that an operation lists in an order of one's choice: a time that they tell, else a text, else
/// the first.
fn field_of_listed(schemas: &Schemas, operation: &Operation) -> Option<String> {
    let is_order = |one: &RefOr<Parameter>| matches!(one, RefOr::T(said) if said.name == "sort");
    if !operation.parameters.iter().flatten().any(is_order) {
        return None;
    }
    let answer = serde_json::to_value(operation.responses.responses.get("200")).ok()?;
    let page = followed(schemas, answer.pointer("/content/application~1json/schema")?);
    let record = followed(schemas, page.pointer("/properties/items/items")?);
    // What stands flat in a record has a schema of its own.
    let parts = record.get("allOf").and_then(Value::as_array).map_or(slice::from_ref(&record), Vec::as_slice);
    let parts: Vec<Value> = parts.iter().map(|part| followed(schemas, part)).collect();
    let fields: Vec<_> = parts.iter().filter_map(|part| part["properties"].as_object()).flatten().collect();
    let is_time = |field: &Value| field["format"] == "date" || field["format"] == "date-time";
    let found = fields.iter().find(|&&(_, field)| is_time(field));
    let found = found.or_else(|| fields.iter().find(|&&(_, field)| field["type"] == "string")).or(fields.first());
    found.map(|&(name, _)| name.clone())
}

/// A schema, or the one that it refers to.
fn followed(schemas: &Schemas, schema: &Value) -> Value {
    let name = schema["$ref"].as_str().and_then(|target| target.rsplit('/').next());
    let named = name.and_then(|name| serde_json::to_value(schemas.get(name)?).ok());
    named.unwrap_or_else(|| schema.clone())
}

/// Where a list is asked for, `listed` is a field of its records.
fn of_parameter(parameter: &mut Parameter, listed: Option<&str>) {
    // Whether it has an example, only its JSON tells.
    let has_one = serde_json::to_value(&*parameter).is_ok_and(|said| {
        ["/example", "/schema/example"].iter().any(|at| said.pointer(at).is_some_and(|one| !one.is_null()))
    });
    let value = match parameter.name.as_str() {
        _ if has_one => None,
        "cursor" => Some(json!(cursor())),
        "fields" => listed.map(|field| json!(field)),
        "sort" => listed.map(|field| json!(format!("-{field}"))),
        "If-Match" => Some(json!("\"3\"")),
        "Idempotency-Key" => Some(json!("0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c19")),
        name => match &parameter.schema {
            Some(RefOr::T(Schema::Object(form))) => by_form(name, form).or_else(|| asking_for_more(form)),
            _ => None,
        },
    };
    if value.is_some() {
        *parameter = ParameterBuilder::from(mem::take(parameter)).example(value).build();
    }
}

/// What may be asked with yes or no is left out for no.
fn asking_for_more(form: &Object) -> Option<Value> {
    let is_flag = match &form.schema_type {
        SchemaType::Type(only) => *only == Type::Boolean,
        SchemaType::Array(types) => types.contains(&Type::Boolean),
        SchemaType::AnyValue => false,
    };
    is_flag.then_some(json!(true))
}
