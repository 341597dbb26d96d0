//! Links by which an inspector reads what left a site, and nothing else.

use crate::support::{TestApp, id};
use serde_json::{Value, json};

#[tokio::test]
async fn an_inspector_reads_one_sites_log_until_the_link_ends() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let (site, other) = (dealer.site(customer, "North yard").await, dealer.site(customer, "South yard").await);
    let (unit, elsewhere) = (dealer.unit("W-1").await, dealer.unit("W-2").await);
    dealer.place(unit, site, "2026-01-10T08:00:00Z").await;
    dealer.place(elsewhere, other, "2026-01-10T08:00:00Z").await;
    let load = |ticket: &str| json!({ "hauler": "Valley Tankers", "ticket": ticket, "destination": "Works", "waste_class": "Oily water" });
    for (unit, at, ticket) in [
        (unit, "2026-03-02T08:00:00Z", "in-time"),
        (unit, "2026-04-01T22:30:00Z", "a-day-late"),
        (elsewhere, "2026-03-02T08:00:00Z", "of-the-other-site"),
    ] {
        let hauled = json!({ "at": at, "kind": "hauled", "volume_l": 4000.0, "load": load(ticket) });
        dealer.office.create(&format!("/v1/units/{unit}/volume-events"), &hauled).await;
    }
    let path = format!("/v1/sites/{site}/discharge-links");
    let new =
        json!({ "person": "Inspector of the water authority", "first_day": "2026-03-01", "last_day": "2026-04-01" });
    let made = dealer.office.create(&path, &new).await;
    let address = made["address"].as_str().unwrap();
    let address = address.strip_prefix("https://water.example.com").unwrap();

    let log = app.anyone().get(&format!("{address}.json")).await;
    let shown = log.json();
    assert_eq!((&shown["site"], shown["loads"].as_array().unwrap().len()), (&json!("North yard"), 1), "{log:?}");
    assert_eq!((&shown["loads"][0]["ticket"], &shown["loads"][0]["volume_l"]), (&json!("in-time"), &json!(4000.0)));
    let page = app.anyone().page(address).await;
    assert_eq!(page.status(), 200);
    for (words, are_shown) in [
        ("in-time", true),
        ("4.000\u{a0}m³", true),
        ("of-the-other-site", false),
        ("a-day-late", false),
        ("Harbour", false),
    ] {
        assert_eq!(page.text().contains(words), are_shown, "{words} in {page:?}");
    }
    // It opens nothing else, and is kept as a hash.
    let token = address.rsplit('/').next().unwrap();
    app.anyone().with_token(token.to_owned()).get("/v1/sites").await.refused(401, "not-signed-in");
    let listed = dealer.office.get(&path).await;
    assert!(!listed.shown().contains(token), "{listed:?}");
    assert_ne!(listed.json()["items"][0]["opened_at"], Value::Null);
    let revoke = format!("{path}/{}/revoke", id(&made));
    assert_eq!(dealer.office.post(&revoke, &json!({})).await.status(), 200);
    app.anyone().get(&format!("{address}.json")).await.refused(410, "gone");
    assert_eq!(app.anyone().page(address).await.status(), 410);
    app.anyone().get("/discharge/AAAABwAA.json").await.refused(404, "not-found");
}

#[tokio::test]
async fn a_link_that_has_run_out_shows_nothing() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
    let path = format!("/v1/sites/{site}/discharge-links");
    let mut new = json!({ "person": "x", "first_day": "2026-03-01", "last_day": "2026-02-01", "open_days": 366 });
    let faults = [("/last_day", "out_of_range"), ("/open_days", "out_of_range")];
    dealer.office.post(&path, &new).await.refused_for(422, &faults);
    new["last_day"] = json!("2026-03-31");
    new["open_days"] = json!(1);
    let made = dealer.office.create(&path, &new).await;
    let address = made["address"].as_str().unwrap().strip_prefix("https://water.example.com").unwrap();
    let sql = "update discharge_link set expires_at = now() - interval '1 second'";
    app.superuser().await.execute(sql, &[]).await.unwrap();
    app.anyone().get(&format!("{address}.json")).await.refused(410, "gone");
    dealer.technician.post(&path, &new).await.refused(403, "not-allowed");
    let viewer = dealer.customer_viewer(dealer.customer("Onlooker").await).await;
    viewer.get(&path).await.refused(403, "not-allowed");
}
