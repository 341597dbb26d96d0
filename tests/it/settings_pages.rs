//! The pages of settings: programs and their secrets, webhooks, water accounts with what suppliers charge,
//! prices; and the changes of a unit's place and state.

use crate::api_clients::Program;
use crate::support::{Answer, TestApp, id};
use serde_json::json;

/// What a page shows once.
#[track_caller]
fn secret(page: &Answer) -> String {
    let shown = page.text().split_once("Secret: <span class=\"link\">").unwrap_or_else(|| panic!("{page:?}")).1;
    shown.split('<').next().unwrap().to_owned()
}

#[tokio::test]
async fn a_program_gets_its_secret_on_a_page_and_signs_in() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    assert_eq!(dealer.office.page("/settings/programs").await.status(), 403, "the owner's");
    let nothing = dealer.owner.send_form("/settings/programs", &[("name", "Dashboards")]).await;
    assert!(nothing.status() == 422 && nothing.text().contains("give at least one"), "{nothing:?}");
    let added =
        dealer.owner.send_form("/settings/programs", &[("name", "Dashboards"), ("scopes-read-sites", "yes")]).await;
    assert_eq!(added.header("location"), "/settings/programs", "{added:?}");
    let programs = dealer.owner.get("/v1/api-clients").await.json();
    let client = &programs["items"][0];
    assert_eq!(client["scopes"], json!(["read-sites"]));
    let client_id = id(client).to_string();
    let secret = secret(&dealer.owner.send_form(&format!("/settings/programs/{client_id}/secret"), &[]).await);
    let program = Program { id: client_id.clone(), secret }.client(app.anyone()).await;
    assert_eq!(program.get("/v1/sites").await.status(), 200);
    let end = format!("/settings/programs/{client_id}/end");
    assert_eq!(dealer.owner.send_form(&end, &[("revision", "1")]).await.status(), 303);
    assert_eq!(program.get("/v1/sites").await.status(), 401);
}

#[tokio::test]
async fn a_webhook_is_added_changed_tried_and_retired_on_its_pages() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let fields = [("url", "http://127.0.0.1:9/hook"), ("events-call_out.opened", "yes")];
    let wrong = dealer.office.send_form("/settings/webhooks", &fields[1..]).await;
    assert!(wrong.status() == 422 && wrong.text().contains("href=\"#f-url\""), "{wrong:?}");
    let added = dealer.office.send_form("/settings/webhooks", &fields).await;
    assert!(secret(&added).starts_with("whsec_"), "{added:?}");
    let endpoints = dealer.office.get("/v1/webhook-endpoints").await.json();
    let path = format!("/settings/webhooks/{}", id(&endpoints["items"][0]));
    assert!(dealer.office.page(&path).await.text().contains("127.0.0.1:9/hook"));
    assert_eq!(dealer.office.send_form(&format!("{path}/test"), &[]).await.status(), 303);
    assert_eq!(dealer.office.page(&format!("{path}/sent")).await.status(), 200);
    let paused = [&fields[..], &[("paused", "yes"), ("revision", "1")]].concat();
    assert_eq!(dealer.office.send_form(&path, &paused).await.header("location"), "/settings/webhooks");
    assert!(dealer.office.page("/settings/webhooks").await.text().contains("Nothing is sent: it was paused by hand"));
    assert_ne!(secret(&dealer.office.send_form(&format!("{path}/secret"), &[]).await), secret(&added));
    assert_eq!(dealer.office.send_form(&format!("{path}/no-deed"), &[]).await.status(), 404);
    let stale = dealer.office.send_form(&format!("{path}/retire"), &[("revision", "1")]).await;
    assert_eq!(stale.status(), 412, "{stale:?}");
    assert_eq!(dealer.office.send_form(&format!("{path}/retire"), &[("revision", "2")]).await.status(), 303);
    assert_eq!(dealer.office.get("/v1/webhook-endpoints").await.json()["items"], json!([]));
}

#[tokio::test]
async fn what_a_supplier_charges_is_typed_in_and_bills_by_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
    let account = [
        ("name", "Main meter"),
        ("supplier", "City Waterworks"),
        ("cycle_months", "1"),
        ("cycle_anchor", "2026-01-01"),
        ("charged_from", "2026-01-01"),
        ("other_least", "900000"),
    ];
    let added = dealer.office.send_form(&format!("/settings/accounts?site={site}"), &account).await;
    let path = added.header("location").to_owned();
    let number = path.strip_prefix("/settings/accounts/").unwrap_or_else(|| panic!("{added:?}")).to_owned();
    let stored = dealer.office.get(&format!("/v1/water-accounts/{number}")).await.json();
    assert_eq!(stored["other_use"], json!({ "least_l_per_month": 900_000.0, "most_l_per_month": null }), "{stored}");
    let edit = dealer.office.page(&format!("{path}/edit")).await;
    assert!(edit.text().contains("value=\"900000.0\"") || edit.text().contains("value=\"900000\""), "{edit:?}");
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
    let added = dealer.office.send_form(&format!("{path}/tariffs"), &tariff).await;
    assert_eq!(added.header("location"), path, "{added:?}");
    let tariffs = dealer.office.get(&format!("/v1/water-accounts/{number}/tariffs")).await.json();
    let terms = &tariffs["items"][0]["terms"];
    assert_eq!(terms["water"]["fixed"][0]["price"], "10");
    assert_eq!(terms["sewer"]["volume"]["return_factor"], "0.9");
    assert_eq!(terms["taxes"][0]["of"], json!(["water_base", "water_use", "sewer_use"]));
    assert!(dealer.office.page(&path).await.text().contains("Rates 2026, in EUR"));

    let too_much = [&account[..], &[("other_most", "5"), ("revision", "1")]].concat();
    let refused = dealer.office.send_form(&path, &too_much).await;
    assert!(refused.status() == 422 && refused.text().contains("href=\"#f-other_most\""), "{refused:?}");
    let stale = dealer.office.send_form(&format!("{path}/retire"), &[("revision", "7")]).await;
    assert_eq!(stale.status(), 412, "{stale:?}");
    for words in ["look at what stands there now", "Change Main meter", "name=\"revision\" value=\"1\""] {
        assert!(stale.text().contains(words), "the form as it is now, with the reason: {words}: {stale:?}");
    }
    let retired = dealer.office.send_form(&format!("{path}/retire"), &[("revision", "1")]).await;
    assert_eq!(retired.header("location"), "/settings/accounts", "{retired:?}");
}

