//! A report's four forms: JSON, page, PDF and CSV hold the same figures, each read back by a program
//! that is not the service's own (pdftotext and pdfdetach of poppler, a PDF/UA validator).

use crate::accounts::{baseline, charged, tariff, terms};
use crate::conventions::items;
use crate::readings::Plant;
use crate::report_life::{issue, night, report, send};
use crate::stock::coagulant;
use crate::support::{Answer, Client, Dealer, Scratch, TestApp, id, python, weirbook};
use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use reqwest::Method;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs;
use std::process::Command;
use uuid::Uuid;

/// A PNG of one pixel (PNG specification, second edition, section 4).
pub(crate) const PNG: &str = "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg==";

/// A line of the CSV, by its columns.
type Fact = BTreeMap<String, String>;

async fn accepting(client: &Client, path: &str, media: &str) -> Answer {
    let answer = client.send(client.request(Method::GET, path).header("accept", media)).await;
    assert_eq!(answer.status(), 200, "{media}: {answer:?}");
    assert!(answer.header("content-type").starts_with(media), "{answer:?}");
    answer
}

/// Runs a program on a file and gives what it wrote, to the file `-` or to standard output.
fn run(program: &str, arguments: &[&str]) -> String {
    let output = Command::new(program).args(arguments).output().unwrap_or_else(|error| panic!("{program}: {error}"));
    assert!(output.status.success(), "{program}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// What is printed in a PDF, by poppler.
pub(crate) fn pdf_text(pdf: &[u8]) -> String {
    let scratch = Scratch::new();
    let file = format!("{}/report.pdf", scratch.path());
    fs::write(&file, pdf).unwrap();
    run("pdftotext", &["-raw", &file, "-"])
}

/// Without spaces: where a line is broken is no matter of its figures.
fn close(text: &str) -> String {
    text.replace("&#60;", "<")
        .replace("&#62;", ">")
        .replace("&#38;", "&")
        .chars()
        .filter(|letter| !letter.is_whitespace())
        .collect()
}

fn facts(csv: &str) -> Vec<Fact> {
    csv::Reader::from_reader(csv.as_bytes()).deserialize().collect::<Result<_, _>>().unwrap()
}

fn of<'f>(facts: &'f [Fact], section: &str) -> Vec<&'f Fact> {
    facts.iter().filter(|fact| fact["section"] == section).collect()
}

/// The number of a value whatever its unit, in the JSON of a figure.
fn number(figure: &Value) -> f64 {
    let object = figure.as_object().unwrap();
    let value = object.iter().find(|(name, _)| name.starts_with("value_")).unwrap().1;
    value["amount"].as_str().map_or_else(|| value.as_f64().unwrap(), |amount| amount.parse().unwrap())
}

/// Holds the four forms of a report against each other; gives the CSV and the PDF's text.
async fn compared(client: &Client, path: &str) -> (Vec<Fact>, String) {
    let figures = client.get(path).await.json()["figures"].clone();
    let facts = facts(accepting(client, path, "text/csv").await.text());
    let raw = accepting(client, path, "application/pdf").await;
    let pdf = pdf_text(raw.bytes());
    let page = client.page(path.trim_start_matches("/v1")).await;
    assert_eq!(page.status(), 200, "{page:?}");
    let (on_page, on_paper) = (close(page.text()), close(&pdf));
    for fact in &facts {
        let shown = close(&fact["shown"]);
        assert!(on_page.contains(&shown), "{fact:?} is not on the page");
        assert!(on_paper.contains(&shown), "{fact:?} is not on paper: {pdf}");
    }
    for form in [&on_page, &on_paper] {
        assert!(form.contains(&close(figures["sentence"].as_str().unwrap())), "no sentence in {form}");
    }
    same_reckoning(&figures, &of(&facts, "reckoning"));
    for (section, points) in [("days", &figures["by_day"]["points"]), ("months", &figures["by_month"])] {
        let all = points.as_array().into_iter().flatten();
        let volumes = all.flat_map(|point| [&point["fresh_used_l"], &point["washed_l"]]).filter_map(Value::as_f64);
        let found: Vec<f64> = of(&facts, section).iter().map(|fact| fact["value"].parse().unwrap()).collect();
        assert_eq!(found, volumes.collect::<Vec<_>>(), "{section}");
    }
    let lines = figures["savings"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|site| site["saved"]["cycles"].as_array().into_iter().flatten());
    let lines: Vec<&Value> = lines.flat_map(|cycle| cycle["least"]["lines"].as_array().unwrap()).collect();
    let bill = of(&facts, "bill");
    let amounts: Vec<&String> =
        bill.iter().filter(|fact| !fact["name"].starts_with("sum/")).map(|fact| &fact["value"]).collect();
    let wanted = lines.iter().flat_map(|line| {
        ["with_baseline", "with_actual", "saved", "in_month"].map(|name| line[name].as_str().unwrap())
    });
    assert_eq!(amounts, wanted.collect::<Vec<_>>());
    assert_eq!(
        of(&facts, "units").iter().filter(|fact| fact["name"] == "lost").count(),
        figures["units"].as_array().unwrap().len()
    );
    (facts, pdf)
}

