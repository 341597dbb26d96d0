//! The API's document beyond what stands beside the handlers: what each operation demands, the
//! refusals that follow from what it takes, and schemas that hold for answers too.

use crate::auth::{demands, operations, table};
use crate::deprecation::{GOING, marked};
use crate::examples;
use crate::problem::{CONTENT_TYPE, Kind};
use std::collections::BTreeMap;
use utoipa::openapi::path::{Operation, ParameterIn};
use utoipa::openapi::schema::{
    AdditionalProperties, ArrayItems, KnownFormat, Object, ObjectBuilder, SchemaFormat, Type,
};
use utoipa::openapi::security::{
    ClientCredentials, Flow, HttpAuthScheme, HttpBuilder, OAuth2, Scopes, SecurityRequirement, SecurityScheme,
};
use utoipa::openapi::{Content, ContentBuilder, OpenApi, Ref, RefOr, Response, ResponseBuilder, Schema};

/// The document of the routes, completed.
pub(crate) fn completed(mut document: OpenApi) -> OpenApi {
    demanding(&mut document);
    for (_, _, operation) in operations(&mut document) {
        refusing(operation);
    }
    opening(&mut document);
    of_bytes(&mut document);
    examples::added(&mut document);
    marked(&mut document, GOING);
    document
}

/// Says of each operation which permission it demands.
fn demanding(document: &mut OpenApi) {
    let bearer = HttpBuilder::new().scheme(HttpAuthScheme::Bearer).bearer_format("JWT").build();
    let granted: BTreeMap<_, _> =
        table().iter().filter(|row| row.may_be_granted(false)).map(|row| (row.name, row.words)).collect();
    let flow = ClientCredentials::new("/v1/oauth/token", Scopes::from_iter(granted.clone()));
    let client = OAuth2::with_description([Flow::ClientCredentials(flow)], "For API clients");
    let components = document.components.get_or_insert_default();
    components.security_schemes.insert("bearer".to_owned(), SecurityScheme::Http(bearer).into());
    components.security_schemes.insert("client".to_owned(), SecurityScheme::OAuth2(client).into());
    for (_, _, operation) in operations(document) {
        let permission = operation.operation_id.as_ref().and_then(|id| demands().get(id)).copied();
        let Some(permission) = permission else { continue };
        // For people the name of the permission that their role needs, for programs the scope.
        let mut ways = vec![SecurityRequirement::new("bearer", [permission])];
        if granted.contains_key(permission) {
            ways.push(SecurityRequirement::new("client", [permission]));
        }
        operation.security = Some(ways);
    }
}

/// Adds the refusals that follow from a body, a revision to be named, or a write.
fn refusing(operation: &mut Operation) {
    let named = |name: &str| {
        let is_it = |one: &RefOr<utoipa::openapi::path::Parameter>| match one {
            RefOr::T(said) => said.parameter_in == ParameterIn::Header && said.name == name,
            RefOr::Ref(_) => false,
        };
        operation.parameters.iter().flatten().any(is_it)
    };
    let (of_body, of_revision) = (operation.request_body.is_some(), named("If-Match"));
    let of_write = of_body || of_revision || operation.responses.responses.contains_key("201");
    let kinds = [
        (true, Kind::TooMany),
        (of_body, Kind::TooLarge),
        (of_body, Kind::UnknownMedia),
        (of_revision, Kind::Stale),
        (of_revision, Kind::NoRevision),
        (of_write, Kind::Conflict),
    ];
    for (_, kind) in kinds.into_iter().filter(|(applies, _)| *applies) {
        let known = &mut operation.responses.responses;
        known.entry(kind.status().as_u16().to_string()).or_insert_with(|| refusal(kind).into());
    }
}

fn refusal(kind: Kind) -> Response {
    let content = ContentBuilder::new().schema(Some(Ref::from_schema_name("Problem"))).build();
    ResponseBuilder::new().description(kind.title()).content(CONTENT_TYPE, content).build()
}

/// What is sent knows no other fields than its own, but an answer shows it together with more. Where
/// schemas are put together, each is therefore taken without that rule.
fn opening(document: &mut OpenApi) {
    let components = document.components.get_or_insert_default();
    let closed: BTreeMap<String, Object> = components
        .schemas
        .iter()
        .filter_map(|(name, schema)| match schema {
            RefOr::T(Schema::Object(object)) if is_closed(object) => Some((name.clone(), object.clone())),
            _ => None,
        })
        .collect();
    components.schemas.values_mut().for_each(|schema| open(schema, &closed));
    for (_, _, operation) in operations(document) {
        for response in operation.responses.responses.values_mut() {
            let RefOr::T(response) = response else { continue };
            response.content.values_mut().for_each(|content| {
                if let RefOr::T(content) = content {
                    content.schema.iter_mut().for_each(|schema| open(schema, &closed));
                }
            });
        }
    }
}

/// What is bytes and no text.
const BYTES: [&str; 3] = ["application/octet-stream", "application/pdf", "application/vnd.apache.parquet"];

/// Says of bytes that they are bytes, which a vector of them does not: it would be a list of numbers.
fn of_bytes(document: &mut OpenApi) {
    let bytes =
        ObjectBuilder::new().schema_type(Type::String).format(Some(SchemaFormat::KnownFormat(KnownFormat::Binary)));
    let bytes = RefOr::T(Schema::Object(bytes.build()));
    let said = |(media, content): (&String, &mut RefOr<Content>)| {
        if let (true, RefOr::T(content)) = (BYTES.contains(&media.as_str()), content) {
            content.schema = Some(bytes.clone());
        }
    };
    for (_, _, operation) in operations(document) {
        if let Some(RefOr::T(sent)) = &mut operation.request_body {
            sent.content.iter_mut().for_each(said);
        }
        for response in operation.responses.responses.values_mut() {
            let RefOr::T(response) = response else { continue };
            response.content.iter_mut().for_each(said);
        }
    }
}

fn is_closed(object: &Object) -> bool {
    matches!(object.additional_properties.as_deref(), Some(AdditionalProperties::FreeForm(false)))
}

fn open(schema: &mut RefOr<Schema>, closed: &BTreeMap<String, Object>) {
    let RefOr::T(schema) = schema else { return };
    match schema {
        Schema::AllOf(all) => {
            for part in &mut all.items {
                let of_name = match part {
                    RefOr::Ref(named) => named.ref_location.rsplit('/').next().and_then(|name| closed.get(name)),
                    RefOr::T(_) => None,
                };
                if let Some(object) = of_name {
                    let mut object = object.clone();
                    object.additional_properties = None;
                    *part = RefOr::T(Schema::Object(object));
                }
                if let RefOr::T(Schema::Object(object)) = part
                    && is_closed(object)
                {
                    object.additional_properties = None;
                }
                open(part, closed);
            }
        }
        Schema::OneOf(one) => one.items.iter_mut().for_each(|part| open(part, closed)),
        Schema::AnyOf(any) => any.items.iter_mut().for_each(|part| open(part, closed)),
        Schema::Object(object) => object.properties.values_mut().for_each(|property| open(property, closed)),
        Schema::Array(array) => {
            if let ArrayItems::RefOrSchema(items) = &mut array.items {
                open(items, closed);
            }
        }
        _ => {}
    }
}
