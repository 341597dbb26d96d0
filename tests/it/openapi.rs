//! The API's document: the stored file is what the code describes, it is complete, and it lists
//! the routes that are really registered.

mod fields;

use crate::support::{Database, TestApp, generated, repository, services};
use actix_web::introspection::IntrospectionTree;
use actix_web::test;
use actix_web::web::Data;
use fields::field_faults;
use reqwest::Method;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;

/// What may be asked without a token: the ways to get one.
const OPEN: [&str; 8] = [
    "POST /v1/sessions",
    "POST /v1/sessions/refresh",
    "POST /v1/sessions/end",
    "POST /v1/oauth/token",
    "POST /v1/oauth/revoke",
    "POST /v1/invitations/accept",
    "POST /v1/password-resets",
    "POST /v1/password-resets/use",
];

fn document() -> Value {
    serde_json::to_value(weirbook::server::openapi()).unwrap()
}

/// Each operation as `GET /v1/…`, with what is said of it.
fn operations(document: &Value) -> BTreeMap<String, Value> {
    let paths = document["paths"].as_object().unwrap().iter();
    let of_path = |(path, item): (&String, &Value)| {
        let methods = item.as_object().unwrap().iter();
        methods.map(|(method, said)| (format!("{} {path}", method.to_uppercase()), said.clone())).collect::<Vec<_>>()
    };
    paths.flat_map(of_path).collect()
}

#[tokio::test]
async fn the_generated_document_is_what_the_code_describes() {
    let text = weirbook::server::openapi().to_pretty_json().unwrap();
    generated("openapi/weirbook.json", &format!("{text}\n"));
}

#[tokio::test]
async fn the_generated_matrix_is_what_the_handlers_demand() {
    generated("openapi/permissions.md", &weirbook::auth::matrix());
}

/// Lists that come page by page and are not in the table of filters, which tells of what others work with.
const NOT_IN_THE_TABLE: [&str; 8] =
    ["api-clients", "audit", "invitations", "meter-findings", "monthly-files", "people", "stock", "webhook-endpoints"];

#[tokio::test]
async fn the_table_of_filters_is_what_lists_take() {
    let (document, page) = (document(), fs::read_to_string(repository("openapi/versions.md")).unwrap());
    let (_, table) = page.split_once("## What lists filter by").unwrap();
    let quoted = |text: &str| text.split('`').skip(1).step_by(2).map(str::to_owned).collect::<BTreeSet<_>>();
    let taken = |path: &str| {
        let all = document["paths"][path]["get"]["parameters"].as_array().into_iter().flatten();
        let asked = all.filter(|one| one["in"] == "query").map(|one| one["name"].as_str().unwrap().to_owned());
        asked.collect::<BTreeSet<_>>()
    };
    let mut told: BTreeSet<String> = NOT_IN_THE_TABLE.map(|list| format!("/v1/{list}")).into();
    for row in table.lines().filter(|line| line.starts_with("| `")) {
        let [_, list, whom, more, late, sort, _] = row.split('|').collect::<Vec<_>>()[..] else { panic!("{row}") };
        let path = format!("/v1/{}", list.trim().trim_matches('`'));
        let mut filters = taken(&path);
        assert_eq!(filters.remove("sort"), sort.contains('`'), "{row}");
        let is_paged = ["cursor", "limit", "fields"].map(|name| filters.remove(name));
        let comes_whole = ["/v1/readings", "/v1/water", "/v1/issued-figures"].contains(&path.as_str());
        assert_eq!(is_paged, [!comes_whole, !comes_whole, true], "{row}");
        assert_eq!(quoted(&[whom, more, late].concat()), filters, "{row}");
        assert!(told.insert(path), "once: {row}");
    }
    let paths = document["paths"].as_object().unwrap().keys();
    let paged = paths.filter(|path| path.matches('/').count() == 2 && taken(path).contains("cursor"));
    let untold: Vec<_> = paged.filter(|path| !told.contains(*path)).collect();
    assert_eq!(untold, [""; 0], "say what they filter by");
}

