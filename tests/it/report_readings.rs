//! Reports from reading to reading, as bills of a utility count.

use crate::accounts::baseline;
use crate::conventions::items;
use crate::readings::Plant;
use crate::report_compared::{close, compared, compared_as, of};
use crate::report_forms::{meter, only_unit};
use crate::report_life::{issue, night, report, send};
use crate::support::{Dealer, MailServer, TestApp, id};
use chrono::Utc;
use serde_json::{Value, json};

/// A unit whose make-up dial and counter of washes are read by hand every four weeks, and the rounds:
/// 28,700 L and 30 washes, then 31,300 L and 40 washes.
async fn read_by_hand(dealer: &Dealer) -> Plant {
    let plant = Plant::new(dealer, "UTC", json!({})).await;
    let (unit, site) = (only_unit(dealer).await, id(&items(&dealer.office, "/v1/sites").await[0]));
    let counter = meter(dealer, unit, "wash_count", "count").await;
    dealer.office.create(&format!("/v1/sites/{site}/baselines"), &baseline("2026-02-01", 2000.0)).await;
    let rounds = ["2026-01-12T09:00:00Z", "2026-02-09T09:00:00Z", "2026-03-09T09:00:00Z"];
    let read = |registers: [f64; 3]| rounds.into_iter().zip(registers).collect::<Vec<_>>();
    send(dealer, &plant.meter, &read([0.0, 28_700.0, 60_000.0])).await;
    send(dealer, &counter, &read([0.0, 30.0, 70.0])).await;
    plant
}

fn line<'a>(span: &'a Value, name: &str) -> &'a Value {
    span["lines"].as_array().unwrap().iter().find(|line| line["name"] == name).unwrap()
}

/// By hand: 40 washes at 2,000 L are 80,000 L less 31,300 L used: 48,700 L avoided, and 782.5 L of fresh
/// water for each wash. February's period began before the baseline did.
#[tokio::test]
async fn a_report_reckons_from_reading_to_reading_in_all_forms() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    read_by_hand(&dealer).await;
    night(&app, &dealer, "2026-03-10T03:00:00Z").await;
    let office = &dealer.office;
    let (february, march) = (report(office, "2026-02").await, report(office, "2026-03").await);
    let readings = office.get(&march).await.json()["figures"]["readings"].clone();
    let [span] = readings["spans"].as_array().unwrap().as_slice() else { panic!("{readings}") };
    assert_eq!((&span["from"], &span["to"]), (&json!("2026-02-09"), &json!("2026-03-09")));
    for (name, unit, value) in [
        ("fresh_used", "value_l", 31_300.0),
        ("fresh_avoided", "value_l", 48_700.0),
        ("washes", "value_count", 40.0),
        ("fresh_per_wash", "value_l_per_wash", 782.5),
    ] {
        assert_eq!(line(span, name)[unit], json!(value), "{span}");
        assert_eq!((&line(span, name)["coverage"], &line(span, name)["estimated_share"]), (&json!(1.0), &json!(0.0)));
    }
    let before = office.get(&february).await.json()["figures"]["readings"]["spans"][0].clone();
    assert_eq!(line(&before, "fresh_used")["value_l"], json!(28_700.0));
    assert_eq!(line(&before, "fresh_avoided")["reason"], json!("baseline_changes"));

    // The figures are those that the unit's own answers have for the period, with their uncertainty.
    let unit = only_unit(&dealer).await;
    let water = office.get(&format!("/v1/units/{unit}/water?from=2026-02-20&to=2026-02-20&step=period")).await.json();
    let own = &water["items"][0]["balance"]["fresh_used_l"];
    assert_eq!(own["value"], json!(31_300.0), "{water}");
    let expanded = [own["expanded"].as_f64().unwrap(), line(span, "fresh_used")["expanded"].as_f64().unwrap()];
    assert!(expanded[0] > 0.0 && (expanded[0] - expanded[1]).abs() < 1e-3, "{expanded:?}");

    // And behind them stand the readings.
    let rounds = span["rounds"].as_array().unwrap();
    let (from, to) = (rounds[0].as_str().unwrap(), rounds[1].as_str().unwrap());
    let trace = office.get(&format!("/v1/units/{unit}/water/trace?from={from}&to={to}")).await;
    assert!(trace.status() == 200 && trace.text().contains("60000"), "{trace:?}");

    let (by_month, _) = compared(office, &march).await;
    assert!(of(&by_month, "readings").is_empty(), "nobody asked for them");
    let (facts, pdf) = compared_as(office, &march, "?counted=readings").await;
    assert_eq!(facts[0]["section"], "readings", "they come first");
    let used = facts.iter().find(|fact| fact["name"] == "fresh_used").unwrap();
    assert_eq!(
        (used["from"].as_str(), used["to"].as_str(), used["value"].as_str()),
        ("2026-02-09", "2026-03-09", "31300")
    );
    let sentence = readings["sentence"].as_str().unwrap();
    let begins =
        "From 9 February 2026 to 9 March 2026, from reading to reading, 31.3 m³ of fresh water was used (North";
    assert!(close(sentence).starts_with(&close(begins)), "{sentence}");
    assert!(close(&pdf).contains(&close(sentence)), "{pdf}");
    let (_, german) = compared_as(office, &march, "?counted=readings&language=de").await;
    assert!(
        close(&german).contains(&close("Vom 9. Februar 2026 bis 9. März 2026, von Ablesung zu Ablesung")),
        "{german}"
    );
}

