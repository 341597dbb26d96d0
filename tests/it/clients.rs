//! The API's document, judged by others: a validator, a public ruleset, and clients that are generated
//! from it and then used.

use crate::readings::Plant;
use crate::report_life::{night, send};
use crate::support::{PASSWORD, Scratch, TestApp, python};
use serde_json::{Value, json};
use std::fs;
use std::process::{Command, Output};

/// The document in a folder of its own.
fn document() -> (Scratch, String) {
    let folder = Scratch::new();
    let file = format!("{}/weirbook.json", folder.path());
    fs::write(&file, weirbook::server::openapi().to_pretty_json().unwrap()).unwrap();
    (folder, file)
}

#[track_caller]
fn good(output: &Output) -> String {
    let (said, complained) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{said}\n{complained}");
    said.into_owned()
}

#[test]
fn an_independent_validator_takes_the_document() {
    let (_folder, file) = document();
    let said = good(&Command::new(python()).args(["-m", "openapi_spec_validator", &file]).output().unwrap());
    assert!(said.trim_end().ends_with("OK"), "{said}");
}

/// The guide's steps through the generated client: sign in, the sites, months, hours and years, what changes.
const GUIDE: &str = r"
import sys
from datetime import date
from typing import TypeVar, cast

from weirbook_client import AuthenticatedClient, Client
from weirbook_client.api.changes import create_webhook_endpoint, list_changes
from weirbook_client.api.sign_in import sign_in
from weirbook_client.api.sites import list_sites
from weirbook_client.api.water import export_water, list_water_years
from weirbook_client.models import Problem, SignIn, WebhookEndpointInput

Answer = TypeVar('Answer')


def given(answer: Answer | Problem | None) -> Answer:
    assert answer is not None and not isinstance(answer, Problem), answer
    return answer


def litres(amount: object) -> int | None:
    return round(amount) if isinstance(amount, (int, float)) else None


url, email, password = sys.argv[1:4]
# Signing in takes no token, which the client's types do not know.
open_to_all = cast(AuthenticatedClient, Client(base_url=url))
tokens = given(sign_in.sync(client=open_to_all, body=SignIn(email=email, password=password)))
client = AuthenticatedClient(base_url=url, token=tokens.access_token, raise_on_unexpected_status=True)
sites = given(list_sites.sync(client=client))
print('sites', [site.name for site in sites.items])
months = given(export_water.sync(client=client, from_=date(2026, 1, 1), to=date(2026, 12, 31), step='month'))
for month in months.items:
    print('month', month.date, month.grade, litres(month.makeup_l), litres(month.makeup_expanded_l) is not None)
hours = given(export_water.sync(
    client=client, from_=date(2026, 1, 1), to=date(2026, 1, 31), step='hour', site_id=sites.items[0].id))
print('hours', len(hours.items), litres(sum(hour.makeup_l for hour in hours.items if isinstance(hour.makeup_l, float))))
years = given(list_water_years.sync(sites.items[0].customer_id, client=client, from_=2025, to=2026))
print('years', [(year.year, year.site, litres(year.withdrawal_l)) for year in years.items])
changes = given(list_changes.sync(client=client))
print('changes', sorted({change.record for change in changes.items}), changes.more)
endpoint = given(create_webhook_endpoint.sync(client=client, body=WebhookEndpointInput(
    url='http://127.0.0.1:9/hook', events=['savings_report.issued'])))
assert isinstance(endpoint.secret, str)
print('secret', endpoint.secret.startswith('whsec_'))
";