/// Who asks for what was written of late has to know what it takes to hear of all of it.
#[tokio::test]
async fn what_lists_leave_out_is_named_where_they_tell_what_was_written_of_late() {
    let (document, mut named) = (document(), BTreeSet::new());
    for (operation, said) in operations(&document) {
        let parameters = said["parameters"].as_array().cloned().unwrap_or_default();
        let Some(since) = parameters.iter().find(|one| one["name"] == "changed_since") else { continue };
        let since = since["description"].as_str().unwrap();
        for one in &parameters {
            let (name, words) = (one["name"].as_str().unwrap(), one["description"].as_str().unwrap());
            if words.starts_with("Whether to give ") && words.contains(" too") {
                assert!(since.contains(&format!("`{name}=true`")), "{operation}: {name}");
                named.insert(name.to_owned());
            }
        }
    }
    assert_eq!(named, BTreeSet::from(["closed", "ended", "former", "retired", "withdrawn"].map(str::to_owned)));
}

#[tokio::test]
async fn every_operation_is_described_in_full() {
    let found = faults(&document());
    assert_eq!(found, Vec::<String>::new());
}

#[tokio::test]
async fn an_incomplete_description_is_noticed() {
    let document = document();
    let at = "/paths/~1v1~1customers~1{id}/get";
    let changed = |pointer: &str, value: Value| {
        let mut document = document.clone();
        *document.pointer_mut(&format!("{at}{pointer}")).expect(pointer) = value;
        faults(&document).join("\n")
    };
    for (pointer, value, fault) in [
        ("/summary", "".into(), "no summary"),
        ("/tags/0", "nowhere".into(), "tag nowhere is not explained"),
        ("/operationId", "list_customers".into(), "list_customers is the id of 2 operations"),
        ("/responses/200/description", " ".into(), "response 200 has no description"),
        ("/responses", Value::Object(serde_json::Map::new()), "no good response"),
        ("/parameters", Value::Array(vec![]), "parameter {id} is not described"),
        ("/parameters/0/description", "".into(), "parameter id has no description"),
        ("/parameters/0/example", Value::Null, "parameter id has no example"),
        ("/responses/404/content/application~1problem+json/examples", json!({}), "response 404 has no example"),
        (
            "/responses/404/content/application~1problem+json/examples/not-found/$ref",
            "#/components/examples/gone".into(),
            "the example gone of response 404 is one of 410",
        ),
        (
            "/responses/200/content/application~1json/schema/$ref",
            "#/components/schemas/Gone".into(),
            "points at nothing",
        ),
        ("/security", json!([{}]), "is open to everybody"),
        ("/security/0/bearer/0", "read-all".into(), "demands no permission of the table, but `read-all`"),
    ] {
        let found = changed(pointer, value);
        assert!(found.contains(fault), "{pointer}: {found}");
    }
}

#[tokio::test]
async fn a_field_without_a_description_or_an_example_is_noticed() {
    let mut document = document();
    let field = "/components/schemas/CustomerInput/properties/name";
    *document.pointer_mut(field).unwrap() = json!({ "type": "string", "example": "Harbour Haulage" });
    assert_eq!(faults(&document), [format!("{field} has no description")]);
    *document.pointer_mut(field).unwrap() = json!({ "type": "string", "description": "Its name." });
    assert_eq!(faults(&document), [format!("{field} has no example")]);
    *document.pointer_mut(field).unwrap() = json!({ "type": "string", "description": "Its name.", "example": "Mill" });
    let list = "/components/schemas/InvitationInput/properties/site_ids";
    *document.pointer_mut(list).unwrap() = json!({ "type": "array", "items": { "type": "string" } });
    assert_eq!(faults(&document), [format!("{list} has no description"), format!("{list} has no example")]);
}

