//! Agreements and warranties on pages: added, read with what was used of them, changed.

use crate::call_outs::{CALLS, Customer};
use crate::conventions::items;
use crate::support::{Client, TestApp, id};
use crate::work_pages;
use chrono::{Duration, Utc};
use serde_json::{Value, json};

const AGREEMENTS: &str = "/v1/agreements";

/// What is typed of an agreement for service.
const FIELDS: [(&str, &str); 18] = [
    ("price_for", "fee"),
    ("site_id", ""),
    ("from", "2026-03-01"),
    ("to", "2027-03-01"),
    ("months", "12"),
    ("notice_days", "90"),
    ("currency", "EUR"),
    ("prices", "2026-03-01 120,00\n\n2026-09-01 130"),
    ("month", "2"),
    ("percent", "2,5"),
    ("visits_a_year", "4"),
    ("call_outs_a_year", ""),
    ("consumables", "Coagulant 18 % 40 l"),
    ("season_months-4", "yes"),
    ("within_h", "4,5"),
    ("weekdays-monday", "yes"),
    ("opens", "08:00"),
    ("closes", "16:30"),
];

#[tokio::test]
async fn an_agreement_is_added_and_changed_on_its_pages() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Quarry Trucks").await;
    let (own, form) = (format!("/customers/{customer}"), format!("/customers/{customer}/agreements"));
    let page = dealer.office.page(&own).await;
    assert!(page.text().contains(&format!("{form}/new")), "{page:?}");
    let empty = dealer.office.page(&format!("{form}/new")).await;
    assert!(empty.text().contains("name=\"currency\"") && empty.text().contains("value=\"EUR\""), "{empty:?}");
    let with = |changes: &[(&'static str, &'static str)]| -> Vec<(&'static str, &'static str)> {
        let unchanged = FIELDS.into_iter().filter(|(name, _)| !changes.iter().any(|(other, _)| other == name));
        unchanged.chain(changes.iter().copied()).collect()
    };
    for (name, value, words) in [
        ("prices", "a lot", "write the first day and the price"),
        ("closes", "07:00", "give a time after the office opens"),
        ("consumables", "Coagulant 40 drums", "units are kg, l, piece and m"),
        ("to", "2026-03-01", "give a day after the first"),
    ] {
        let wrong = dealer.office.send_form(&form, &with(&[(name, value)])).await;
        assert!(wrong.status() == 422 && wrong.text().contains(words), "{words}: {wrong:?}");
        assert!(wrong.text().contains("Coagulant"), "what was typed stays: {wrong:?}");
    }
    assert_eq!(items(&dealer.office, AGREEMENTS).await, [Value::Null; 0], "nothing half-done");
    for _ in 0..2 {
        let added = dealer.office.send_form(&form, &with(&[("key", "k-1")])).await;
        assert_eq!((added.status(), added.header("location")), (303, own.as_str()), "{added:?}");
    }
    let kept = items(&dealer.office, AGREEMENTS).await;
    assert_eq!(kept.len(), 1, "sent twice, kept once");
    let kept = &kept[0];
    let prices = json!([{ "from": "2026-03-01", "per_month": "120.00" }, { "from": "2026-09-01", "per_month": "130" }]);
    let office = json!({ "weekdays": ["monday"], "opens": "08:00:00", "closes": "16:30:00" });
    assert_eq!(kept["prices"], prices);
    assert_eq!(kept["response"], json!({ "within_min": 270, "office": office, "holidays": [] }));
    assert_eq!(kept["consumables"], json!([{ "what": "Coagulant 18 %", "quantity": "40", "unit": "l" }]));
    assert_eq!((&kept["season_months"], &kept["call_outs_a_year"]), (&json!([4]), &Value::Null));
    assert_eq!(kept["renewal"], json!({ "months": 12, "notice_days": 90 }));
    assert_eq!(kept["rise"], json!({ "month": 2, "percent": "2.5" }));

    let change = format!("/agreements/{}", id(kept));
    let page = dealer.office.page(&own).await;
    assert!(page.text().contains(&format!("href=\"{change}\"")), "{page:?}");
    let longer = with(&[("revision", "1"), ("notice_on", "2026-06-01"), ("closes", "17:00")]);
    assert_eq!(dealer.office.send_form(&change, &longer).await.header("location"), own);
    assert_eq!(dealer.office.send_form(&change, &longer).await.status(), 412, "somebody was faster");
    let changed = dealer.office.get(&format!("{AGREEMENTS}/{}", id(kept))).await.json();
    assert_eq!((&changed["notice_on"], &changed["prices"]), (&json!("2026-06-01"), &prices));
    assert_eq!(changed["response"]["office"]["closes"], "17:00:00");
    for who in [&dealer.technician, &dealer.customer_viewer(customer).await] {
        assert_eq!((who.page(&change).await.status(), who.page(&format!("{form}/new")).await.status()), (403, 403));
        assert_eq!(who.send_form(&change, &longer).await.status(), 403);
    }
    let foreign = app.dealer("Elsewhere").await.office;
    assert_eq!((foreign.page(&change).await.status(), foreign.send_form(&form, &FIELDS).await.status()), (404, 404));
}