#[tokio::test]
async fn prices_are_written_down_and_withdrawn() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let price = [("what", "labour"), ("amount", "52,40"), ("currency", "EUR"), ("unit", "h"), ("from", "2026-01-01")];
    assert_eq!(dealer.office.send_form("/settings/prices", &price).await.header("location"), "/settings/prices");
    let prices = dealer.office.get("/v1/prices").await.json();
    assert_eq!(prices["items"][0]["amount"], "52.40");
    let path = format!("/settings/prices/{}/withdraw", id(&prices["items"][0]));
    assert_eq!(dealer.office.send_form(&path, &[("reason", "typed wrongly")]).await.status(), 303);
    assert_eq!(dealer.office.get("/v1/prices").await.json()["items"], json!([]));
    assert_eq!(dealer.technician.page("/settings/prices").await.status(), 403);
}

#[tokio::test]
async fn a_unit_moves_and_changes_its_state_and_its_records_are_changed_and_retired() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let (north, south) = (dealer.site(customer, "North yard").await, dealer.site(customer, "South yard").await);
    let unit = dealer.unit("L-1").await;
    dealer.place(unit, north, "2026-01-01T00:00:00Z").await;
    let path = format!("/units/{unit}");
    let south = south.to_string();
    let moved = [("revision", "1"), ("from", "2026-03-01T10:00"), ("site_id", south.as_str()), ("terms", "loan")];
    assert_eq!(dealer.office.send_form(&format!("{path}/move"), &moved).await.header("location"), path);
    let placements = dealer.office.get(&format!("/v1{path}/placements")).await.json();
    let ends = [&placements["items"][0]["to"], &placements["items"][1]["from"]];
    assert_eq!(ends, [&json!("2026-03-01T09:00:00Z"); 2], "by the clock of the site: {placements}");
    let stopped = [("state", "stopped"), ("from", "2026-03-02T10:00"), ("reason", "Pump seal")];
    assert_eq!(dealer.office.send_form(&format!("{path}/state"), &stopped).await.header("location"), path);
    assert!(dealer.office.page("/").await.text().contains("stopped since"), "today says so");
    assert!(dealer.office.page(&path).await.text().contains("State: stopped"));

    let changed = [("revision", "1"), ("label", "Bay 9"), ("serial_number", "L-1"), ("working_volume_l", "")];
    assert_eq!(dealer.office.send_form(&path, &changed).await.header("location"), path);
    let stale = dealer.office.send_form(&path, &changed).await;
    assert!(stale.status() == 412 && stale.text().contains("while you had it open"), "{stale:?}");
    let stands = dealer.office.send_form(&format!("{path}/retire"), &[("revision", "2")]).await;
    assert_eq!(stands.status(), 409, "it stands somewhere: {stands:?}");
    let gone = [("revision", "1"), ("from", "2026-03-05T10:00"), ("site_id", "")];
    assert_eq!(dealer.office.send_form(&format!("{path}/move"), &gone).await.status(), 303);
    assert_eq!(dealer.office.send_form(&format!("{path}/retire"), &[("revision", "2")]).await.status(), 303);

    let site = format!("/sites/{north}");
    let fields = [("name", "North bay"), ("country", "AT"), ("time_zone", "Europe/Vienna"), ("fallback", "none")];
    let changed = [&fields[..], &[("revision", "1")]].concat();
    assert_eq!(dealer.office.send_form(&site, &changed).await.header("location"), site);
    assert!(dealer.office.page(&site).await.text().contains("North bay"));
    assert_eq!(dealer.office.send_form(&format!("{site}/retire"), &[("revision", "2")]).await.status(), 303);
    let of_customer = format!("/customers/{customer}");
    let named = [("name", "Harbour Lines"), ("fiscal_year_start", "4"), ("unit_system", "us"), ("revision", "1")];
    assert_eq!(dealer.office.send_form(&of_customer, &named).await.header("location"), of_customer);
    let stored = dealer.office.get(&format!("/v1{of_customer}")).await.json();
    assert_eq!((&stored["fiscal_year_start"], &stored["unit_system"]), (&json!(4), &json!("us")));
    assert_eq!(dealer.technician.send_form(&of_customer, &named).await.status(), 403);
}
