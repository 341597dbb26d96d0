//! The document in openapi/ against the service, by schemathesis: requests made from the document's own
//! examples, at its limits and at random, as an owner. No fault of the service, no status that is
//! not documented, and answers that are what the document says.

use crate::support::{Scratch, TestApp, python, repository};
use serde_json::Value;
use std::fs;
use std::process::Command;

/// What is held against each answer.
const CHECKS: &str = "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance";

#[tokio::test]
#[ignore = "takes minutes"]
async fn the_service_answers_the_documents_examples_and_limits_as_it_says() {
    // One seed, so that whoever runs it sees the same requests.
    schemathesis(&["--phases", "examples,coverage", "--seed", "1"]).await;
}

#[tokio::test]
#[ignore = "takes minutes, and its requests are random; `cargo t at_random -- --ignored` runs it"]
async fn the_service_answers_requests_at_random_as_its_document_says() {
    // What can be tried within these seconds is tried.
    schemathesis(&["--phases", "examples,coverage,fuzzing", "--max-time", "150"]).await;
}

async fn schemathesis(how: &[&str]) {
    let app = TestApp::start().await;
    let owner = app.dealer("Brookside").await.owner;
    let token = format!("Authorization: Bearer {}", owner.token().unwrap());
    // It keeps what it tried in the folder it runs in.
    let scratch = Scratch::new();
    let document = format!("{}/document.json", scratch.path());
    fs::write(&document, whole_answers(app.anyone().base()).to_string()).unwrap();
    let mut schemathesis = Command::new(python().with_file_name("schemathesis"));
    schemathesis.current_dir(scratch.path()).arg("run").arg(document).args([
        "--url",
        app.anyone().base(),
        "--header",
        &token,
    ]);
    // Who waits for changes may do so for 20 seconds.
    schemathesis.args(["--request-timeout", "30"]);
    schemathesis.args(how).args(["--checks", CHECKS, "--continue-on-failure", "--warnings", "off", "--no-color"]);
    let output = tokio::task::spawn_blocking(move || schemathesis.output().unwrap()).await.unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    println!("{}", said.lines().rev().take(12).collect::<Vec<_>>().into_iter().rev().collect::<Vec<_>>().join("\n"));
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
}

/// The document with bodies in JSON alone, and without the fields that a list may be asked for: an answer that leaves fields out is a part
/// of what the document says of whole ones.
fn whole_answers(base: &str) -> Value {
    let mut document: Value =
        serde_json::from_str(&fs::read_to_string(repository("openapi/weirbook.json")).unwrap()).unwrap();
    // It takes no address of tokens that is not whole.
    document["components"]["securitySchemes"]["client"]["flows"]["clientCredentials"]["tokenUrl"] =
        format!("{base}/v1/oauth/token").into();
    // Readings as lines and as a table it does not know how to make; `readings` and `untrusted` send both.
    let bodies = document["paths"]["/v1/readings"]["post"]["requestBody"]["content"].as_object_mut().unwrap();
    bodies.retain(|media, _| media == "application/json");
    for operations in document["paths"].as_object_mut().unwrap().values_mut() {
        for operation in operations.as_object_mut().unwrap().values_mut() {
            if let Some(parameters) = operation.get_mut("parameters").and_then(Value::as_array_mut) {
                parameters.retain(|parameter| parameter["name"] != "fields");
                parameters.iter_mut().filter(|parameter| names_something(parameter)).for_each(|parameter| {
                    parameter.as_object_mut().unwrap().remove("example");
                });
            }
        }
    }
    document
}

/// Whether a parameter names a page, a request or a list's record, of which an example is none that is there:
/// with it each list would be empty, and each creation but the first a repetition.
fn names_something(parameter: &Value) -> bool {
    let is_record = parameter["in"] == "query" && parameter["schema"]["format"] == "uuid";
    is_record || parameter["name"] == "cursor" || parameter["name"] == "Idempotency-Key"
}
