//! Bills of a water account on its page: typed in, held against the tariff, withdrawn.

use crate::support::{Client, TestApp, id};
use crate::tariff_pages::account_page;
use serde_json::{Value, json};

/// An account with a tariff of 2 for water and 3 for sewer of nine tenths of it, 10 a month, and a tenth
/// of tax: the path of its page.
async fn account(office: &Client, site: &str) -> String {
    let path = account_page(office, site, &[]).await;
    let tariff = [
        ("name", "Rates 2026"),
        ("currency", "EUR"),
        ("from", "2026-01-01"),
        ("unit", "m3"),
        ("per", "month"),
        ("water_price", "2"),
        ("water_fixed", "10"),
        ("sewer_price", "3"),
        ("return_factor", "0.9"),
        ("tax", "10"),
    ];
    assert_eq!(office.send_form(&format!("{path}/tariffs"), &tariff).await.status(), 303);
    path
}

/// Of 100 m3 the tariff asks (200 + 10 + 270) x 1.1; of 120 it asks (240 + 10 + 324) x 1.1 = 631.40.
#[tokio::test]
async fn bills_are_typed_in_and_held_against_the_tariff() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await.to_string();
    let path = account(&dealer.office, &site).await;
    let bills = format!("{path}/bills");
    let january = [
        ("key", "k-1"),
        ("from", "2026-01-01"),
        ("to", "2026-02-01"),
        ("amount", "528,00"),
        ("currency", "EUR"),
        ("metered", "100"),
        ("unit", "m3"),
    ];
    let first = dealer.office.send_form(&bills, &january).await;
    assert_eq!(first.status(), 303, "{first:?}");
    let again = dealer.office.send_form(&bills, &january).await;
    assert_eq!(again.header("location"), first.header("location"), "sent twice, kept once");
    let page = dealer.office.page(first.header("location")).await;
    assert!(
        page.plain().contains("The tariff asks 528.00 EUR for the water on it, and so much was billed."),
        "{page:?}"
    );
    assert!(page.text().contains("no bill of the days before is known"), "{page:?}");

    // The next begins where this ends. A charge that the tariff does not know is told apart.
    assert!(dealer.office.page(&format!("{bills}/new")).await.text().contains("value=\"2026-02-01\""));
    let february = [
        ("from", "2026-02-01"),
        ("to", "2026-03-01"),
        ("amount", "646.40"),
        ("currency", "EUR"),
        ("metered", "120"),
        ("unit", "m3"),
        ("lines", "base charge for water 10\r\nMeter fee 15"),
    ];
    let second = dealer.office.send_form(&bills, &february).await;
    assert_eq!(second.status(), 303, "{second:?}");
    let page = dealer.office.page(&path).await;
    for words in
        ["528.00 EUR", "646.40 EUR", "The tariff asks 631.40 EUR", "15.00 EUR more was billed", "does not know"]
    {
        assert!(page.plain().contains(words), "{words} in {page:?}");
    }
    let stored = dealer.office.get(&path.replace("/settings/accounts", "/v1/water-accounts")).await.json();
    let stored = dealer.office.get(&format!("/v1/water-accounts/{}/bills", id(&stored))).await.json();
    let lines = &stored["items"][1]["lines"];
    assert_eq!((&lines[0]["code"], &lines[1]["code"]), (&json!("water_base"), &Value::Null), "{stored}");

    let wrong = [("reason", "typed twice")];
    let withdrawn = dealer.office.send_form(&format!("{}/withdraw", second.header("location")), &wrong).await;
    assert_eq!(withdrawn.header("location"), path, "{withdrawn:?}");
    assert!(dealer.office.page(second.header("location")).await.text().contains("counts no more: typed twice"));
    assert!(dealer.office.page(&path).await.plain().contains("The tariff asks 528.00 EUR"), "the latest that counts");
}

/// The fields of a bill from the beginning of 2026.
fn bill<'a>(to: &'a str, lines: &'a str) -> [(&'static str, &'a str); 6] {
    [("from", "2026-01-01"), ("to", to), ("amount", "528"), ("currency", "EUR"), ("unit", "m3"), ("lines", lines)]
}

#[tokio::test]
async fn what_a_bill_lacks_is_said_beside_its_field() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await.to_string();
    let path = account(&dealer.office, &site).await;
    let bills = format!("{path}/bills");
    let long = "A line of a bill that is called more than anything on paper is called, ".repeat(8);
    let long = format!("{long} 5");
    for (lines, to, at) in [
        ("", "2026-01-01", "to"),
        ("Meter fee", "2026-02-01", "lines"),
        ("Volume charge 1 234.50", "2026-02-01", "lines"),
        (long.as_str(), "2026-02-01", "lines"),
    ] {
        let refused = dealer.office.send_form(&bills, &bill(to, lines)).await;
        let leads = format!("href=\"#f-{at}\"");
        assert!(refused.status() == 422 && refused.text().contains(&leads), "{refused:?}");
    }
    let metered = [&bill("2026-02-01", "")[..], &[("metered", "-5")]].concat();
    let refused = dealer.office.send_form(&bills, &metered).await;
    assert!(refused.status() == 422 && refused.text().contains("href=\"#f-metered\""), "{refused:?}");
    let kept = dealer.office.send_form(&bills, &bill("2026-02-01", "")).await;
    let page = dealer.office.page(kept.header("location")).await;
    assert!(page.text().contains("the volume on it was not typed in"), "{page:?}");
    let overlapping = dealer.office.send_form(&bills, &bill("2026-01-15", "")).await;
    assert_eq!(overlapping.status(), 409, "{overlapping:?}");
    assert_eq!(dealer.technician.page(&format!("{bills}/new")).await.status(), 403);
    let other = app.dealer("Elsewhere").await;
    assert_eq!(other.office.page(kept.header("location")).await.status(), 404);
}
