//! How reports look, and who gets them: set, tried and sent from the pages.

use crate::conventions::items;
use crate::readings::Plant;
use crate::report_compared::pdf_text;
use crate::report_forms::PNG;
use crate::report_life::{issue, night, report, send};
use crate::support::{MailServer, TestApp};
use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use chrono::Utc;
use serde_json::json;

const STYLE: &str = "/settings/report-style";

/// A style as it is typed.
const FIELDS: [(&str, &str); 12] = [
    ("revision", "0"),
    ("address", "4 Mill Lane\r\n\r\nBrookside"),
    ("words", "A mill"),
    ("accent", "#5a1d5f"),
    ("language", "de"),
    ("numbers", "comma_point"),
    ("dates", "iso"),
    ("paper", "letter"),
    ("limit_what_2", "ph ph"),
    ("limit_source_2", "Sewer permit"),
    ("limit_least_2", "6.5"),
    ("limit_most_2", "9"),
];

#[tokio::test]
async fn a_style_is_tried_on_a_report_and_what_is_wrong_is_said_of_its_field() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    assert_eq!(dealer.technician.page(STYLE).await.status(), 403);
    let first = office.page(STYLE).await;
    assert!(!first.shown().contains("Try it"), "there is no report yet: {first:?}");
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    send(&dealer, &plant.meter, &[("2026-01-01T00:00:00Z", 0.0), ("2026-02-01T00:00:00Z", 30_000.0)]).await;
    night(&app, &dealer, "2026-02-02T03:00:00Z").await;
    let png = BASE64_STANDARD.decode(PNG).unwrap();
    let tried = office.form_with_files(&format!("{STYLE}/try"), &FIELDS, &[("logo_file", &png)]).await;
    assert_eq!((tried.status(), tried.header("content-type")), (200, "application/pdf"), "{tried:?}");
    let text = pdf_text(tried.bytes());
    assert!(text.contains("4 Mill Lane") && text.contains("Wasser"), "{text}");
    assert_eq!(office.get("/v1/report-style").await.etag(), "\"0\"", "nothing is kept by trying");

    let light = FIELDS.map(|(name, value)| (name, if name == "accent" { "#ffff00" } else { value }));
    let wrong = office.form_with_files(STYLE, &light, &[("logo_file", &png[..50])]).await;
    assert!(wrong.status() == 422 && wrong.text().contains("href=\"#f-accent\""), "{wrong:?}");
    let broken = office.form_with_files(STYLE, &FIELDS, &[("logo_file", &png[..50])]).await;
    assert!(broken.status() == 422 && broken.text().contains("href=\"#f-logo_file\""), "{broken:?}");
    let half = FIELDS.map(|(name, value)| (name, if name == "limit_source_2" { "" } else { value }));
    let half = office.form_with_files(STYLE, &half, &[]).await;
    assert!(half.status() == 422 && half.text().contains("href=\"#f-limit_source_2\""), "{half:?}");
}

#[tokio::test]
async fn a_style_is_kept_with_its_logo_and_changed_again() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    let png = BASE64_STANDARD.decode(PNG).unwrap();
    let kept = office.form_with_files(STYLE, &FIELDS, &[("logo_file", &png)]).await;
    assert_eq!(kept.header("location"), STYLE, "{kept:?}");
    let style = office.get("/v1/report-style").await.json();
    assert_eq!(style["address"], json!(["4 Mill Lane", "Brookside"]));
    assert_eq!(
        (&style["logo"]["words"], &style["language"], &style["counted"]),
        (&json!("A mill"), &json!("de"), &json!(null))
    );
    let limit = json!({ "what": "ph", "unit": "ph", "least": 6.5, "most": 9.0, "source": "Sewer permit" });
    assert_eq!(style["limits"], json!([limit]));
    let page = office.page(STYLE).await;
    let logo = format!("/v1/files/{}", style["logo"]["sha256"].as_str().unwrap());
    for shown in [logo.as_str(), "<g fill=\"#5a1d5f\">", "1,234.5\u{a0}m\u{b3}, 2026-01-14"] {
        assert!(page.text().contains(shown), "{shown}: {page:?}");
    }
    assert_eq!(office.page(&logo).await.bytes(), png, "the picture of the page is there");
    let stale = office.form_with_files(STYLE, &FIELDS, &[]).await;
    assert_eq!(stale.status(), 412, "{stale:?}");

    // Without a file the logo stays, in other words; ticked off, it goes.
    let again = [("revision", "1"), ("accent", "#5a1d5f"), ("words", "The mill")];
    assert_eq!(office.form_with_files(STYLE, &again, &[]).await.status(), 303);
    let style = office.get("/v1/report-style").await.json();
    assert_eq!(
        (&style["logo"]["words"], &style["limits"], &style["paper"]),
        (&json!("The mill"), &json!([]), &json!(null))
    );
    let without = [("revision", "2"), ("accent", "#5a1d5f"), ("no_logo", "yes")];
    assert_eq!(office.form_with_files(STYLE, &without, &[]).await.status(), 303);
    assert_eq!(office.get("/v1/report-style").await.json()["logo"], json!(null));
}