fn same_reckoning(figures: &Value, facts: &[&Fact]) {
    let lines = figures["reckoning"].as_array().unwrap();
    assert_eq!(facts.len(), lines.len());
    for fact in facts {
        let line = lines.iter().find(|line| line["name"] == fact["name"].as_str()).unwrap();
        if line["state"] == "printed" {
            assert_eq!(fact["value"].parse::<f64>().unwrap(), number(line), "{line}");
            assert_eq!(fact["expanded_uncertainty"].parse().ok(), line["expanded"].as_f64(), "{line}");
        } else {
            assert_eq!((fact["value"].as_str(), fact["shown"].as_str()), ("", "not printed"));
        }
    }
}

/// A meter of some stream at the plant's unit.
async fn meter(dealer: &Dealer, unit: Uuid, stream: &str, unit_of: &str) -> String {
    let record = json!({ "label": stream, "stream": stream, "unit": unit_of, "digits": 7, "read_by": "technician" });
    let attached = json!({ "unit_id": unit, "from": "2020-01-01T00:00:00Z" });
    let made = dealer.office.create("/v1/meters", &json!({ "meter": record, "attachment": attached })).await;
    id(&made).to_string()
}

async fn only_unit(dealer: &Dealer) -> Uuid {
    id(&items(&dealer.office, "/v1/units").await[0])
}

/// Readings at each midnight of February 2026, so much more each day.
async fn daily(dealer: &Dealer, meter: &str, a_day: f64) {
    let at: Vec<String> =
        (1..=28).map(|day| format!("2026-02-{day:02}T00:00:00Z")).chain(["2026-03-01T00:00:00Z".to_owned()]).collect();
    let readings: Vec<(&str, f64)> = at.iter().zip(0..).map(|(at, n)| (at.as_str(), f64::from(n) * a_day)).collect();
    send(dealer, meter, &readings).await;
}

/// A plant with washes counted and its water billed, daily readings of make-up and wash water, levels
/// at both ends of the month, a sample within and one beyond its limit, and a visit; issued.
async fn full(app: &TestApp, dealer: &Dealer, l_per_wash: f64) -> (Plant, String) {
    let office = &dealer.office;
    let plant = Plant::new(dealer, "UTC", json!({})).await;
    let (unit, site) = (only_unit(dealer).await, id(&items(office, "/v1/sites").await[0]));
    let (wash, counter) = (meter(dealer, unit, "wash", "l").await, meter(dealer, unit, "wash_count", "count").await);
    let mut account = charged(site, "2026-01-01", None);
    account["cycle_anchor"] = json!("2026-01-01");
    let account = id(&office.create("/v1/water-accounts", &account).await);
    office.create(&format!("/v1/water-accounts/{account}/tariffs"), &tariff(terms("2025-01-01", None))).await;
    office.create(&format!("/v1/sites/{site}/baselines"), &baseline("2026-02-01", l_per_wash)).await;
    let limit = json!({ "what": "ph", "unit": "ph", "least": 6.5, "most": 9.0, "source": "Sewer permit 7" });
    let style = json!({ "address": ["4 Mill Lane"], "limits": [limit] });
    assert_eq!(office.put("/v1/report-style", "\"0\"", &style).await.status(), 200);
    for (at, ph) in [("2026-02-10T10:00:00Z", 7.2), ("2026-02-20T10:00:00Z", 9.4)] {
        let sample = json!({ "at": at, "point": "outlet", "what": "ph", "value": ph, "unit": "ph" });
        office.create(&format!("/v1/units/{unit}/samples"), &sample).await;
    }
    for (loss, basis, value) in [("evaporation", "day", 100.0), ("carry_off", "wash", 60.0)] {
        let lost = json!({ "from": "2026-01-01", "loss": loss, "basis": basis, "value": value, "u_share": 0.3, "source": "A bucket" });
        office.create(&format!("/v1/sites/{site}/loss-coefficients"), &lost).await;
    }
    for at in ["2026-02-01T00:00:00Z", "2026-03-01T00:00:00Z"] {
        let level = json!({ "at": at, "gauge": "level", "value": 1850.0, "unit": "l" });
        office.create(&format!("/v1/units/{unit}/gauge-readings"), &level).await;
    }
    let visit = json!({ "unit_id": unit, "at": "2026-02-12T09:00:00Z", "kind": "visit",
        "details": { "purpose": ["Half-yearly service"] }, "customer_note": "All in good order" });
    office.create("/v1/service-events", &visit).await;
    for (meter, a_day) in [(&plant.meter, 400.0), (&wash, 4_000.0), (&counter, 2.0)] {
        daily(dealer, meter, a_day).await;
    }
    night(app, dealer, "2026-03-03T03:00:00Z").await;
    let path = report(office, "2026-02").await;
    assert_eq!(issue(office, &path).await.status(), 200);
    (plant, path)
}

