//! What goes wrong on a page is a page, with the ways that are open to its visitor.

use crate::support::{TestApp, form_body};
use reqwest::Method;

#[tokio::test]
async fn what_goes_wrong_keeps_the_visitors_menu() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let viewer = dealer.customer_viewer(customer).await;
    let nowhere = "/units/0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c10";
    for (person, path, status) in [
        (&dealer.office, "/no-such-page", 404),
        (&dealer.office, nowhere, 404),
        (&dealer.office, "/units/no-id", 404),
        (&dealer.office, "/people", 403),
        (&dealer.office, "/units/new?site=no-id", 400),
        (&viewer, "/risk", 403),
        (&viewer, nowhere, 404),
    ] {
        let page = person.page(path).await;
        assert_eq!(page.status(), status, "{path}: {page:?}");
        let text = page.text();
        let (own, foreign) =
            if std::ptr::eq(person, &viewer) { ("Your units", "Stock") } else { ("Stock", "Your units") };
        assert!(text.contains(&format!(">{own}</a>")) && !text.contains(&format!(">{foreign}</a>")), "{path}: {text}");
        assert!(page.header("content-type").starts_with("text/html"), "{path}");
        assert!(page.header("content-security-policy").contains("style-src 'self'"), "{path}");
    }
    let nobody = app.anyone().send(app.anyone().browser(Method::GET, "/no-such-page")).await;
    assert!(nobody.status() == 404 && nobody.text().contains("href=\"/sign-in\""), "{nobody:?}");
    assert!(!nobody.text().contains("Sign out"), "{nobody:?}");
    let program = app.anyone().get("/v1/no-such-thing").await;
    assert_eq!(program.header("content-type"), "application/problem+json");
}

#[tokio::test]
async fn a_form_that_can_not_be_read_is_answered_by_a_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let origin = dealer.office.base().to_owned();
    let request = dealer.office.browser(Method::POST, "/call-outs").header("origin", &origin);
    let unread = dealer.office.send(request.header("content-type", "application/json").body("{}")).await;
    assert!(unread.status() == 400 && unread.text().contains("send it from the page that shows it"), "{unread:?}");
    assert!(unread.header("content-type").starts_with("text/html"), "{unread:?}");

    let long = "The water is black. ".repeat(5000);
    let body = form_body(&[("symptom", &long), ("bay", "stopped")]);
    assert!(body.len() > 100_000);
    let told = dealer.office.form("/call-outs", None, &body).await;
    assert!(told.status() == 422 && told.text().contains("keep it within 1000 characters"), "{}", &told.text()[..3000]);
    let too_long =
        dealer.office.send_form("/call-outs", &[("symptom", &"x".repeat(300_000)), ("bay", "stopped")]).await;
    assert!(too_long.status() == 413 && too_long.text().contains("larger than this address takes"), "{too_long:?}");
}

#[tokio::test]
async fn a_number_that_may_be_one_of_two_is_asked_again() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
    let unit = dealer.unit("L-1").await;
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    let path = format!("/units/{unit}/visit");
    let visit =
        async |hours: &str| dealer.technician.send_form(&path, &[("at", "2026-03-01T10:00"), ("hours", hours)]).await;
    let asked = visit("1,500").await;
    assert!(asked.status() == 422 && asked.text().contains("may be 1500 or 1.5"), "{asked:?}");
    assert!(asked.text().contains("value=\"1,500\""), "it stands there to be mended");
    let taken = visit("1,5").await;
    assert_eq!(taken.status(), 303, "{taken:?}");
}

#[tokio::test]
async fn the_form_of_a_visit_has_the_meters_of_the_site_and_asks_about_odd_registers() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
    let unit = dealer.unit("L-1").await;
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    let attachment = serde_json::json!({ "site_id": site, "from": "2026-01-01T00:00:00Z" });
    let meter = dealer.makeup_meter(&attachment).await["id"].as_str().unwrap().to_owned();
    let reading = serde_json::json!({ "meter_id": meter, "read_at": "2026-02-01T10:00:00Z", "register": 1000.0 });
    dealer.office.post("/v1/readings", &serde_json::json!({ "readings": [reading] })).await;
    let path = format!("/units/{unit}/visit");
    let form = dealer.technician.page(&path).await;
    assert!(form.text().contains("Make-up, of the whole site, in L, last 1\u{202f}000"), "{form:?}");
    let sent = async |fields: &[(&str, &str)]| {
        let all = [&[("at", "2026-03-01T10:00")], fields].concat();
        dealer.technician.send_form(&path, &all).await
    };
    let asked = sent(&[(&meter, "900")]).await;
    assert!(asked.status() == 422 && asked.text().contains("less than at the last reading"), "{asked:?}");
    let sure = format!("sure-{meter}");
    assert!(asked.text().contains(&format!("name=\"{sure}\" value=\"900\"")), "{asked:?}");
    assert_eq!(
        sent(&[(&meter, "901"), (&sure, "900")]).await.status(),
        422,
        "that another value was confirmed helps none"
    );
    assert_eq!(sent(&[(&meter, "900"), (&sure, "900")]).await.status(), 303);
}
