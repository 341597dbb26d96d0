//! A report's four forms: JSON, page, PDF and CSV hold the same figures, whatever there is to report.

use crate::accounts::{baseline, charged, tariff, terms};
use crate::conventions::items;
use crate::readings::Plant;
use crate::report_compared::{accepting, close, compared, compared_as, of, pdf_text, run};
use crate::report_life::{figure, issue, night, report, send};
use crate::stock::coagulant;
use crate::support::{Client, Dealer, Scratch, TestApp, id, python, weirbook};
use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use reqwest::Method;
use serde_json::{Value, json};
use std::fs;
use std::path::Path;
use uuid::Uuid;

/// A PNG of one pixel (PNG specification, second edition, section 4).
pub(crate) const PNG: &str =
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg==";

/// A meter of some stream at the plant's unit.
pub(crate) async fn meter(dealer: &Dealer, unit: Uuid, stream: &str, unit_of: &str) -> String {
    let record = json!({ "label": stream, "stream": stream, "unit": unit_of, "digits": 7, "read_by": "technician" });
    let attached = json!({ "unit_id": unit, "from": "2020-01-01T00:00:00Z" });
    let made = dealer.office.create("/v1/meters", &json!({ "meter": record, "attachment": attached })).await;
    id(&made).to_string()
}

pub(crate) async fn only_unit(dealer: &Dealer) -> Uuid {
    id(&items(&dealer.office, "/v1/units").await[0])
}

/// Readings at each midnight of February 2026, so much more each day.
pub(crate) async fn daily(dealer: &Dealer, meter: &str, a_day: f64) {
    let at: Vec<String> =
        (1..=28).map(|day| format!("2026-02-{day:02}T00:00:00Z")).chain(["2026-03-01T00:00:00Z".to_owned()]).collect();
    let readings: Vec<(&str, f64)> = at.iter().zip(0..).map(|(at, n)| (at.as_str(), f64::from(n) * a_day)).collect();
    send(dealer, meter, &readings).await;
}

/// As much stands in a unit at the end of February 2026 as at its beginning.
async fn levels(office: &Client, unit: Uuid) {
    for at in ["2026-02-01T00:00:00Z", "2026-03-01T00:00:00Z"] {
        let level = json!({ "at": at, "gauge": "level", "value": 1850.0, "unit": "l" });
        office.create(&format!("/v1/units/{unit}/gauge-readings"), &level).await;
    }
}

/// A plant with washes counted and its water billed, daily readings of make-up and wash water, levels
/// at both ends of the month, a sample within and one beyond its limit, and a visit; issued.
pub(crate) async fn full(app: &TestApp, dealer: &Dealer, l_per_wash: f64) -> (Plant, String) {
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
    levels(office, unit).await;
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
    let told = dealer.office.get(&path).await.json();
    let ends = figure(&told, "money_saved")["between"].clone();
    let saved = of(&facts, "reckoning").into_iter().find(|fact| fact["name"] == "money_saved").unwrap();
    for end in ["low", "high"] {
        let of_cycle =
            of(&facts, "bill").into_iter().find(|fact| fact["name"] == format!("sum/in_month_{end}")).unwrap();
        let amounts =
            [&of_cycle["value"], ends[end]["amount"].as_str().unwrap()].map(|text| text.parse::<f64>().unwrap());
        assert_eq!(amounts[0], amounts[1], "{end} of {ends}");
        assert!(saved["shown"].contains(&of_cycle["shown"]), "{saved:?}");
    }
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

/// A page as poppler paints it, with 40 dots an inch: its width in dots, and their brightness row by row.
fn painted(file: &Path) -> (usize, Vec<u8>) {
    let bytes = fs::read(file).unwrap();
    // PGM: P5, width, height and the brightest value, each parted from the next by one blank.
    let parts: Vec<&[u8]> = bytes.splitn(5, u8::is_ascii_whitespace).collect();
    let number = |part: &[u8]| std::str::from_utf8(part).unwrap().parse::<usize>().unwrap();
    assert_eq!((parts[0], number(parts[1]) * number(parts[2])), (&b"P5"[..], parts[4].len()));
    (number(parts[1]), parts[4].to_vec())
}

/// Every page has something on it, and no table, chart or long word runs into the margin: 10 mm at the sides,
/// 5 mm above and below, where the sheets have 20 and more.
#[tokio::test]
async fn what_is_on_paper_stays_within_its_sheet() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, path) = full(&app, &dealer, 2000.0).await;
    for query in ["", "?language=de"] {
        let scratch = Scratch::new();
        let pdf = accepting(&dealer.office, &format!("{path}{query}"), "application/pdf").await;
        let file = format!("{}/report.pdf", scratch.path());
        fs::write(&file, pdf.bytes()).unwrap();
        run("pdftoppm", &["-r", "40", "-gray", &file, &format!("{}/page", scratch.path())]);
        let pages = fs::read_dir(scratch.path()).unwrap().map(|entry| entry.unwrap().path());
        let pages: Vec<_> = pages.filter(|path| path.extension().is_some_and(|ending| ending == "pgm")).collect();
        assert!(pages.len() >= 2, "{pages:?}");
        for page in pages {
            let (width, dots) = painted(&page);
            let height = dots.len() / width;
            let dark = dots.iter().enumerate().filter(|(_, brightness)| **brightness < 200).map(|(n, _)| n);
            let dark: Vec<(usize, usize)> = dark.map(|n| (n % width, n / width)).collect();
            assert!(dark.len() > 100, "{page:?} is empty");
            let outside = |(x, y): &&(usize, usize)| *x < 15 || *x >= width - 15 || *y < 7 || *y >= height - 7;
            let outside: Vec<_> = dark.iter().filter(outside).take(5).collect();
            assert!(outside.is_empty(), "{page:?}, {width} by {height}: {outside:?}");
        }
    }
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