#[tokio::test]
async fn four_forms_have_the_same_figures() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (plant, path) = full(&app, &dealer, 2000.0).await;
    let (facts, pdf) = compared(&dealer.office, &path).await;
    let sections: std::collections::BTreeSet<&str> = facts.iter().map(|fact| fact["section"].as_str()).collect();
    assert_eq!(
        sections.into_iter().collect::<Vec<_>>(),
        ["balance", "bill", "cost", "days", "months", "quality", "reckoning", "units"],
        "{pdf}"
    );
    assert_eq!(of(&facts, "days").len(), 56);
    for wanted in [
        "Sewer permit 7",
        "Half-yearly service",
        "All in good order",
        "A. Rowe, yard manager",
        "4 Mill Lane",
        "Legionella",
        "JCGM 100",
    ] {
        assert!(close(&pdf).contains(&close(wanted)), "{wanted} is not in {pdf}");
    }
    let kept: Vec<&str> = of(&facts, "quality").iter().map(|fact| fact["value"].as_str()).collect();
    assert_eq!(kept, ["7.2", "9.4"]);
    let customer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    let own = accepting(&customer, &path, "application/pdf").await;
    assert!(
        own.bytes() == accepting(&dealer.office, &path, "application/pdf").await.bytes(),
        "the customer gets another PDF"
    );
    let elsewhere = app.dealer("Elsewhere").await;
    let asked = elsewhere.office.request(Method::GET, &path).header("accept", "application/pdf");
    elsewhere.office.send(asked).await.refused(404, "not-found");
}

/// Asks the checker: whether a file conforms, and what does not.
const CHECK: &str = "import json, page, sys
found = page.validate_pdf(sys.argv[1], profile='ua1')
failures = [f'{one.rule_id}: {one.message}' for one in found.failures]
print(json.dumps({'compliant': found.is_compliant, 'profile': found.profile.name, 'failures': failures}))";

/// ISO 14289-1 as far as a machine can tell, by page-validation 0.11.0 of PyPI: a validator of its own
/// that shares nothing with the typesetter and says of itself that it passes veraPDF's corpus. And what
/// poppler says of the document.
#[tokio::test]
#[ignore = "needs Python packages"]
async fn an_independent_checker_finds_the_pdf_accessible() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, path) = full(&app, &dealer, 2000.0).await;
    let scratch = Scratch::new();
    for (name, query) in [("en", ""), ("de", "?language=de")] {
        let pdf = accepting(&dealer.office, &format!("{path}{query}"), "application/pdf").await;
        let file = format!("{}/{name}.pdf", scratch.path());
        fs::write(&file, pdf.bytes()).unwrap();
        let checked = run(python().to_str().unwrap(), &["-c", CHECK, &file]);
        let told: Value = serde_json::from_str(&checked).unwrap();
        assert_eq!((&told["compliant"], &told["profile"]), (&json!(true), &json!("PDF_UA_1")), "{told}");
        let told = run("pdfinfo", &[&file]);
        assert!(close(&told).contains("Tagged:yes"), "{told}");
    }
}

#[tokio::test]
async fn the_figures_are_a_file_within_the_pdf() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, path) = full(&app, &dealer, 2000.0).await;
    let scratch = Scratch::new();
    let file = format!("{}/report.pdf", scratch.path());
    fs::write(&file, accepting(&dealer.office, &path, "application/pdf").await.bytes()).unwrap();
    run("pdfdetach", &["-saveall", "-o", scratch.path(), &file]);
    let revision = dealer.office.get(&path).await.json()["revision"].clone();
    let within =
        fs::read_to_string(format!("{}/water-savings-2026-02-revision-{revision}.csv", scratch.path())).unwrap();
    assert_eq!(within, accepting(&dealer.office, &path, "text/csv").await.text());
}

