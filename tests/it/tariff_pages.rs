//! Tariffs typed in on a page as suppliers print them, read there, and followed by a next version.

use crate::support::{Client, Dealer, TestApp, id};
use serde_json::{Value, json};
use uuid::Uuid;

/// A site's account that is charged from 2026 on, by its form with these fields besides: the path of its page.
pub(crate) async fn account_page(office: &Client, site: &str, more: &[(&str, &str)]) -> String {
    let account = [
        ("name", "Main meter"),
        ("supplier", "City Waterworks"),
        ("cycle_months", "1"),
        ("cycle_anchor", "2026-01-01"),
        ("charged_from", "2026-01-01"),
    ];
    let fields = [&account[..], more].concat();
    let added = office.send_form(&format!("/settings/accounts?site={site}"), &fields).await;
    let path = added.header("location").to_owned();
    assert!(path.starts_with("/settings/accounts/"), "{added:?}");
    path
}

/// A site's account with what its sewage carries.
async fn account(dealer: &Dealer) -> (Uuid, String) {
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
    let strengths = [("strengths", "bod 300\n tss: 250,5 ")];
    (site, account_page(&dealer.office, &site.to_string(), &strengths).await)
}

/// Rising blocks, sewer by the winter, what it carries, a surcharge and two taxes.
const FULL: [(&str, &str); 32] = [
    ("name", "Rates 2026"),
    ("currency", "EUR"),
    ("from", "2026-01-01"),
    ("unit", "m3"),
    ("per", "month"),
    ("water_fixed", "41.16"),
    ("water_allowance", "2"),
    ("water_to", "100"),
    ("water_price", "1.10"),
    ("water_to_2", "400"),
    ("water_price_2", "1,85"),
    ("water_price_3", "2.50"),
    ("sewer_price", "2.20"),
    ("sewer_volume", "winter_average"),
    ("winter_months", "12, 1, 2"),
    ("winter_lower", "yes"),
    ("sewer_cap", "600"),
    ("strength_words", "Organic load"),
    ("strength_pollutant", "bod"),
    ("strength_threshold", "250"),
    ("strength_price", "0.80"),
    ("strength_per", "kg"),
    ("surcharge_words", "Drought"),
    ("surcharge_percent", "12.5"),
    ("surcharge_of", "water"),
    ("tax", "10"),
    ("tax_words_2", "City tax"),
    ("tax_2", "3"),
    ("tax_of_2", "sewer"),
    ("minimum_bill", "60"),
    ("haulage_price", "180"),
    ("haulage_per", "load"),
];

#[tokio::test]
async fn a_tariff_with_blocks_sewer_and_surcharges_is_typed_in_read_and_followed() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, path) = account(&dealer).await;
    let api = path.replace("/settings/accounts/", "/v1/water-accounts/");
    let stored = dealer.office.get(&api).await.json();
    assert_eq!(stored["strengths_mg_per_l"], json!({ "bod": "300", "tss": "250.5" }));
    let added = dealer.office.send_form(&format!("{path}/tariffs"), &FULL).await;
    assert_eq!(added.header("location"), path, "{added:?}");
    let tariffs = dealer.office.get(&format!("{api}/tariffs")).await.json();
    let terms = &tariffs["items"][0]["terms"];
    assert_eq!(
        terms["water"]["blocks"],
        json!([{ "up_to": "100", "price": "1.10" }, { "up_to": "400", "price": "1.85" }, { "up_to": null, "price": "2.50" }])
    );
    assert_eq!((&terms["water"]["allowance"], &terms["sewer"]["cap"]), (&json!("2"), &json!("600")));
    let winter = json!({ "winter_average": { "months": [12, 1, 2], "lower_of_actual": true } });
    assert_eq!(terms["sewer"]["volume"], winter);
    assert_eq!(terms["sewer"]["strength"][0]["pollutant"], "bod");
    assert_eq!(terms["surcharges"][0]["of"], json!(["water_base", "water_use"]));
    let all = json!(["water_base", "water_use", "sewer_use", "strength_1", "surcharge_1"]);
    assert_eq!((&terms["taxes"][0]["of"], &terms["taxes"][1]["of"]), (&all, &json!(["sewer_use", "strength_1"])));

    let version = format!("{path}/tariffs/{}", id(&tariffs["items"][0]));
    assert!(dealer.office.page(&path).await.text().contains(&version));
    let page = dealer.office.page(&version).await;
    for line in [
        "Water up to 100 m³ a month",
        "Water from 100 to 400 m³ a month",
        "Water above 400 m³ a month",
        "2.50 EUR",
        "the average of last winter, months 12, 1, 2, or the water used where that is less",
        "Organic load: bod above 250 mg/L",
        "of Base charge for water, water by volume",
        "Having water hauled away",
    ] {
        assert!(page.plain().contains(line), "{line}: {page:?}");
    }
    assert_eq!(app.dealer("Elsewhere").await.office.page(&version).await.status(), 404);

    // The next version begins with the prices of this one, and ends it.
    let form = dealer.office.page(&format!("{path}/tariffs/new")).await;
    for field in
        ["name=\"water_price_2\" inputmode=\"decimal\" autocomplete=\"off\" value=\"1.85\"", "value=\"12, 1, 2\""]
    {
        assert!(form.text().contains(field), "{field}: {form:?}");
    }
    let next = FULL.map(|(name, value)| match name {
        "from" => (name, "2026-07-01"),
        "water_price" => (name, "1.20"),
        _ => (name, value),
    });
    let next = [&next[..], &[("end_previous", "yes")]].concat();
    assert_eq!(dealer.office.send_form(&format!("{path}/tariffs"), &next).await.header("location"), path);
    let tariffs = dealer.office.get(&format!("{api}/tariffs")).await.json();
    let days = |n: usize| (tariffs["items"][n]["terms"]["from"].clone(), tariffs["items"][n]["terms"]["to"].clone());
    assert_eq!(days(0), (json!("2026-01-01"), json!("2026-07-01")));
    assert_eq!(days(1), (json!("2026-07-01"), json!(null)));
    let page = dealer.office.page(&version).await.plain();
    assert!(page.contains("from 1 Jan 2026 to 30 Jun 2026"), "the last day on which it holds: {page}");
}

