//! The document in openapi/ against the service, by schemathesis: requests made from the document's own
//! examples, at its limits and at random, as an owner. No fault of the service, no status that is
//! not documented, and answers that are what the document says.

use crate::support::{Scratch, TestApp, python, repository};
use std::process::Command;

/// Seconds that it may take; what can be tried within them is tried.
const SECONDS: &str = "150";
/// What is held against each answer.
const CHECKS: &str = "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance";
/// Readings as lines and as a table, which it does not know how to make; `readings` sends both.
const UNMADE: &str = "add_readings";

#[tokio::test]
#[ignore = "takes minutes, and its requests are random; `cargo t fuzzed -- --ignored` runs it"]
async fn the_service_answers_as_its_document_says() {
    let app = TestApp::start().await;
    let owner = app.dealer("Brookside").await.owner;
    let document = repository("openapi/weirbook.json");
    let token = format!("Authorization: Bearer {}", owner.token().unwrap());
    // It keeps what it tried in the folder it runs in.
    let scratch = Scratch::new();
    let mut schemathesis = Command::new(python().with_file_name("schemathesis"));
    schemathesis.current_dir(scratch.path()).arg("run").arg(document).args([
        "--url",
        app.anyone().base(),
        "--header",
        &token,
    ]);
    schemathesis.args(["--phases", "examples,coverage,fuzzing", "--checks", CHECKS, "--max-time", SECONDS]);
    schemathesis.args(["--continue-on-failure", "--warnings", "off", "--no-color", "--exclude-operation-id", UNMADE]);
    let output = tokio::task::spawn_blocking(move || schemathesis.output().unwrap()).await.unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    println!("{}", said.lines().rev().take(12).collect::<Vec<_>>().into_iter().rev().collect::<Vec<_>>().join("\n"));
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
}