/// By hand: 56 washes at 100 L would have taken 5.6 m3, and took 11.2.
#[tokio::test]
async fn negative_savings_are_shown_as_they_are() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, path) = full(&app, &dealer, 100.0).await;
    let (facts, _) = compared(&dealer.office, &path).await;
    let line = |name: &str| of(&facts, "reckoning").into_iter().find(|fact| fact["name"] == name).unwrap().clone();
    assert_eq!(line("fresh_avoided")["value"], "-5600");
    assert!(line("fresh_avoided")["shown"].starts_with('\u{2212}'), "{:?}", line("fresh_avoided"));
    assert!(line("money_saved")["value"].starts_with('-'), "{:?}", line("money_saved"));
}

#[tokio::test]
async fn reports_of_little_are_reports_too() {
    let app = TestApp::start().await;
    for (dealer, readings) in [
        ("Nothing", &[][..]),
        ("One day", &[("2026-02-10T00:00:00Z", 0.0), ("2026-02-11T00:00:00Z", 900.0)][..]),
        (
            "A hole",
            &[
                ("2026-02-01T00:00:00Z", 0.0),
                ("2026-02-05T00:00:00Z", 4_000.0),
                ("2026-02-06T00:00:00Z", 3.0),
                ("2026-02-20T00:00:00Z", 19_000.0),
                ("2026-03-01T00:00:00Z", 28_000.0),
            ][..],
        ),
    ] {
        let dealer = app.dealer(dealer).await;
        let plant = Plant::new(&dealer, "Europe/Vienna", json!({})).await;
        if !readings.is_empty() {
            send(&dealer, &plant.meter, readings).await;
        }
        night(&app, &dealer, "2026-03-03T03:00:00Z").await;
        compared(&dealer.office, &report(&dealer.office, "2026-02").await).await;
    }
}

#[tokio::test]
async fn units_of_two_zones_are_in_one_report() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "Europe/Vienna", json!({})).await;
    daily(&dealer, &plant.meter, 100.0).await;
    let far =
        json!({ "customer_id": plant.customer, "name": "West bay", "time_zone": "America/Denver", "country": "US" });
    let far = id(&dealer.office.create("/v1/sites", &far).await);
    for n in 2..=3 {
        let unit = dealer.unit(&format!("W-{n}")).await;
        dealer.place(unit, far, "2020-01-01T00:00:00Z").await;
        daily(&dealer, &meter(&dealer, unit, "makeup", "l").await, 100.0 * f64::from(n)).await;
    }
    night(&app, &dealer, "2026-03-03T09:00:00Z").await;
    let (facts, pdf) = compared(&dealer.office, &report(&dealer.office, "2026-02").await).await;
    assert_eq!(of(&facts, "units").iter().filter(|fact| fact["name"] == "fresh_used").count(), 3);
    assert!(pdf.contains("Europe/Vienna") && pdf.contains("America/Denver"), "{pdf}");
}

#[tokio::test]
async fn a_revision_has_bytes_of_its_own_that_never_change() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    send(&dealer, &plant.meter, &[("2026-01-01T00:00:00Z", 0.0), ("2026-01-30T00:00:00Z", 29_000.0)]).await;
    night(&app, &dealer, "2026-02-02T03:00:00Z").await;
    let path = report(&dealer.office, "2026-01").await;
    assert_eq!(issue(&dealer.office, &path).await.status(), 200);
    let first = accepting(&dealer.office, &path, "application/pdf").await;
    let style = json!({ "accent": "#661111", "address": ["Elsewhere 1"], "paper": "letter" });
    assert_eq!(dealer.office.put("/v1/report-style", "\"0\"", &style).await.status(), 200);
    night(&app, &dealer, "2026-02-03T03:00:00Z").await;
    assert!(
        accepting(&dealer.office, &path, "application/pdf").await.bytes() == first.bytes(),
        "an issued one changed"
    );

    send(&dealer, &plant.meter, &[("2026-02-01T00:00:00Z", 33_000.0)]).await;
    night(&app, &dealer, "2026-02-04T03:00:00Z").await;
    let wrong = json!({ "reason": "A reading came late" });
    assert_eq!(dealer.office.post(&format!("{path}/proposal"), &wrong).await.status(), 200);
    let proposal = dealer.office.get(&format!("{path}/proposal")).await;
    assert_eq!(dealer.office.post_at_with(&format!("{path}/revise"), proposal.etag(), &wrong).await.status(), 200);
    let (_, text) = compared(&dealer.office, &path).await;
    assert!(close(&text).contains(&close("Reason: A reading came late")) && text.contains("Elsewhere 1"), "{text}");
    let page = path.trim_start_matches("/v1");
    let old = dealer.office.page(&format!("{page}/pdf?revision=2")).await;
    assert!(old.bytes() == first.bytes(), "the earlier revision changed");
}

