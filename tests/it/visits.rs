//! `/v1/visits`, `/v1/calendar-feeds` and the feeds themselves.

use crate::call_outs::Customer;
use crate::conventions::items;
use crate::support::{Client, TestApp, id, python, repository};
use chrono::{Days, NaiveDate, Utc};
use serde_json::{Value, json};
use std::io::Write;
use std::process::{Command, Stdio};
use uuid::Uuid;

pub(crate) const VISITS: &str = "/v1/visits";

pub(crate) fn visit(bay: &Customer, day: NaiveDate, window: Option<(&str, &str)>, technician: Uuid) -> Value {
    json!({ "site_id": bay.site, "unit_id": bay.unit, "day": day, "from": window.map(|w| w.0), "to": window.map(|w| w.1),
        "technician_id": technician, "purpose": ["Quarterly, with \u{e4}ll the; rest"] })
}

pub(crate) async fn account(client: &Client) -> Uuid {
    client.get("/v1/me").await.json()["account_id"].as_str().unwrap().parse().unwrap()
}

fn conflicts(visit: &Value) -> Vec<String> {
    let kind = |conflict: &Value| conflict["kind"].as_str().unwrap().to_owned();
    visit["conflicts"].as_array().unwrap().iter().map(kind).collect()
}

#[tokio::test]
async fn a_visit_is_planned_moved_made_and_called_off() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let ann = account(&dealer.technician).await;
    let sent = visit(&bay, "2026-03-30".parse().unwrap(), Some(("08:00:00", "10:00:00")), ann);
    let planned = dealer.office.post_once(VISITS, "key-1", &sent).await;
    assert_eq!((planned.status(), planned.etag()), (201, "\"1\""), "{planned:?}");
    let planned = planned.json();
    assert_eq!(dealer.office.post_once(VISITS, "key-1", &sent).await.json(), planned);
    assert_eq!((&planned["starts_at"], &planned["state"]), (&json!("2026-03-30T06:00:00Z"), &json!("planned")));
    assert_eq!(conflicts(&planned), Vec::<String>::new());
    let path = format!("{VISITS}/{}", id(&planned));

    let later = json!({ "day": "2026-03-31", "technician_id": ann, "reason": "Snow" });
    let moved = dealer.office.post_at_with(&format!("{path}/move"), "\"1\"", &later).await;
    assert_eq!(moved.etag(), "\"2\"", "{moved:?}");
    let moved = moved.json();
    assert_eq!((&moved["day"], &moved["from"]), (&json!("2026-03-31"), &Value::Null));
    assert_eq!((&moved["moves"][0]["day"], &moved["moves"][0]["reason"]), (&json!("2026-03-30"), &json!("Snow")));
    let on = |from: &str, to: &str| format!("{VISITS}?from={from}&to={to}&technician_id={ann}");
    assert_eq!(items(&dealer.technician, &on("2026-03-30", "2026-03-31")).await, [Value::Null; 0]);
    assert_eq!(items(&dealer.technician, &on("2026-03-31", "2026-04-01")).await, [moved]);

    let done = |event: Uuid| json!({ "event_id": event });
    let made = format!("{path}/done");
    dealer
        .technician
        .post_at_with(&made, "\"2\"", &done(Uuid::from_u128(7)))
        .await
        .refused_for(422, &[("/event_id", "unknown_reference")]);
    let event = crate::service_events::event(bay.unit, "2026-03-31T08:00:00Z", "visit", &json!({}));
    let event = id(&dealer.technician.create(crate::service_events::EVENTS, &event).await);
    dealer.technician.post_at_with(&made, "\"1\"", &done(event)).await.refused(412, "stale");
    let shown = dealer.technician.post_at_with(&made, "\"2\"", &done(event)).await.json();
    assert_eq!((&shown["state"], &shown["event_id"]), (&json!("done"), &json!(event)));
    dealer.office.post_at(&format!("{path}/call-off"), "\"3\"").await.refused_for(409, &[("", "not_planned")]);

    let other = dealer.office.create(VISITS, &sent).await;
    let off = dealer.office.post_at(&format!("{VISITS}/{}/call-off", id(&other)), "\"1\"").await.json();
    assert_eq!(off["state"], "called_off");
}