#[tokio::test]
async fn what_was_used_of_an_agreement_is_said_on_its_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let now = (Utc::now() - Duration::minutes(1)).to_rfc3339();
    let mut visit = crate::service_events::event(bay.unit, &now, "visit", &json!({}));
    visit["lines"] = json!([{ "kind": "consumable", "what": "coagulant", "quantity": "12.5", "unit": "l" }]);
    dealer.technician.create(crate::service_events::EVENTS, &visit).await;
    let stopped = json!({ "unit_id": bay.unit, "called_at": now, "symptom": "x", "bay": "stopped" });
    dealer.office.create(CALLS, &stopped).await;
    let held = items(&dealer.office, AGREEMENTS).await.remove(0);
    let page = dealer.office.page(&format!("/agreements/{}", id(&held))).await.plain();
    for words in ["Agreement with Harbour Haulage", "visits 1 of 4; call-outs 1 of 2; Coagulant 12.5 of 40 L."] {
        assert!(page.contains(words), "{words}: {page}");
    }
    // Kept as it is shown, it stays as it is.
    assert!(
        page.contains("Coagulant 40 l") && page.contains("2026-01-01 120.00") && page.contains("2026-05-01"),
        "{page}"
    );
}

/// A credit stays in the currency in which it came.
async fn credit_abroad(office: &Client, change: &str, claimed: &[(&str, &str)]) {
    let abroad = json!({ "claims": [{ "part": "Blower", "credited_on": "2026-07-01",
        "credit": { "amount": "200.00", "currency": "USD" } }] });
    let api = format!("/v1{change}");
    assert_eq!(office.patch(&api, "\"2\"", &abroad).await.status(), 200);
    assert!(office.page(change).await.text().contains("in USD"));
    let again = work_pages::with(claimed, &[("revision", "3")]);
    assert_eq!(office.send_form(change, &again).await.status(), 303);
    let credit = office.get(&api).await.json()["claims"][0]["credit"].take();
    assert_eq!(credit, json!({ "amount": "180.00", "currency": "USD" }));
}

#[tokio::test]
async fn a_warranty_is_added_and_a_claim_noted_on_its_pages() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let pump = dealer.pump(bay.unit).await.to_string();
    let (own, form) = (format!("/units/{}", bay.unit), format!("/units/{}/covers", bay.unit));
    assert!(dealer.office.page(&own).await.text().contains(&format!("{form}/new")));
    assert!(dealer.office.page(&format!("{form}/new")).await.text().contains("name=\"labour-months\""));
    let fields = [
        ("key", "k-1"),
        ("revision", "1"),
        ("given_by", "supplier"),
        ("component_id", pump.as_str()),
        ("parts-from", "2026-01-01"),
        ("parts-to", "2028-01-01"),
        ("labour-months", "12"),
        ("long_stop", "2026-03-01"),
        ("exclusions", "Frost\n\nWrong <chemicals>"),
    ];
    for (change, field) in [
        (("parts-to", "2025-01-01"), "parts-to"),
        (("parts-to", ""), "parts-from"),
        (("labour-months", "0"), "labour-months"),
        (("given_by", "nobody"), "given_by"),
    ] {
        let wrong = dealer.office.send_form(&form, &work_pages::with(&fields, &[change])).await;
        assert!(wrong.status() == 422 && wrong.text().contains(&format!("href=\"#f-{field}\"")), "{field}: {wrong:?}");
        assert!(wrong.text().contains("Wrong &#60;chemicals&#62;"), "what was typed stays: {wrong:?}");
    }
    assert_eq!(items(&dealer.office, "/v1/covers").await, [Value::Null; 0], "nothing half-done");
    for _ in 0..2 {
        let added = dealer.office.send_form(&form, &fields).await;
        assert_eq!((added.status(), added.header("location")), (303, own.as_str()), "{added:?}");
    }
    let kept = items(&dealer.office, "/v1/covers").await;
    assert_eq!((kept.len(), &kept[0]["component_id"]), (1, &json!(pump)), "sent twice, kept once");
    assert_eq!(kept[0]["parts"], json!({ "from": "2026-01-01", "to": "2028-01-01" }));
    assert_eq!((&kept[0]["labour"], &kept[0]["travel"]), (&json!({ "months": 12 }), &Value::Null));
    assert_eq!(kept[0]["exclusions"], json!(["Frost", "Wrong <chemicals>"]));

    let change = format!("/covers/{}", id(&kept[0]));
    assert!(dealer.office.page(&own).await.text().contains(&format!("href=\"{change}\"")));
    let shown = dealer.office.page(&change).await;
    assert!(
        shown.text().contains("name=\"claim-1-part\"") && shown.text().contains("value=\"2028-01-01\""),
        "{shown:?}"
    );
    let claim = [("claim-1-part", "Blower"), ("claim-1-number", "RMA-7"), ("claim-1-credited_on", "2026-07-01")];
    let claimed = work_pages::with(&fields, &[&claim[..], &[("claim-1-amount", "180,00")]].concat());
    let bare = dealer.office.send_form(&change, &work_pages::with(&claimed, &[("claim-1-part", "")])).await;
    assert!(bare.status() == 422 && bare.text().contains("href=\"#f-claim-1-part\""), "{bare:?}");
    assert_eq!(dealer.office.send_form(&change, &claimed).await.header("location"), own);
    assert_eq!(dealer.office.send_form(&change, &claimed).await.status(), 412, "somebody was faster");
    let page = dealer.office.page(&own).await.plain();
    assert!(page.contains("Claimed: Blower, number RMA-7, 180.00 EUR credited 1 Jul 2026."), "{page}");
    assert!(dealer.office.page(&change).await.text().contains("name=\"claim-2-part\""));
    credit_abroad(&dealer.office, &change, &claimed).await;
    for who in [&dealer.technician, &dealer.customer_viewer(bay.customer).await] {
        assert_eq!((who.page(&change).await.status(), who.send_form(&form, &fields).await.status()), (403, 403));
    }
    assert_eq!(app.dealer("Elsewhere").await.office.page(&change).await.status(), 404);
}