#[tokio::test]
async fn a_report_speaks_german() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, path) = full(&app, &dealer, 2000.0).await;
    let german = accepting(&dealer.office, &format!("{path}?language=de"), "application/pdf").await;
    let text = close(&pdf_text(german.bytes()));
    for wanted in [
        "Wasserersparnis von Harbour Haulage, Februar 2026",
        "11,2",
        "Berechnung",
        "Seite 1 von",
        "Legionellen",
        "1. März 2026",
    ] {
        assert!(text.contains(&close(wanted)), "{wanted} is not in {text}");
    }
    let page = dealer.office.page(&format!("{}?language=de", path.trim_start_matches("/v1"))).await;
    assert!(page.text().contains("lang=\"de\"") && page.text().contains("Wie die Zahlen entstanden"), "{page:?}");
}

#[tokio::test]
async fn a_style_is_checked_and_a_logo_has_to_be_there() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    assert_eq!(office.get("/v1/report-style").await.etag(), "\"0\"");
    let light = json!({ "accent": "#ffff00" });
    office.put("/v1/report-style", "\"0\"", &light).await.refused_for(422, &[("/accent", "too_light")]);
    let logo = |sha256: &str| json!({ "logo": { "sha256": sha256, "words": "A wheel" } });
    let missing = office.put("/v1/report-style", "\"0\"", &logo(&"0".repeat(64))).await;
    missing.refused_for(422, &[("/logo/sha256", "unknown_file")]);
    assert_eq!(dealer.technician.get("/v1/report-style").await.status(), 403);

    let png = BASE64_STANDARD.decode(PNG).unwrap();
    for broken in [&b"\x89PNG\r\n\x1a\n"[..], &png[..50]] {
        let sent = office.send(office.request(Method::POST, "/v1/files").body(broken.to_vec())).await;
        let refused = office.put("/v1/report-style", "\"0\"", &logo(sent.json()["sha256"].as_str().unwrap())).await;
        refused.refused_for(422, &[("/logo/sha256", "not_a_picture")]);
    }
    let sent = office.send(office.request(Method::POST, "/v1/files").body(png)).await;
    let set = office.put("/v1/report-style", "\"0\"", &logo(sent.json()["sha256"].as_str().unwrap())).await;
    assert_eq!((set.status(), set.etag()), (200, "\"1\""));
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    night(&app, &dealer, "2026-03-03T03:00:00Z").await;
    let path = report(office, "2026-02").await;
    let customer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    let pdf = accepting(&customer, &path, "application/pdf").await;
    let scratch = Scratch::new();
    let file = format!("{}/report.pdf", scratch.path());
    fs::write(&file, pdf.bytes()).unwrap();
    assert!(run("pdfimages", &["-list", &file]).lines().count() > 2, "no logo");
}

#[tokio::test]
async fn all_reports_of_a_month_become_files() {
    let (database, scratch) = (crate::support::Database::migrated().await, Scratch::new());
    let missing =
        weirbook(&["reports", "render", "--month", "2026-02", "--to", scratch.path(), "--data-dir", scratch.path()])
            .env("DATABASE_URL", database.url())
            .output()
            .unwrap();
    assert!(String::from_utf8_lossy(&missing.stderr).contains("there is no such dealer"), "{missing:?}");
    let app = TestApp::over(database, |_as_they_are| {});
    let dealer = app.dealer("Brookside").await;
    let _plant = Plant::new(&dealer, "UTC", json!({})).await;
    night(&app, &dealer, "2026-03-03T03:00:00Z").await;
    let rendered =
        weirbook(&["reports", "render", "--month", "2026-02", "--to", scratch.path(), "--data-dir", scratch.path()])
            .env("DATABASE_URL", app.database_url())
            .output()
            .unwrap();
    let said = String::from_utf8(rendered.stdout).unwrap();
    assert!(rendered.status.success() && said.contains("1 reports of 2026-02"), "{said}");
    let folder = format!("{}/{}", scratch.path(), dealer.id);
    let files: Vec<_> = fs::read_dir(folder).unwrap().map(|file| file.unwrap().path()).collect();
    assert_eq!(files.len(), 1);
    assert!(pdf_text(&fs::read(&files[0]).unwrap()).contains("Harbour Haulage"));
}

