//! A report's page: what it prints, and its forms.

use crate::accounts::{baseline, charged, tariff, terms};
use crate::conventions::items;
use crate::readings::Plant;
use crate::report_life::{figure, issue, night, report, send};
use crate::support::{Answer, Client, Dealer, TestApp, id};
use serde_json::{Value, json};

/// The page of a report.
fn page(path: &str) -> String {
    path.trim_start_matches("/v1").to_owned()
}

/// Adds a wash counter and a water account of 900 m3 of other use a month to a plant.
async fn bill_washes(dealer: &Dealer, plant: &Plant) -> String {
    let office = &dealer.office;
    let unit = items(office, "/v1/units").await[0]["id"].clone();
    let site = id(&items(office, "/v1/sites").await[0]);
    let counter =
        json!({ "label": "Washes", "stream": "wash_count", "unit": "count", "digits": 6, "read_by": "technician" });
    let attached = json!({ "unit_id": unit, "from": "2020-01-01T00:00:00Z" });
    let counter = office.create("/v1/meters", &json!({ "meter": counter, "attachment": attached })).await;
    let mut account = charged(site, "2026-01-01", None);
    account["cycle_anchor"] = json!("2026-01-01");
    let account = id(&office.create("/v1/water-accounts", &account).await);
    office.create(&format!("/v1/water-accounts/{account}/tariffs"), &tariff(terms("2025-01-01", None))).await;
    office.create(&format!("/v1/sites/{site}/baselines"), &baseline("2026-02-01", 2000.0)).await;
    assert_eq!(plant.customer, items(office, "/v1/customers").await[0]["id"].as_str().unwrap());
    counter["id"].as_str().unwrap().to_owned()
}

/// By hand: 35 washes at 2 m3 each would have taken 70 m3, and took 10: 60 m3 avoided. Beside 900 m3
/// of other use both 910 and 970 m3 lie in the last block, above 800 m3, at 4.00 a m3: 240.00.
#[tokio::test]
async fn the_money_printed_is_that_of_the_last_block() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    let counter = bill_washes(&dealer, &plant).await;
    send(&dealer, &plant.meter, &[("2026-02-01T00:00:00Z", 0.0), ("2026-03-01T00:00:00Z", 10_000.0)]).await;
    send(&dealer, &counter, &[("2026-02-01T00:00:00Z", 0.0), ("2026-03-01T00:00:00Z", 35.0)]).await;
    night(&app, &dealer, "2026-03-03T03:00:00Z").await;
    let path = report(&dealer.office, "2026-02").await;
    let read = dealer.office.get(&path).await.json();
    assert_eq!(figure(&read, "fresh_avoided")["value_l"], 60_000.0, "{read}");
    assert_eq!(figure(&read, "money_saved")["value_money"], json!({ "amount": "240.00", "currency": "EUR" }), "{read}");
    assert_eq!(issue(&dealer.office, &path).await.status(), 200);
    let customer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    let shown = customer.page(&page(&path)).await;
    assert!(shown.plain().contains("240.00 EUR"), "{shown:?}");
}

/// A report of January that lacks two days, issued, and the reading that came late.
async fn issued_late(app: &TestApp, dealer: &Dealer) -> (Client, String, String) {
    let plant = Plant::new(dealer, "UTC", json!({})).await;
    send(dealer, &plant.meter, &[("2026-01-01T00:00:00Z", 0.0), ("2026-01-30T00:00:00Z", 29_000.0)]).await;
    night(app, dealer, "2026-02-02T03:00:00Z").await;
    let customer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    (customer, report(&dealer.office, "2026-01").await, plant.meter)
}

#[track_caller]
fn went_back(answer: &Answer, page: &str) {
    assert_eq!((answer.status(), answer.header("location")), (303, page), "{answer:?}");
}