#[tokio::test]
async fn what_is_wrong_with_a_tariff_is_said_of_the_field() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, path) = account(&dealer).await;
    let refused = async |name: &'static str, value: &'static str, at: &str| {
        let mut typed: Vec<(&str, &str)> = FULL.into_iter().filter(|(known, _)| *known != name).collect();
        typed.push((name, value));
        let answer = dealer.office.send_form(&format!("{path}/tariffs"), &typed).await;
        let leads = format!("href=\"#f-{at}\"");
        assert!(answer.status() == 422 && answer.text().contains(&leads), "{name} {value}: {answer:?}");
        assert!(answer.text().contains("value=\"41.16\""), "what was typed stays");
    };
    refused("water_to_2", "90", "water_to_2").await;
    refused("water_price_2", "", "water_price_2").await;
    refused("water_to_3", "900", "water_to_3").await;
    refused("winter_months", "December", "winter_months").await;
    refused("winter_months", "13", "winter_months").await;
    refused("surcharge_amount", "4", "surcharge_percent").await;
    refused("sewer_price", "", "sewer_price").await;
    refused("strength_price", "", "strength_price").await;
    refused("surcharge_percent", "", "surcharge_amount").await;
    refused("tax_2", "", "tax_2").await;
    refused("tax_2", "-3", "tax_2").await;
    refused("currency", "euro", "currency").await;
    let api = path.replace("/settings/accounts/", "/v1/water-accounts/");
    assert_eq!(dealer.office.get(&format!("{api}/tariffs")).await.json()["items"], json!([]));
}

#[tokio::test]
async fn a_tariff_that_a_form_cannot_hold_is_read_and_not_begun_with() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (site, path) = account(&dealer).await;
    let api = path.replace("/settings/accounts/", "/v1/water-accounts/");
    let fixed = |code: &str, price: Value| json!({ "code": code, "words": code, "price": price });
    let terms = |fixed: Value| {
        json!({ "name": "City", "currency": "EUR", "terms": { "from": "2026-01-01", "unit": "kgal", "per": "cycle",
            "water": { "fixed": fixed, "blocks": [{ "price": "4" }] } } })
    };
    let two = terms(json!([fixed("base", json!("1")), fixed("fire", json!({ "1 in": "2", "2 in": "3" }))]));
    let version = dealer.office.create(&format!("{api}/tariffs"), &two).await;
    let page = dealer.office.page(&format!("{path}/tariffs/{}", id(&version))).await.plain();
    assert!(page.contains("fire, meter of 2 in") && page.contains("a billing cycle"), "{page}");
    let form = dealer.office.page(&format!("{path}/tariffs/new")).await;
    assert!(form.text().contains("more lines than this form") && !form.text().contains("value=\"4\""), "{form:?}");

    // Of prices by the size of the meter the account's own is begun with.
    let sized = [
        ("name", "Small"),
        ("supplier", "City Waterworks"),
        ("cycle_months", "1"),
        ("cycle_anchor", "2026-01-01"),
        ("meter_size", "2 in"),
    ];
    let added = dealer.office.send_form(&format!("/settings/accounts?site={site}"), &sized).await;
    let path = added.header("location").to_owned();
    let api = path.replace("/settings/accounts/", "/v1/water-accounts/");
    let by_size = terms(json!([fixed("base", json!({ "1 in": "2", "2 in": "37" }))]));
    dealer.office.create(&format!("{api}/tariffs"), &by_size).await;
    let form = dealer.office.page(&format!("{path}/tariffs/new")).await;
    assert!(form.text().contains("value=\"37\"") && form.text().contains("prices of the version before"), "{form:?}");

    // What the sewage carries is changed as a whole.
    let changed = [&sized[..], &[("revision", "1"), ("strengths", "tss 90")]].concat();
    assert_eq!(dealer.office.send_form(&path, &changed).await.header("location"), path);
    let wrong = [&sized[..], &[("revision", "2"), ("strengths", "much")]].concat();
    let wrong = dealer.office.send_form(&path, &wrong).await;
    assert!(wrong.status() == 422 && wrong.text().contains("href=\"#f-strengths\""), "{wrong:?}");
    let changed = [&sized[..], &[("revision", "2"), ("strengths", "bod 10")]].concat();
    assert_eq!(dealer.office.send_form(&path, &changed).await.header("location"), path);
    assert_eq!(dealer.office.get(&api).await.json()["strengths_mg_per_l"], json!({ "bod": "10" }));
}
