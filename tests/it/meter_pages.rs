//! The pages of meters: exchanged, moved to something else, and those of a part of a unit.

use crate::conventions::items;
use crate::report_life::send;
use crate::support::{Dealer, TestApp, id};
use serde_json::{Value, json};
use uuid::Uuid;

/// A unit at a yard in Vienna with a pump, and a make-up dial that was read.
struct Bay {
    customer: Uuid,
    site: Uuid,
    unit: Uuid,
    pump: Uuid,
    meter: String,
}

async fn bay(dealer: &Dealer) -> Bay {
    let customer = dealer.customer("Harbour Haulage").await;
    let site = dealer.site(customer, "North yard").await;
    let unit = dealer.unit("L-1").await;
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    let pump = dealer.pump(unit).await;
    let meter = dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" })).await;
    let meter = id(&meter).to_string();
    send(dealer, &meter, &[("2026-02-01T08:00:00Z", 999_000.0)]).await;
    Bay { customer, site, unit, pump, meter }
}

/// What a unit used on the days of a month, in litres.
async fn makeup(dealer: &Dealer, unit: Uuid, month: &str) -> Value {
    let water = dealer.office.get(&format!("/v1/units/{unit}/water?from={month}&to={month}&step=month")).await.json();
    water["items"][0]["amounts"]["makeup_l"].clone()
}

#[tokio::test]
async fn an_exchanged_register_goes_on_from_its_first_value() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = bay(&dealer).await;
    let path = format!("/meters/{}", bay.meter);
    let form = dealer.technician.page(&format!("{path}/exchange")).await;
    assert!(form.plain().contains("It last showed 999 000 L, on 1 Feb 2026, 09:00"), "{form:?}");
    let digits = [("at", "2026-02-10T10:00"), ("old_final", "1234567"), ("new_start", "0")];
    let wrong = dealer.technician.send_form(&format!("{path}/exchange"), &digits).await;
    assert!(wrong.status() == 422 && wrong.text().contains("href=\"#f-old_final\""), "six digits: {wrong:?}");
    let exchange = [("key", "x"), ("at", "2026-02-10T10:00"), ("old_final", "999,500"), ("new_start", "5")];
    let asked = dealer.technician.send_form(&format!("{path}/exchange"), &exchange).await;
    assert!(asked.status() == 422 && asked.text().contains("may be"), "a comma may be either: {asked:?}");
    let exchange = exchange.map(|(name, value)| (name, if name == "old_final" { "999500" } else { value }));
    for _ in 0..2 {
        let kept = dealer.technician.send_form(&format!("{path}/exchange"), &exchange).await;
        assert_eq!(kept.header("location"), path, "{kept:?}");
    }
    let kept = items(&dealer.office, &format!("/v1{path}/exchanges")).await;
    assert_eq!(kept.len(), 1, "sent twice, kept once: {kept:?}");
    assert_eq!(kept[0]["at"], "2026-02-10T09:00:00Z", "by the clock of the site");
    send(&dealer, &bay.meter, &[("2026-02-20T08:00:00Z", 805.0)]).await;
    app.night(dealer.id, "2026-03-02T03:00:00Z".parse().unwrap()).await;
    let used = makeup(&dealer, bay.unit, "2026-02-01").await.as_f64().unwrap();
    assert!((used - 1300.0).abs() < 1e-6, "500 on the old register, 800 on the new one: {used}");

    let page = dealer.office.page(&path).await;
    assert!(page.plain().contains("the old register ended at 999 500 L, the new one began at 5 L."), "{page:?}");
    let withdraw = format!("{path}/exchanges/{}/withdraw", id(&kept[0]));
    assert_eq!(dealer.office.send_form(&withdraw, &[("reason", "Another dial")]).await.header("location"), path);
    assert!(dealer.office.page(&path).await.text().contains("counts no more: Another dial"));
    let viewer = dealer.customer_viewer(bay.customer).await;
    let shown = viewer.page(&path).await;
    assert!(!shown.shown().contains("/exchange\"") && !shown.text().contains("What it measured"));
    assert_eq!(viewer.page(&format!("{path}/exchange")).await.status(), 403);
    assert_eq!(app.dealer("Elsewhere").await.office.page(&format!("{path}/exchange")).await.status(), 404);
}

#[tokio::test]
async fn a_meter_goes_from_a_unit_to_a_part_and_to_another_site() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = bay(&dealer).await;
    let south = json!({ "customer_id": bay.customer, "name": "South yard", "time_zone": "Europe/London",
        "country": "GB" });
    let south = id(&dealer.office.create("/v1/sites", &south).await);
    let to = format!("/meters/new?unit={}", bay.unit);
    let part = format!("part {}", bay.pump);
    assert!(dealer.technician.page(&to).await.text().contains(&format!("value=\"{part}\"")), "its parts are offered");
    let hours = [
        ("measures", part.as_str()),
        ("from", "2026-01-02T08:00"),
        ("label", "Pump hours"),
        ("stream", "run_hours"),
        ("unit", "h"),
        ("multiplier", "1"),
        ("read_by", "technician"),
    ];
    let added = dealer.technician.send_form(&format!("/meters?unit={}", bay.unit), &hours).await;
    let path = added.header("location").to_owned();
    let page = dealer.technician.page(&path).await;
    assert!(page.text().contains(&format!("href=\"/units/{}\"", bay.unit)), "{page:?}");
    assert!(page.text().contains(&format!("/sites/{}/readings", bay.site)), "read with those of its site: {page:?}");
    let unit = dealer.technician.page(&format!("/units/{}", bay.unit)).await;
    assert!(unit.text().contains("Pump hours") && unit.text().contains("of the part: "), "{unit:?}");
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!(viewer.page(&path).await.status(), 200, "a customer sees the part's meter too");

    let form = dealer.technician.page(&format!("{path}/measures")).await;
    assert!(form.text().contains(&format!("value=\"{part}\" selected")), "{form:?}");
    assert!(form.text().contains(&format!("value=\"site {south}\"")), "{form:?}");
    let nothing = dealer.technician.send_form(&format!("{path}/measures"), &[("from", "2026-03-01T08:00")]).await;
    assert!(nothing.status() == 422 && nothing.text().contains("href=\"#f-measures\""), "{nothing:?}");
    let to_site = format!("site {south}");
    let moved = [("measures", to_site.as_str()), ("from", "2026-03-01T08:00"), ("share", "0,5")];
    assert_eq!(dealer.technician.send_form(&format!("{path}/measures"), &moved).await.header("location"), path);
    let attached = items(&dealer.office, &format!("/v1{path}/attachments")).await;
    assert_eq!((attached[0]["component_id"].as_str(), attached.len()), (Some(&*bay.pump.to_string()), 2));
    assert_eq!(attached[0]["to"], "2026-03-01T07:00:00Z", "by the clock of the site that it leaves: {attached:?}");
    assert_eq!((&attached[1]["site_id"], &attached[1]["share"]), (&json!(south), &json!(0.5)));
    let page = dealer.technician.page(&path).await;
    assert!(page.plain().contains("since 1 Mar 2026, 0.5 of what passes"), "{page:?}");
    let left = dealer.technician.page(&format!("/units/{}", bay.unit)).await;
    assert!(!left.shown().contains("Pump hours"), "{left:?}");
}