#[tokio::test]
async fn who_comes_after_a_report_was_issued_is_sent_it_once_from_its_page() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    let customer = format!("/customers/{}", plant.customer);
    let readers = format!("{customer}/recipients");
    let wrong = office.send_form(&readers, &[("email", "nobody")]).await;
    assert!(wrong.status() == 422 && wrong.text().contains("href=\"#f-email\""), "{wrong:?}");
    assert_eq!(
        office.send_form(&readers, &[("key", "a"), ("email", "ann@example.com")]).await.header("location"),
        customer
    );
    assert!(office.page(&customer).await.text().contains("ann@example.com"));
    let shown = dealer.technician.page(&customer).await;
    assert!(!shown.shown().contains("ann@example.com"), "whoever issues alone: {shown:?}");
    send(&dealer, &plant.meter, &[("2026-01-01T00:00:00Z", 0.0), ("2026-02-01T00:00:00Z", 30_000.0)]).await;
    night(&app, &dealer, "2026-02-02T03:00:00Z").await;
    let path = report(office, "2026-01").await;
    let page = path.trim_start_matches("/v1").to_owned();
    let draft = office.post(&format!("{path}/mails"), &json!({})).await;
    assert_eq!(draft.status(), 409, "a draft goes to nobody: {draft:?}");
    assert!(office.page(&page).await.text().contains("once it is issued"));
    issue(office, &path).await;
    assert_eq!(app.drain_mail(Utc::now()).await.sent, 1);
    let shown = office.page(&page).await;
    assert!(!shown.shown().contains(&format!("{page}/send")), "all were sent it: {shown:?}");

    office.send_form(&readers, &[("key", "b"), ("email", "bo@example.com")]).await;
    let shown = office.page(&page).await;
    assert!(
        shown.text().contains("not sent: added after it was issued") && shown.text().contains("/send\""),
        "{shown:?}"
    );
    let viewer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    let shown = viewer.page(&page).await;
    assert!(!shown.shown().contains("ann@example.com"), "for those alone who issue: {shown:?}");
    assert_eq!(viewer.form(&format!("{page}/send"), None, "").await.status(), 403);
    for _ in 0..2 {
        assert_eq!(office.form(&format!("{page}/send"), None, "").await.header("location"), page);
    }
    assert_eq!(app.drain_mail(Utc::now()).await.sent, 1, "the new one alone, and once");
    assert_eq!(server.mails().last().unwrap().to, ["bo@example.com"]);
    let mails = items(office, &format!("{path}/mails")).await;
    let states: Vec<_> = mails.iter().map(|mail| mail["state"].as_str().unwrap()).collect();
    assert_eq!(states, ["sent", "sent"], "{mails:?}");
    let id = mails[0]["recipient_id"].as_str().unwrap();
    assert_eq!(office.form(&format!("{readers}/{id}/end"), None, "").await.header("location"), customer);
    let shown = office.page(&customer).await;
    assert!(!shown.shown().contains("ann@example.com"), "{shown:?}");
    assert_eq!(app.dealer("Elsewhere").await.office.post(&format!("{path}/mails"), &json!({})).await.status(), 404);
}

#[tokio::test]
async fn when_reports_are_issued_is_set_on_a_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (office, path) = (&dealer.office, "/settings/report-rule");
    assert_eq!(dealer.technician.page(path).await.status(), 403);
    let rule = [
        ("revision", "0"),
        ("issues", "yes"),
        ("least_grade", "makeup_only"),
        ("least_coverage", "0,95"),
        ("days_after_month_end", "4"),
        ("share", "0.05"),
        ("money", "10.00 EUR\r\n 12 USD"),
    ];
    for (name, value, at) in [
        ("money", "ten", "money"),
        ("money", "1 EUR\n2 EUR", "money"),
        ("share", "2", "share"),
        ("least_coverage", "", "least_coverage"),
    ] {
        let wrong = rule.map(|(known, typed)| (known, if known == name { value } else { typed }));
        let wrong = office.send_form(path, &wrong).await;
        assert!(wrong.status() == 422 && wrong.text().contains(&format!("href=\"#f-{at}\"")), "{value}: {wrong:?}");
    }
    assert_eq!(office.send_form(path, &rule).await.header("location"), "/settings");
    let money = json!([{ "amount": "10.00", "currency": "EUR" }, { "amount": "12", "currency": "USD" }]);
    let wanted = json!({ "issues": true, "least_grade": "makeup_only", "least_coverage": 0.95, "days_after_month_end": 4,
        "tolerance": { "share": 0.05, "money": money } });
    assert_eq!(office.get("/v1/report-rule").await.json(), wanted);
    assert!(office.page(path).await.text().contains("10.00 EUR\n12 USD"), "as it is kept");
    assert_eq!(office.send_form(path, &rule).await.status(), 412, "of an old page");
}