/// What the dealer has set holds unless something else is asked for, in the letter too.
#[tokio::test]
async fn a_dealer_has_its_reports_reckoned_so() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    let style = json!({ "counted": "readings" });
    assert_eq!(office.put("/v1/report-style", "\"0\"", &style).await.status(), 200);
    let plant = read_by_hand(&dealer).await;
    let reader = json!({ "email": "ann@example.com" });
    office.create(&format!("/v1/customers/{}/report-recipients", plant.customer), &reader).await;
    night(&app, &dealer, "2026-03-10T03:00:00Z").await;
    let path = report(office, "2026-02").await;
    let (facts, _) = compared(office, &path).await;
    assert_eq!(facts[0]["section"], "readings");
    let (by_month, _) = compared_as(office, &path, "?counted=month").await;
    assert!(of(&by_month, "readings").is_empty());
    let page = office.page(&format!("{}?counted=month", path.trim_start_matches("/v1"))).await;
    assert!(page.text().contains("counted=readings\">From reading to reading</a>"), "{page:?}");

    assert_eq!(issue(office, &path).await.status(), 200);
    assert_eq!(app.drain_mail(Utc::now()).await.sent, 1);
    let mails = server.mails();
    let parts = mails[0].parts();
    let text = parts.iter().find(|(media, _)| media.starts_with("text/plain")).map(|(_, text)| text.clone()).unwrap();
    let text = close(&String::from_utf8(text).unwrap());
    let sentence = office.get(&path).await.json()["figures"]["readings"]["sentence"].as_str().unwrap().to_owned();
    assert!(text.contains(&close(&sentence)) && text.contains("Freshwaterused:28.7m³"), "{text}");
}

/// A hole between accepted readings leaves two stretches: 4,000 L before it and, by hand, 26,000 L less 3 L after.
#[tokio::test]
async fn what_no_reading_ends_is_in_no_stretch() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    let read = [
        ("2026-02-02T09:00:00Z", 0.0),
        ("2026-02-06T09:00:00Z", 4_000.0),
        ("2026-02-07T09:00:00Z", 3.0),
        ("2026-02-20T09:00:00Z", 19_000.0),
        ("2026-02-27T09:00:00Z", 26_000.0),
    ];
    send(&dealer, &plant.meter, &read).await;
    night(&app, &dealer, "2026-03-03T03:00:00Z").await;
    let path = report(&dealer.office, "2026-02").await;
    let (facts, _) = compared_as(&dealer.office, &path, "?counted=readings").await;
    let of_readings = of(&facts, "readings");
    let used: Vec<&str> =
        of_readings.iter().filter(|fact| fact["name"] == "fresh_used").map(|fact| fact["value"].as_str()).collect();
    let figures = dealer.office.get(&path).await.json()["figures"].clone();
    assert_eq!(used, ["4000", "25997"], "{figures}");
    let readings = &figures["readings"];
    assert_eq!(readings["fresh_used"]["value_l"], json!(29_997.0), "{readings}");
    let sentence = readings["sentence"].as_str().unwrap();
    assert!(sentence.ends_with("Days between readings that were not accepted are not in it."), "{sentence}");
    let [waits] = figures["exceptions"].as_array().unwrap().as_slice() else { panic!("{figures}") };
    assert_eq!(
        (&waits["kind"], &waits["from"], &waits["to"]),
        (&json!("reversal"), &json!("2026-02-06"), &json!("2026-02-07"))
    );
}