#[tokio::test]
async fn what_stands_against_a_visit_is_shown_and_refuses_nothing() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let (ann, bob) = (account(&dealer.technician).await, account(&dealer.owner).await);
    let day = "2026-03-30".parse().unwrap();
    let first = dealer.office.create(VISITS, &visit(&bay, day, Some(("08:00:00", "10:00:00")), ann)).await;
    let second = dealer.office.create(VISITS, &visit(&bay, day, Some(("09:00:00", "11:00:00")), ann)).await;
    assert_eq!(second["conflicts"], json!([{ "kind": "technician_busy", "visit_id": id(&first) }]));
    let shown = dealer.office.get(&format!("{VISITS}/{}", id(&first))).await.json();
    assert_eq!(conflicts(&shown), ["technician_busy"], "on both");
    let apart = dealer.office.create(VISITS, &visit(&bay, day, Some(("09:00:00", "11:00:00")), bob)).await;
    assert_eq!(conflicts(&apart), Vec::<String>::new());

    let spell = json!({ "state": "laid_up", "reason": "Frost", "from": "2026-03-29T00:00:00Z" });
    dealer.office.create(&format!("/v1/units/{}/spells", bay.unit), &spell).await;
    let resting = dealer.office.get(&format!("{VISITS}/{}", id(&apart))).await.json();
    assert_eq!(resting["conflicts"], json!([{ "kind": "unit_not_at_work", "state": "laid_up" }]));
    let elsewhere = Customer { site: dealer.site(bay.customer, "South yard").await, ..bay };
    let away = dealer.office.create(VISITS, &visit(&elsewhere, "2026-02-02".parse().unwrap(), None, bob)).await;
    assert_eq!(conflicts(&away), ["unit_away"]);

    let wrong = |field: &str, value: Value| {
        let mut sent = visit(&elsewhere, day, None, ann);
        sent[field] = value;
        sent
    };
    for (sent, fault) in [
        (wrong("technician_id", json!(Uuid::from_u128(7))), ("/technician_id", "unknown_reference")),
        (wrong("unit_id", json!(Uuid::from_u128(7))), ("/unit_id", "unknown_reference")),
        (wrong("site_id", json!(Uuid::from_u128(7))), ("/site_id", "unknown_reference")),
        (wrong("purpose", json!([])), ("/purpose", "required")),
        (wrong("from", json!("08:00:00")), ("/to", "required")),
    ] {
        dealer.office.post(VISITS, &sent).await.refused_for(422, &[fault]);
    }
}

#[tokio::test]
async fn visits_are_the_dealers_alone() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let ann = account(&dealer.technician).await;
    let planned = dealer.office.create(VISITS, &visit(&bay, "2026-03-30".parse().unwrap(), None, ann)).await;
    let path = format!("{VISITS}/{}", id(&planned));
    dealer.customer_viewer(bay.customer).await.get(&path).await.refused(403, "not-allowed");
    let foreign = app.dealer("Elsewhere").await;
    foreign.owner.get(&path).await.refused(404, "not-found");
    foreign.owner.post_at(&format!("{path}/call-off"), "\"1\"").await.refused(404, "not-found");
    assert_eq!(items(&foreign.owner, VISITS).await, [Value::Null; 0]);
}