#[tokio::test]
async fn an_example_that_contradicts_what_is_said_is_noticed() {
    let document = document();
    let field = "/components/schemas/CustomerInput/properties/name";
    for (said, fault) in [
        (json!({ "type": "string", "description": "Its name.", "example": 4 }), "4, which is of another type"),
        (
            json!({ "type": "array", "items": { "type": "string" }, "description": "Names.", "example": ["Mill", 4] }),
            "[\"Mill\",4], which is of another type",
        ),
        (
            json!({ "type": "integer", "maximum": 3, "description": "How many.", "example": 4 }),
            "4, which is out of its range",
        ),
        (json!({ "type": "number", "description": "Share of it.", "example": 1.5 }), "1.5, which is no share"),
        (
            json!({ "type": "string", "maxLength": 3, "description": "Its name.", "example": "Mill" }),
            "\"Mill\", which is too long",
        ),
        (
            json!({ "type": "string", "enum": ["open"], "description": "How it is.", "example": "ajar" }),
            "\"ajar\", which is none of its values",
        ),
        (
            json!({ "type": "string", "description": "`open` or `closed`.", "example": "ajar" }),
            "\"ajar\", which is none of the words described",
        ),
        (
            json!({ "type": "string", "description": "The first of the month.", "example": "2026-03-02" }),
            "\"2026-03-02\", which is no first of a month",
        ),
    ] {
        let mut document = document.clone();
        *document.pointer_mut(field).unwrap() = said;
        assert_eq!(faults(&document), [format!("{field} shows {fault}")]);
    }
    let year = "/components/schemas/WaterYearRow";
    for (end, day, fault) in [
        ("to", "2025-12-31", "shows an end before its beginning"),
        ("from", "2025-01-01", "shows a year that begins in another one"),
    ] {
        let mut document = document.clone();
        *document.pointer_mut(&format!("{year}/properties/{end}/example")).unwrap() = json!(day);
        assert_eq!(faults(&document), [format!("{year} {fault}")]);
    }
}

/// What each kind of problem looks like stands in the document; these are easily brought about.
#[tokio::test]
async fn the_problems_shown_are_those_that_are_answered() {
    let app = TestApp::start().await;
    let dealer = app.dealer("North").await;
    let owner = &dealer.owner;
    let customer = dealer.customer("Harbour Haulage").await;
    let (customers, one) = ("/v1/customers", format!("/v1/customers/{customer}"));
    let renamed = json!({ "name": "Harbour Haulage and Sons" });
    let changed = |etag: &'static str| owner.patch(&one, etag, &renamed);
    assert_eq!(changed("\"1\"").await.status(), 200);
    let no_zone = json!({ "customer_id": customer, "name": "North yard", "time_zone": "Central Europe",
        "country": "AT" });
    let plain = owner.request(Method::POST, customers).header("content-type", "text/plain").body("Harbour Haulage");
    let nameless = owner.request(Method::PATCH, &one).json(&renamed);
    let large = owner.request(Method::POST, customers).json(&json!({ "name": "x".repeat(300_000) }));
    let viewer = dealer.customer_viewer(customer).await;
    let answers = [
        ("invalid", owner.post("/v1/sites", &no_zone).await),
        ("not-signed-in", app.anyone().get(customers).await),
        ("not-allowed", viewer.post(customers, &renamed).await),
        ("not-found", owner.get("/v1/customers/0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c10").await),
        ("no-such-method", owner.send(owner.request(Method::DELETE, customers)).await),
        ("stale", changed("\"1\"").await),
        ("no-revision", owner.send(nameless).await),
        ("too-large", owner.send(large).await),
        ("unknown-media", owner.send(plain).await),
    ];
    let document = document();
    for (kind, answer) in answers {
        assert_eq!(answer.problem(), document["components"]["examples"][kind]["value"], "{kind}");
    }
}