/// What a customer used is its own affair; what the dealer calls its goods is the dealer's, until it sells
/// them under that name.
#[tokio::test]
async fn consumables_are_named_where_they_are_sold() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    let site = id(&items(office, "/v1/sites").await[0]);
    let [sold, own] = ["Clearflow", "Drum 7"].map(coagulant);
    let (sold, own) =
        (id(&office.create("/v1/consumables", &sold).await), id(&office.create("/v1/consumables", &own).await));
    let price = json!({ "kind": "selling", "from": "2026-01-01", "per_unit": { "amount": "3.10", "currency": "EUR" } });
    office.create(&format!("/v1/consumables/{sold}/prices"), &price).await;
    for (item, at, open) in [
        (sold, "2026-02-02T08:00:00Z", "30"),
        (sold, "2026-02-22T08:00:00Z", "10"),
        (own, "2026-02-02T08:00:00Z", "9"),
        (own, "2026-02-22T08:00:00Z", "2"),
    ] {
        let dip = json!({ "item_id": item, "at": at, "open": open, "sealed": "0", "unit": "l" });
        office.create(&format!("/v1/sites/{site}/dips"), &dip).await;
    }
    daily(&dealer, &plant.meter, 400.0).await;
    night(&app, &dealer, "2026-03-03T03:00:00Z").await;
    let path = report(office, "2026-02").await;
    assert_eq!(issue(office, &path).await.status(), 200);
    let customer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    let (facts, pdf) = compared(&customer, &path).await;
    let used: Vec<_> = of(&facts, "consumables").iter().map(|fact| (&*fact["name"], &*fact["value"])).collect();
    assert_eq!(used, [("Clearflow", "20"), ("Acid", "7")]);
    assert!(!pdf.contains("Drum 7") && !customer.get(&path).await.text().contains("Drum 7"), "{pdf}");
}

/// The page has what the paper has for those who can't see a chart: words and a table.
#[tokio::test]
async fn every_chart_has_words_and_a_table_of_thirteen_months() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, path) = full(&app, &dealer, 2000.0).await;
    let page = dealer.office.page(path.trim_start_matches("/v1")).await;
    let text = page.text();
    let pictures = text.matches("<svg").count();
    assert!(pictures >= 3 && text.matches("<desc").count() == pictures, "{pictures} pictures");
    let figures = dealer.office.get(&path).await.json()["figures"].clone();
    let months: Vec<&Value> = figures["by_month"].as_array().unwrap().iter().map(|point| &point["month"]).collect();
    assert_eq!((months.len(), months[0], months[12]), (13, &json!("2025-02"), &json!("2026-02")));
    let pdf = accepting(&dealer.office, &path, "application/pdf").await;
    let on_paper = close(&pdf_text(pdf.bytes()));
    for label in ["February 2025", "August 2025", "February 2026"] {
        assert!(close(text).contains(&close(label)) && on_paper.contains(&close(label)), "{label}");
    }
}

/// What was used from one reading to the next is what the register shows, whatever the month's share is.
#[tokio::test]
async fn water_is_shown_from_reading_to_reading_where_the_dealer_wants_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    let style = json!({ "counted": "readings" });
    assert_eq!(dealer.office.put("/v1/report-style", "\"0\"", &style).await.status(), 200);
    let read = [("2026-01-12T09:00:00Z", 0.0), ("2026-02-09T09:00:00Z", 28_700.0), ("2026-03-09T09:00:00Z", 60_000.0)];
    send(&dealer, &plant.meter, &read).await;
    night(&app, &dealer, "2026-03-10T03:00:00Z").await;
    let path = report(&dealer.office, "2026-02").await;
    let (_, pdf) = compared(&dealer.office, &path).await;
    let page = dealer.office.page(path.trim_start_matches("/v1")).await;
    for form in [close(page.text()), close(&pdf)] {
        assert!(form.contains(&close("From reading to reading")), "{form}");
        assert!(form.contains(&close("12 January 2026 to 9 February 2026")) && form.contains("28.70m³"), "{form}");
    }
}