/// The guide beside the client, as one who has made it: checked by its types, and a field that there is not.
fn type_checked(client: &str) {
    let checked = |name: &str, text: &str| {
        fs::write(format!("{client}/{name}"), text).unwrap();
        let mut mypy = Command::new(python());
        mypy.args(["-m", "mypy", "--no-incremental", "--strict", name]).current_dir(client).output().unwrap()
    };
    good(&checked("guide.py", GUIDE));
    let wrong = checked("wrong.py", &format!("{GUIDE}\nprint(months.items[0].colour)\n"));
    let said = String::from_utf8_lossy(&wrong.stdout);
    assert!(!wrong.status.success() && said.contains("has no attribute \"colour\""), "{said}");
    let mut whole = Command::new(python());
    whole.args(["-m", "mypy", "--no-incremental", "-p", "weirbook_client"]).current_dir(client);
    good(&whole.output().unwrap());
}

#[tokio::test]
async fn the_guide_runs_through_a_generated_python_client() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    send(&dealer, &plant.meter, &[("2026-01-01T00:00:00Z", 0.0), ("2026-01-31T00:00:00Z", 30_000.0)]).await;
    night(&app, &dealer, "2026-02-02T03:00:00Z").await;
    let (folder, file) = document();
    let (base, email) = (app.anyone().base().to_owned(), format!("office-{}@example.com", dealer.id));
    let run = tokio::task::spawn_blocking(move || {
        let client = format!("{}/client", folder.path());
        let mut generate = Command::new(python());
        generate.args(["-m", "openapi_python_client", "generate", "--path", &file, "--output-path", &client]);
        good(&generate.output().unwrap());
        type_checked(&client);
        let mut guide = Command::new(python());
        guide.args(["guide.py", &base, &email, PASSWORD]).current_dir(&client);
        good(&guide.output().unwrap())
    });
    let said = run.await.unwrap();
    let expected = [
        "sites ['North bay']",
        "month 2026-01-01 makeup_only 30000 True",
        "hours 720 30000",
        "years [(2025, 'North bay', None), (2025, None, None), (2026, 'North bay', 30000), (2026, None, 30000)]",
        "changes ['customer', 'meter', 'placement', 'readings', 'savings_report', 'site', 'unit', 'water_figures'] False",
        "secret True",
    ];
    assert_eq!(said.lines().collect::<Vec<_>>(), expected);
}

/// Programs from npm, by their pinned versions.
fn npx(package: &str, arguments: &[&str], folder: &str) -> Output {
    Command::new("npx").args(["--yes", package]).args(arguments).current_dir(folder).output().expect("npm is installed")
}

#[test]
#[ignore = "needs npm"]
fn a_public_ruleset_finds_no_error() {
    let (folder, file) = document();
    let output = npx("@redocly/cli@2.77.0", &["lint", &file, "--format=json"], folder.path());
    let said: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(said["totals"]["errors"], json!(0), "{said}");
    let warnings = said["problems"].as_array().unwrap().iter();
    let rules: std::collections::BTreeSet<_> = warnings.map(|one| one["ruleId"].as_str().unwrap()).collect();
    // A record that is only ever listed stands within its list's own schema.
    assert!(rules.iter().all(|rule| *rule == "no-unused-components"), "{rules:?}");
}

#[test]
#[ignore = "needs npm"]
fn types_for_typescript_compile() {
    let (folder, file) = document();
    let (types, use_) = (format!("{}/weirbook.ts", folder.path()), format!("{}/use.ts", folder.path()));
    good(&npx("openapi-typescript@7.13.0", &[&file, "-o", &types], folder.path()));
    let uses = "import type { paths } from './weirbook';\n\
        type Changes = paths['/v1/changes']['get']['responses']['200']['content']['application/json'];\n\
        export function last(changes: Changes): string | null | undefined { return changes.next_after; }\n\
        // @ts-expect-error A change has no such field.\n\
        export function none(changes: Changes) { return changes.items[0].colour; }\n";
    fs::write(&use_, uses).unwrap();
    let package = ["--yes", "--package", "typescript@5.9.3", "tsc", "--noEmit", "--strict", "--skipLibCheck", &use_];
    good(&Command::new("npx").args(package).current_dir(folder.path()).output().unwrap());
}