fn faults(document: &Value) -> Vec<String> {
    let mut faults = Vec::new();
    let tags: BTreeSet<&str> = texts(&document["tags"], "name");
    let mut ids: BTreeMap<String, u32> = BTreeMap::new();
    for (name, said) in operations(document) {
        *ids.entry(said["operationId"].as_str().unwrap_or_default().to_owned()).or_default() += 1;
        let own = operation_faults(&name, &said).into_iter().chain(example_faults(document, &said));
        faults.extend(own.map(|fault| format!("{name}: {fault}")));
        let own = said["tags"].as_array().cloned().unwrap_or_default();
        if own.len() != 1 {
            faults.push(format!("{name}: {} tags instead of one", own.len()));
        }
        let unknown = own.iter().filter_map(Value::as_str).filter(|tag| !tags.contains(tag));
        faults.extend(unknown.map(|tag| format!("{name}: tag {tag} is not explained")));
    }
    let repeated = ids.iter().filter(|(id, count)| **count > 1 || id.is_empty());
    faults.extend(repeated.map(|(id, count)| format!("{id} is the id of {count} operations")));
    if document["security"] != json!([{ "bearer": [] }]) {
        faults.push("a token is not asked for as a rule".to_owned());
    }
    dangling(document, document, &mut faults);
    field_faults("", document, &mut faults);
    faults
}

fn empty(value: &Value) -> bool {
    value.as_str().is_none_or(|text| text.trim().is_empty())
}

/// Parameters and refusals that are not shown by an example.
fn example_faults(document: &Value, said: &Value) -> Vec<String> {
    let mut faults = Vec::new();
    for parameter in said["parameters"].as_array().into_iter().flatten() {
        let name = parameter["name"].as_str().unwrap_or_default();
        if empty(&parameter["description"]) {
            faults.push(format!("parameter {name} has no description"));
        }
        if parameter["example"].is_null() && parameter["schema"]["example"].is_null() {
            faults.push(format!("parameter {name} has no example"));
        }
    }
    let refusals =
        said["responses"].as_object().into_iter().flatten().filter(|(status, _)| status.starts_with(['4', '5']));
    for (status, response) in refusals {
        let bodies: Vec<&Value> = response["content"].as_object().into_iter().flatten().map(|(_, body)| body).collect();
        let shown = |body: &Value| {
            !body["example"].is_null() || body["examples"].as_object().is_some_and(|named| !named.is_empty())
        };
        if bodies.is_empty() || !bodies.iter().all(|body| shown(body)) {
            faults.push(format!("response {status} has no example"));
        }
        let named = bodies.iter().filter_map(|body| body["examples"].as_object()).flatten();
        for target in named.filter_map(|(_, example)| example["$ref"].as_str()?.strip_prefix('#')) {
            let of = document.pointer(target).map(|example| example["value"]["status"].to_string());
            if let Some(of) = of.filter(|of| of != status) {
                let name = target.rsplit('/').next().unwrap();
                faults.push(format!("the example {name} of response {status} is one of {of}"));
            }
        }
    }
    faults
}

fn operation_faults(name: &str, said: &Value) -> Vec<String> {
    let mut faults = Vec::new();
    if empty(&said["summary"]) {
        faults.push("no summary".to_owned());
    }
    let responses = said["responses"].as_object().cloned().unwrap_or_default();
    if !responses.keys().any(|status| status.starts_with('2')) {
        faults.push("no good response".to_owned());
    }
    let silent = responses.iter().filter(|(_, response)| empty(&response["description"]));
    faults.extend(silent.map(|(status, _)| format!("response {status} has no description")));
    let described: BTreeSet<&str> = texts(&said["parameters"], "name");
    let in_path = name.split('/').filter_map(|step| step.strip_prefix('{')?.strip_suffix('}'));
    let missing = in_path.filter(|parameter| !described.contains(parameter));
    faults.extend(missing.map(|parameter| format!("parameter {{{parameter}}} is not described")));
    let open = said["security"] == json!([{}]);
    if open != OPEN.contains(&name) {
        faults.push(format!("is {} to everybody", if open { "open" } else { "not open" }));
    }
    let rows = weirbook::auth::table();
    let demands = said["security"][0]["bearer"][0].as_str().unwrap_or_default();
    if !open && !rows.iter().any(|row| row.name == demands) {
        faults.push(format!("demands no permission of the table, but `{demands}`"));
    }
    faults
}

