//! A new dealer's first hour in the pages: from an empty service to first figures, form by form.

use crate::support::{Answer, Browser, Dealer, PASSWORD, TestApp};
use chrono::{Duration, Utc};
use uuid::Uuid;

async fn signed_in(app: &TestApp, dealer: &Dealer, who: &str) -> Browser {
    let mut browser = Browser::new(app.anyone(), "203.0.113.5");
    let email = format!("{who}-{}@example.com", dealer.id);
    assert_eq!(browser.send("/sign-in", &[("email", &email), ("password", PASSWORD)]).await.status(), 303);
    browser
}

/// The id at the end of the address that a form led to.
#[track_caller]
fn led_to(answer: &Answer, under: &str) -> Uuid {
    let address = answer.header("location");
    let id = address.strip_prefix(under).unwrap_or_else(|| panic!("{address}: {answer:?}"));
    id.parse().unwrap()
}

/// The address that the page of the day leads to next.
#[track_caller]
fn next(page: &Answer) -> String {
    let step = page.text().split_once("aria-current=\"step\"").unwrap_or_else(|| panic!("{page:?}")).1;
    step.split_once("href=\"").unwrap().1.split('"').next().unwrap().to_owned()
}

/// Adds a unit of a model at a site, with a make-up dial, as the first page leads.
async fn a_unit_with_a_dial(office: &mut Browser, dealer: &Dealer, site: Uuid, model: &str) -> Uuid {
    let since = (Utc::now() - Duration::days(40)).format("%Y-%m-%dT08:00").to_string();
    let site_id = site.to_string();
    let unit = [
        ("label", "Bay 1"),
        ("serial_number", "L-1"),
        ("model_id", model),
        ("site_id", &site_id),
        ("from", &since),
        ("terms", "rented"),
        ("state", "running"),
    ];
    let unit = led_to(&office.send("/units", &unit).await, "/units/");
    let parts = dealer.office.get(&format!("/v1/components?unit_id={unit}")).await.json();
    assert_eq!(parts["items"].as_array().unwrap().len(), 1, "those of its model: {parts}");

    let to_meter = format!("/meters/new?unit={unit}");
    assert_eq!(next(&office.get("/").await), to_meter);
    assert!(office.get(&to_meter).await.text().contains(&since), "since the unit stands there");
    let of = format!("unit {unit}");
    let meter = [
        ("measures", of.as_str()),
        ("from", &since),
        ("label", "Make-up"),
        ("stream", "makeup"),
        ("unit", "l"),
        ("multiplier", "1"),
        ("digits", "6"),
        ("read_by", "technician"),
        ("read_every_h", "720"),
    ];
    let meter = led_to(&office.send(&format!("/meters?unit={unit}"), &meter).await, "/meters/");
    let number = dealer.office.get(&format!("/v1/meters/{meter}")).await.json()["number"].clone();
    assert_eq!(number, 1);
    unit
}

#[tokio::test]
async fn a_new_dealer_is_led_from_an_empty_service_to_first_figures() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let mut office = signed_in(&app, &dealer, "office").await;

    assert_eq!(next(&office.get("/").await), "/customers/new");
    assert!(office.get("/customers").await.text().contains("Begin with the first"));
    let wrong = office.send("/customers", &[("key", "a"), ("name", ""), ("fiscal_year_start", "1")]).await;
    assert!(wrong.status() == 422 && wrong.text().contains("href=\"#f-name\""), "{wrong:?}");
    let named = [("key", "b"), ("name", "Harbour Haulage"), ("fiscal_year_start", "1")];
    let customer = led_to(&office.send("/customers", &named).await, "/customers/");
    assert_eq!(led_to(&office.send("/customers", &named).await, "/customers/"), customer, "sent again");

    let to_site = format!("/sites/new?customer={customer}");
    assert_eq!(next(&office.get("/").await), to_site);
    let form = office.get(&to_site).await;
    assert!(form.text().contains("value=\"Europe/Vienna\""), "the dealer's own clock: {form:?}");
    let site = [("name", "North yard"), ("country", "AT"), ("time_zone", "Europe/Vienna"), ("fallback", "town_water")];
    let site = led_to(&office.send(&format!("/sites?customer={customer}"), &site).await, "/sites/");

    assert_eq!(next(&office.get("/").await), "/unit-models/new");
    let model = [
        ("name", "Loop 2000"),
        ("rated_flow_l_per_h", "2,000"),
        ("working_volume_l", "3500"),
        ("float_band_l", "300"),
        ("parts-ph_probe", "yes"),
        ("routines-0", "yes"),
    ];
    let asked = office.send("/unit-models", &model).await;
    assert!(asked.text().contains("may be 2000 or 2: type one of the two"), "{asked:?}");
    let model = model.map(|(name, value)| (name, if value == "2,000" { "2000" } else { value }));
    assert_eq!(office.send("/unit-models", &model).await.header("location"), "/unit-models");
    let models = dealer.office.get("/v1/unit-models").await.json();
    let template = &models["items"][0];
    assert_eq!(template["components"][0]["kind"], "ph_probe");
    assert_eq!(template["routines"][0]["name"], "Check the probes against buffers");

    let to_unit = format!("/units/new?site={site}");
    assert_eq!(next(&office.get("/").await), to_unit);
    let unit = a_unit_with_a_dial(&mut office, &dealer, site, template["id"].as_str().unwrap()).await;
    let number = dealer.office.get("/v1/meters").await.json()["items"][0]["number"].to_string();
    let readings = format!("/sites/{site}/readings");
    let field = format!("register-{number}");
    assert_eq!(next(&office.get("/").await), readings);
    let at = |days: i64| (Utc::now() - Duration::days(days)).format("%Y-%m-%dT12:00").to_string();
    let first = office.send(&readings, &[("at", &at(35)), (&field, "1000")]).await;
    assert!(first.status() == 200 && first.text().contains("1 reading was taken"), "{first:?}");
    let less = office.send(&readings, &[("at", &at(1)), (&field, "900")]).await;
    assert!(less.status() == 422 && less.text().contains("less than at the last reading"), "{less:?}");
    let second = office.send(&readings, &[("at", &at(1)), (&field, "35000")]).await;
    assert!(second.text().contains("Count the figures now"), "{second:?}");

    assert_eq!(next(&office.get("/").await), "#counting");
    assert_eq!(office.send("/figures", &[("next", "/")]).await.header("location"), "/");
    let today = office.get("/").await;
    assert!(!today.shown().contains("To your first figures"), "{today:?}");
    let units = office.get("/units").await;
    assert!(
        units.text().contains("Bay 1") && units.text().contains("1 unit. Readings to decide on: at 0. Never read: 0.")
    );
    let month = (Utc::now() - Duration::days(15)).format("%Y-%m-01").to_string();
    let water = dealer.office.get(&format!("/v1/units/{unit}/water?from={month}&to={month}&step=month")).await.json();
    assert!(water["items"][0]["amounts"]["makeup_l"].as_f64() > Some(5_000.0), "first figures: {water}");
}