/// By hand: 28 days of 4,000 L in and 400 L out leave 100,800 L less than nothing recycled.
#[tokio::test]
async fn a_loss_is_shown_as_it_is_in_both_languages() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    let unit = only_unit(&dealer).await;
    let wash = meter(&dealer, unit, "wash", "l").await;
    levels(&dealer.office, unit).await;
    for (meter, a_day) in [(&plant.meter, 4_000.0), (&wash, 400.0)] {
        daily(&dealer, meter, a_day).await;
    }
    night(&app, &dealer, "2026-03-03T03:00:00Z").await;
    let path = report(&dealer.office, "2026-02").await;
    let (facts, pdf) = compared(&dealer.office, &path).await;
    let recycled = of(&facts, "reckoning").into_iter().find(|fact| fact["name"] == "recycled").unwrap();
    assert_eq!(recycled["value"], "-100800");
    assert!(pdf.contains("which is a loss"), "{pdf}");
    let (_, german) = compared_as(&dealer.office, &path, "?language=de").await;
    assert!(close(&german).contains(&close("wiederverwendet, also ein Verlust")), "{german}");
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
        let path = report(&dealer.office, "2026-02").await;
        compared(&dealer.office, &path).await;
        compared_as(&dealer.office, &path, "?language=de").await;
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
    let page = path.trim_start_matches("/v1");
    let shown = customer.page(page).await;
    assert!(shown.text().contains(&format!("src=\"{page}/logo\" alt=\"A wheel\"")), "{shown:?}");
    let logo = customer.page(&format!("{page}/logo")).await;
    assert_eq!((logo.status(), logo.header("content-type")), (200, "image/png"));
    assert!(logo.bytes() == BASE64_STANDARD.decode(PNG).unwrap(), "another picture");
    let look = customer.page(&format!("{page}/look.css")).await;
    assert_eq!((look.status(), look.text()), (200, ".statement{--accent:#1d4e5f}\n"));
    let elsewhere = app.dealer("Elsewhere").await;
    for part in ["logo", "look.css"] {
        let asked = elsewhere.office.page(&format!("{page}/{part}")).await;
        assert_eq!(asked.status(), 404, "{asked:?}");
    }
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
    let below = json!({ "at": "2026-02-10T10:00:00Z", "point": "outlet", "what": "turbidity", "qualifier": "<",
        "value": 5.0, "unit": "ntu" });
    office.create(&format!("/v1/units/{}/samples", only_unit(&dealer).await), &below).await;
    daily(&dealer, &plant.meter, 400.0).await;
    night(&app, &dealer, "2026-03-03T03:00:00Z").await;
    let path = report(office, "2026-02").await;
    assert_eq!(issue(office, &path).await.status(), 200);
    let customer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    let (facts, pdf) = compared(&customer, &path).await;
    let used: Vec<_> = of(&facts, "consumables").iter().map(|fact| (&*fact["name"], &*fact["value"])).collect();
    assert_eq!(used, [("Clearflow", "20"), ("Acid", "7")]);
    assert_eq!(of(&facts, "quality")[0]["value"], "<5", "less than what could be told");
    assert!(!pdf.contains("Drum 7") && !customer.get(&path).await.shown().contains("Drum 7"), "{pdf}");
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
