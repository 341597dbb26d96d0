//! The pages of asking: what is due, the form that asks, the sheet of a round.

use crate::asking::Bay;
use crate::support::{MailServer, TestApp, form_body, today_in_vienna};
use chrono::{Duration, Utc};

#[tokio::test]
async fn the_office_sees_what_is_due_and_asks_from_the_page() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&app, &dealer).await;
    let page = dealer.office.get("/readings-due").await;
    assert_eq!(page.status(), 200, "{page:?}");
    assert!(page.text().contains("Still missing for the reports of"), "{page:?}");
    let form = dealer.office.get(&format!("/readings-due/ask?site={}", bay.site)).await;
    for shown in ["Ask for readings at North bay", "Make-up dial", "Wash dial"] {
        assert!(form.text().contains(shown), "{shown} in {form:?}");
    }
    let (site, meter) = (bay.site.to_string(), bay.makeup.to_string());
    let due = (today_in_vienna() + Duration::days(3)).to_string();
    let fields = [
        ("site", site.as_str()),
        ("meter", meter.as_str()),
        ("person", "Mia Berger"),
        ("email", "mia@example.com"),
        ("due_on", due.as_str()),
    ];
    let asked = dealer.office.send_form("/readings-due/ask", &fields).await;
    assert_eq!(asked.status(), 201, "{asked:?}");
    assert!(asked.text().contains("Mia Berger is asked") && asked.text().contains("mia@example.com"), "{asked:?}");
    assert_eq!(app.drain_mail(Utc::now()).await.sent, 1);

    // Without an address the page shows the link; with faults it shows the form again.
    let by_hand = fields.map(|(name, value)| (name, if name == "email" { "" } else { value }));
    let asked = dealer.office.send_form("/readings-due/ask", &by_hand).await;
    let link = asked.text().split("https://water.example.com").nth(1).unwrap().split('"').next().unwrap();
    assert_eq!(app.anyone().get(link).await.status(), 200);
    let wrong = fields.map(|(name, value)| (name, if name == "person" { "" } else { value }));
    let again = dealer.office.send_form("/readings-due/ask", &wrong).await;
    assert_eq!(again.status(), 422);
    assert!(again.text().contains("Name: write at least one character."), "{again:?}");
    assert!(again.text().contains("mia@example.com"), "what was typed stays");

    // A page elsewhere can't send it, whatever the browser brings along; nor a customer's people.
    let foreign = dealer.office.form("/readings-due/ask", Some("https://evil.example"), &form_body(&fields)).await;
    assert_eq!(foreign.status(), 403, "{foreign:?}");
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!(viewer.send_form("/readings-due/ask", &fields).await.status(), 403);
    let theirs = viewer.get("/readings-due").await;
    assert!(!theirs.shown().contains("Ask somebody"), "{theirs:?}");
    let requests = dealer.office.get("/v1/reading-requests").await.json();
    assert_eq!(requests["items"].as_array().unwrap().len(), 2);
}

#[tokio::test]
async fn the_sheet_of_a_round_lists_the_meters_with_a_box_each() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&app, &dealer).await;
    let sheet = dealer.technician.get(&format!("/rounds?site={}", bay.site)).await;
    assert_eq!(sheet.status(), 200, "{sheet:?}");
    assert_eq!(sheet.text().matches("class=\"box\"").count(), 4, "a register and a time each: {sheet:?}");
    assert!(sheet.text().contains("North bay") && sheet.text().contains("59\u{202f}000\u{a0}L"));
    assert_eq!(dealer.technician.get("/rounds?site=nonsense").await.status(), 422);
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!(viewer.get(&format!("/rounds?site={}", bay.site)).await.status(), 403);
    let other = app.dealer("Elsewhere").await.technician.get(&format!("/rounds?site={}", bay.site)).await;
    assert!(!other.shown().contains("North bay"), "{other:?}");
}