#[tokio::test]
async fn a_table_of_readings_is_imported_row_by_row() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
    let unit = dealer.unit("L-1").await;
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    let attachment = serde_json::json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" });
    let meter = dealer.makeup_meter(&attachment).await["id"].as_str().unwrap().to_owned();
    let sheet = dealer.office.page("/readings/sheet.csv").await;
    assert!(sheet.header("content-disposition").contains("readings.csv"), "{sheet:?}");
    let line = format!("{meter},Harbour Haulage,North yard,L-1,Make-up,,,");
    assert_eq!(sheet.text().lines().nth(1), Some(line.as_str()));

    let table = format!("meter_id;read_at;register\n{meter};2026-02-01 08:00;1000\n{meter};yesterday;2000\n");
    let sent = dealer.office.form_with_files("/readings/import", &[], &[("file", table.as_bytes())]).await;
    assert!(sent.text().contains("Taken: 1. There already: 0. Not taken: 1."), "{sent:?}");
    assert!(sent.text().contains("Line 3: give a time such as"), "{sent:?}");
    let again = dealer.office.form_with_files("/readings/import", &[], &[("file", table.as_bytes())]).await;
    assert!(again.text().contains("Taken: 0. There already: 1."), "{again:?}");
    let stored = format!("/v1/meters/{meter}/readings?from=2026-01-01T00:00:00Z&to=2026-03-01T00:00:00Z");
    let stored = dealer.office.get(&stored).await.json();
    assert_eq!(stored["items"][0]["read_at"], "2026-02-01T07:00:00Z", "by the clock of the site");
    let no_table = dealer.office.form_with_files("/readings/import", &[], &[("file", b"a,b\n1,2\n")]).await;
    assert!(no_table.status() == 422 && no_table.text().contains("The first line must name"), "{no_table:?}");
}

#[tokio::test]
async fn a_customer_reader_types_readings_in_and_a_viewer_does_not() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let site = dealer.site(customer, "North yard").await;
    let other = dealer.site(dealer.customer("Millrace").await, "South yard").await;
    let unit = dealer.unit("L-1").await;
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    let meter = dealer.makeup_meter(&serde_json::json!({ "site_id": site, "from": "2026-01-01T00:00:00Z" })).await;
    let (reader, viewer) = (dealer.customer_reader(customer).await, dealer.customer_viewer(customer).await);
    let path = format!("/sites/{site}/readings");
    let home = reader.page("/").await;
    assert!(home.text().contains(&format!("href=\"{path}\"")) && home.text().contains("Your units"), "{home:?}");
    assert_eq!(viewer.page(&path).await.status(), 403);
    assert_eq!(reader.page(&format!("/sites/{other}/readings")).await.status(), 404);
    assert_eq!(reader.page("/readings/import").await.status(), 404, "tables are the dealer's");
    assert!(reader.page(&path).await.text().contains("Make-up"), "a meter of the whole site");
    let sent = reader.send_form(&path, &[(&format!("register-{}", meter["number"]), "1234")]).await;
    assert!(sent.text().contains("1 reading was taken"), "{sent:?}");
    assert!(!sent.text().contains("Count the figures now"), "that is the dealer's: {sent:?}");
    let month = "from=2026-01-01T00:00:00Z&to=2027-01-01T00:00:00Z";
    let stored = dealer.office.get(&format!("/v1/meters/{}/readings?{month}", meter["id"].as_str().unwrap())).await;
    assert_eq!(stored.json()["items"][0]["source"], "customer");
}