/// That member of each object in an array.
fn texts<'a>(array: &'a Value, member: &str) -> BTreeSet<&'a str> {
    array.as_array().into_iter().flatten().filter_map(|item| item[member].as_str()).collect()
}

/// References to nothing.
fn dangling(document: &Value, part: &Value, faults: &mut Vec<String>) {
    match part {
        Value::Object(members) => {
            if let Some(target) = members.get("$ref").and_then(Value::as_str)
                && target.strip_prefix('#').and_then(|pointer| document.pointer(pointer)).is_none()
            {
                faults.push(format!("{target} points at nothing"));
            }
            members.values().for_each(|value| dangling(document, value, faults));
        }
        Value::Array(items) => items.iter().for_each(|item| dangling(document, item, faults)),
        _ => {}
    }
}

/// Of two types with one schema name the document silently keeps the last, so the sources are
/// looked at instead.
#[tokio::test]
async fn no_two_types_share_a_schema_name() {
    let mut places: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for file in crate::tidy::sources("api/src") {
        for name in schema_names(&fs::read_to_string(repository(&file)).unwrap()) {
            places.entry(name).or_default().push(file.clone());
        }
    }
    assert!(places.contains_key("Customer") && places.contains_key("Problem"), "found: {:?}", places.keys());
    let shared: Vec<_> = places.iter().filter(|(_, files)| files.len() > 1).collect();
    assert!(shared.is_empty(), "give one of them another name with #[schema(as = …)]: {shared:?}");
}

/// The schema names of the types in a source file that derive `ToSchema`.
fn schema_names(source: &str) -> Vec<String> {
    let mut names = Vec::new();
    for derived in source.split("#[derive(").skip(1) {
        let (derives, item) = derived.split_once(")]").unwrap();
        if !derives.split(", ").any(|name| name.trim() == "ToSchema") {
            continue;
        }
        let head = item.split('{').next().unwrap();
        let given = head.split_once("#[schema(as = ").map(|(_, rest)| rest.split([',', ')']).next().unwrap());
        let words: Vec<&str> = head.split_whitespace().collect();
        let own = words.iter().position(|word| ["struct", "enum"].contains(word)).map(|at| words[at + 1]);
        names.push(given.or(own).unwrap().split(['<', '(', ';']).next().unwrap().to_owned());
    }
    names
}

#[tokio::test]
async fn the_document_lists_the_registered_routes() {
    let database = Database::migrated().await;
    let app = test::init_service(weirbook::server::app(&services(&database, 2))).await;
    let answer = test::call_service(&app, test::TestRequest::get().uri("/healthz").to_request()).await;
    let tree = answer.request().app_data::<Data<IntrospectionTree>>().expect("routes are recorded").report_as_json();
    let registered: BTreeSet<String> = serde_json::from_str::<Vec<Value>>(&tree)
        .unwrap()
        .iter()
        .flat_map(|route| {
            let path = route["full_path"].as_str().unwrap().to_owned();
            let methods = route["methods"].as_array().unwrap().clone();
            methods.into_iter().map(move |method| format!("{} {path}", method.as_str().unwrap()))
        })
        .filter(|route| route.contains(" /v1/"))
        .collect();
    let documented: BTreeSet<String> = operations(&document()).into_keys().collect();
    assert_eq!(registered, documented, "left: registered, right: documented");
}