/// The feed as the PyPI package icalendar reads it: another program's reading of RFC 5545.
fn understood(feed: &str) -> Value {
    let mut python = Command::new(python())
        .arg(repository("tests/it/read_calendar.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    python.stdin.take().unwrap().write_all(feed.as_bytes()).unwrap();
    let output = python.wait_with_output().unwrap();
    assert!(output.status.success(), "not understood:\n{feed}");
    serde_json::from_slice(&output.stdout).unwrap()
}

#[tokio::test]
async fn a_feed_is_read_by_another_program_until_it_is_revoked() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let address = json!({ "address": "North yard, gate 3; ring twice,\nthen wait: a long way in, past the old mill and its pond" });
    dealer.office.patch(&format!("/v1/sites/{}", bay.site), "\"1\"", &address).await.json();
    let (ann, bob) = (account(&dealer.technician).await, account(&dealer.owner).await);
    let day = Utc::now().date_naive() + Days::new(7);
    let timed = dealer.office.create(VISITS, &visit(&bay, day, Some(("08:00:00", "10:00:00")), ann)).await;
    let whole_day = dealer.office.create(VISITS, &visit(&bay, day, None, ann)).await;
    dealer.office.create(VISITS, &visit(&bay, day, None, bob)).await;
    let made = dealer.technician.send(dealer.technician.request(reqwest::Method::POST, "/v1/calendar-feeds")).await;
    assert_eq!(made.status(), 201, "{made:?}");
    let path = made.json()["path"].as_str().unwrap().to_owned();

    let feed = app.anyone().get(&path).await;
    assert_eq!((feed.status(), feed.header("content-type")), (200, "text/calendar; charset=utf-8"));
    let read = understood(feed.text());
    assert_eq!((&read["version"], &read["has_prodid"]), (&json!("2.0"), &json!(true)));
    let mut events = read["events"].as_array().unwrap().clone();
    events.sort_by_key(|event| event["uid"].as_str().unwrap().to_owned());
    assert_eq!(events.len(), 2, "one's own: {events:?}");
    assert_eq!(events[0]["uid"], format!("{}@weirbook", id(&timed)));
    assert_eq!(events[0]["summary"], "North yard: W-1 \u{2013} Quarterly, with \u{e4}ll the; rest");
    assert_eq!(events[0]["location"], address["address"]);
    let starts = timed["starts_at"].as_str().unwrap().replace('Z', "+00:00");
    assert_eq!((&events[0]["starts"], &events[0]["stamp_is_utc"]), (&json!(starts), &json!(true)));
    assert_eq!((&events[1]["starts"], &events[1]["ends"]), (&json!(day), &json!(day + Days::new(1))));
    assert_eq!((&events[1]["sequence"], &events[1]["status"]), (&json!(0), &json!("CONFIRMED")));

    let later = json!({ "day": day + Days::new(1), "technician_id": ann, "reason": "Snow" });
    dealer.office.post_at_with(&format!("{VISITS}/{}/move", id(&timed)), "\"1\"", &later).await.json();
    dealer.office.post_at(&format!("{VISITS}/{}/call-off", id(&whole_day)), "\"1\"").await.json();
    let mut events = understood(app.anyone().get(&path).await.text())["events"].as_array().unwrap().clone();
    events.sort_by_key(|event| event["uid"].as_str().unwrap().to_owned());
    assert_eq!(events[0]["uid"], format!("{}@weirbook", id(&timed)), "it stays the same");
    assert_eq!((&events[0]["sequence"], &events[0]["starts"]), (&json!(1), &json!(day + Days::new(1))));
    assert_eq!((&events[1]["sequence"], &events[1]["status"]), (&json!(1), &json!("CANCELLED")));

    let feeds = items(&dealer.technician, "/v1/calendar-feeds").await;
    assert_eq!((feeds.len(), feeds[0].get("path")), (1, None), "the secret is shown once");
    let revoke = format!("/v1/calendar-feeds/{}/revoke", id(&feeds[0]));
    dealer.owner.send(dealer.owner.request(reqwest::Method::POST, &revoke)).await.refused(404, "not-found");
    let revoked = dealer.technician.send(dealer.technician.request(reqwest::Method::POST, &revoke)).await.json();
    assert_ne!(revoked["revoked_at"], Value::Null);
    app.anyone().get(&path).await.refused(404, "not-found");
    app.anyone().get("/calendar/x.ics").await.refused(404, "not-found");
}

/// The address is shown once, on the page that made it; revoked there, it shows nothing more.
#[tokio::test]
async fn an_address_for_a_calendar_is_made_and_revoked_on_its_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let ann = account(&dealer.technician).await;
    let planned = visit(&bay, Utc::now().date_naive() + Days::new(7), None, ann);
    let planned = dealer.office.create(VISITS, &planned).await;
    let own = "/week/calendar";
    assert!(dealer.technician.get("/week").await.text().contains(own));
    assert!(dealer.technician.get(own).await.text().contains("No address can be read"));
    let made = dealer.technician.send_form(own, &[("key", "k-1")]).await;
    assert_eq!(made.status(), 201, "{made:?}");
    let twice = dealer.technician.send_form(own, &[("key", "k-1")]).await;
    assert!(twice.status() == 409 && twice.text().contains("sent before and may have made an address"), "{twice:?}");
    assert_eq!(twice.text().matches("/revoke").count(), 1, "one press, one address: {twice:?}");
    let secret = made.text().split(".ics").next().unwrap().rsplit('/').next().unwrap().to_owned();
    let feed = format!("/calendar/{secret}.ics");
    let read = understood(app.anyone().get(&feed).await.text());
    assert_eq!(read["events"][0]["uid"], format!("{}@weirbook", id(&planned)));

    let page = dealer.technician.get(own).await;
    assert!(!page.shown().contains(&secret), "the secret is shown once");
    let revoke =
        page.text().split("action=\"").find(|part| part.contains("/revoke")).unwrap().split('"').next().unwrap();
    assert_eq!(dealer.owner.send_form(revoke, &[]).await.status(), 404, "each revokes their own");
    assert_eq!(app.anyone().get(&feed).await.status(), 200);
    assert_eq!(dealer.technician.send_form(revoke, &[]).await.header("location"), own);
    app.anyone().get(&feed).await.refused(404, "not-found");
    assert!(dealer.technician.get(own).await.text().contains("No address can be read"));
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!((viewer.page(own).await.status(), viewer.send_form(own, &[]).await.status()), (403, 403));
}