#[tokio::test]
async fn forms_do_what_the_routes_do() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (customer, path, meter) = issued_late(&app, &dealer).await;
    let (office, page) = (&dealer.office, page(&path));
    assert!(office.page(&page).await.text().contains("Issue this report"));
    assert!(!customer.page(&page).await.shown().contains("Issue this report"));
    let issued = office.form(&format!("{page}/issue"), None, "at=1&reason=").await;
    went_back(&issued, &page);
    assert_eq!(office.get(&path).await.json()["state"], "issued");
    let again = office.form(&format!("{page}/issue"), None, "at=1&reason=").await;
    assert_eq!(again.status(), 412, "a form of an old page: {again:?}");

    let asked = customer.form(&format!("{page}/questions"), None, "figure=fresh_used&words=Why+%3Cb%3E%3F").await;
    went_back(&asked, &page);
    let question = id(&items(office, &format!("{path}/questions")).await[0]);
    let shown = office.page(&page).await;
    assert!(shown.text().contains("Why &#60;b&#62;?"), "{shown:?}");
    let answered = office.form(&format!("{page}/questions/{question}/answer"), None, "words=A+refill.").await;
    went_back(&answered, &page);
    assert!(customer.page(&page).await.text().contains("A refill."));

    send(&dealer, &meter, &[("2026-02-03T00:00:00Z", 33_480.0)]).await;
    night(&app, &dealer, "2026-02-04T03:00:00Z").await;
    let shown = office.page(&page).await.plain();
    assert!(shown.contains("Fresh water used: was 29") && shown.contains("(+2.240 m³)"), "{shown}");
    let proposal = office.get(&format!("{path}/proposal")).await.json()["version"].clone();
    let declined = office.form(&format!("{page}/decline"), None, &format!("at={proposal}&reason=Let+it+be")).await;
    went_back(&declined, &page);
    let shown = customer.page(&page).await;
    assert!(!shown.shown().contains("2.240") && !shown.text().contains("Let it be"), "{shown:?}");
    let february = self::page(&report(office, "2026-02").await);
    assert!(customer.page(&february).await.plain().contains("January 2026: +2.240 m³ fresh water used"));
    went_back(&office.form(&format!("{page}/proposal"), None, "reason=An+error").await, &page);
    let proposal = office.get(&format!("{path}/proposal")).await.json()["version"].clone();
    went_back(&office.form(&format!("{page}/revise"), None, &format!("at={proposal}&reason=Read+late")).await, &page);
    let shown = customer.page(&page).await.plain();
    assert!(shown.contains("Read late") && shown.contains("Revision 2"), "{shown}");
    let old = customer.page(&format!("{page}?revision=2")).await.plain();
    assert!(old.contains("was superseded"), "{old}");
}

#[tokio::test]
async fn a_form_from_elsewhere_does_nothing() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (customer, path, _) = issued_late(&app, &dealer).await;
    let office = &dealer.office;
    let issue = format!("{}/issue", page(&path));
    let foreign = office.form(&issue, Some("https://evil.example"), "at=1&reason=").await;
    assert_eq!(foreign.status(), 403, "{foreign:?}");
    let post = |fields: [(&'static str, &'static str); 2]| {
        let body = office.browser(reqwest::Method::POST, &issue).body("at=1&reason=");
        let typed = body.header("content-type", "application/x-www-form-urlencoded");
        fields.iter().fold(typed, |request, (name, value)| request.header(*name, *value))
    };
    for fields in [[("x-a", "1"), ("x-b", "1")], [("sec-fetch-site", "cross-site"), ("x-b", "1")]] {
        assert_eq!(office.send(post(fields)).await.status(), 403, "{fields:?}");
    }
    // The cookie opens no route, and a role lacks what it lacks.
    let route =
        office.browser(reqwest::Method::POST, &format!("{path}/issue")).header("if-match", "\"1\"").json(&json!({}));
    assert_eq!(office.send(route).await.status(), 401);
    assert_eq!(customer.form(&issue, None, "at=1&reason=").await.status(), 403);
    let nobody = app.anyone().form(&issue, None, "at=1&reason=").await;
    assert!(nobody.status() == 303 && nobody.header("location").starts_with("/sign-in"), "{nobody:?}");
    assert_eq!(office.get(&path).await.json()["state"], json!("live"));
    let same = office.send(post([("sec-fetch-site", "same-origin"), ("x-b", "1")])).await;
    assert_eq!(same.status(), 303, "{same:?}");
    let found: Value = office.get(&path).await.json();
    assert_eq!(found["state"], "issued");
}
