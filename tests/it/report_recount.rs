//! What becomes of an issued month when later data come: adjustments, proposals, revisions.

use crate::conventions::items;
use crate::readings::Plant;
use crate::report_compared::{compared, of};
use crate::report_life::{figure, issue, night, report, rule, send};
use crate::support::{Dealer, TestApp};
use serde_json::{Value, json};

/// January 2026 at 1,000 L a day, last read on the 30th and issued on 2 February.
pub(crate) async fn issued(app: &TestApp, dealer: &Dealer, share: f64) -> (Plant, String) {
    dealer.owner.put("/v1/report-rule", "\"0\"", &rule(share)).await.json();
    let plant = Plant::new(dealer, "UTC", json!({})).await;
    send(dealer, &plant.meter, &[("2026-01-01T00:00:00Z", 0.0), ("2026-01-30T00:00:00Z", 29_000.0)]).await;
    night(app, dealer, "2026-02-02T03:00:00Z").await;
    let path = report(&dealer.office, "2026-01").await;
    assert_eq!(issue(&dealer.office, &path).await.status(), 200);
    (plant, path)
}

fn adjustments(report: &Value) -> Vec<(String, f64, String)> {
    let lines = report["figures"]["adjustments"].as_array().unwrap().iter();
    let line = |line: &Value| {
        let words = line["words"].as_str().unwrap().replace(['\u{a0}', '\u{202f}'], " ");
        (line["month"].as_str().unwrap().to_owned(), line["value_l"].as_f64().unwrap(), words)
    };
    lines.map(line).collect()
}

fn fresh(report: &Value) -> f64 {
    figure(report, "fresh_used")["value_l"].as_f64().unwrap()
}

#[tokio::test]
async fn a_late_reading_within_the_tolerance_is_carried_once() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (plant, january) = issued(&app, &dealer, 0.1).await;
    // Four days of 1,120 L, two of them in January.
    send(&dealer, &plant.meter, &[("2026-02-03T00:00:00Z", 33_480.0)]).await;
    night(&app, &dealer, "2026-02-04T03:00:00Z").await;
    let february = report(&dealer.office, "2026-02").await;
    let line = "January 2026: +2.240 m³ fresh water used, after a late reading.".to_owned();
    let carried = [("2026-01".to_owned(), 2_240.0, line)];
    let draft = dealer.office.get(&february).await;
    assert_eq!(adjustments(&draft.json()), carried);
    let (facts, _) = compared(&dealer.office, &february).await;
    assert_eq!(of(&facts, "adjustments").len(), 1, "{facts:?}");
    assert_eq!(fresh(&dealer.office.get(&january).await.json()), 29_000.0);
    dealer.office.get(&format!("{january}/proposal")).await.refused(404, "not-found");
    night(&app, &dealer, "2026-02-04T03:00:00Z").await;
    assert_eq!(dealer.office.get(&february).await.etag(), draft.etag(), "nothing new");

    send(&dealer, &plant.meter, &[("2026-03-01T00:00:00Z", 59_480.0)]).await;
    night(&app, &dealer, "2026-03-02T03:00:00Z").await;
    assert_eq!(issue(&dealer.office, &february).await.status(), 200);
    send(&dealer, &plant.meter, &[("2026-03-03T00:00:00Z", 61_480.0)]).await;
    night(&app, &dealer, "2026-03-04T03:00:00Z").await;
    let customer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    let (first, second) = (customer.get(&january).await.json(), customer.get(&february).await.json());
    assert_eq!(adjustments(&second), carried);
    assert_eq!(fresh(&first) + adjustments(&second)[0].1 + fresh(&second), 59_480.0, "all that the dial passed");
    let march = report(&customer, "2026-03").await;
    assert_eq!(adjustments(&customer.get(&march).await.json()), []);
}

#[tokio::test]
async fn a_difference_above_the_tolerance_is_proposed_and_revised() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (plant, january) = issued(&app, &dealer, 0.05).await;
    let customer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    send(&dealer, &plant.meter, &[("2026-02-03T00:00:00Z", 33_480.0)]).await;
    night(&app, &dealer, "2026-02-04T03:00:00Z").await;
    let february = report(&dealer.office, "2026-02").await;
    assert_eq!(adjustments(&dealer.office.get(&february).await.json()), [], "nothing is carried until decided");
    let proposal = dealer.office.get(&format!("{january}/proposal")).await;
    assert_eq!(
        (&proposal.json()["because"], &proposal.json()["account_id"]),
        (&json!("above_tolerance"), &Value::Null)
    );
    let changes = proposal.json()["changes"].clone();
    assert_eq!((&changes[0]["name"], &changes[0]["by"]), (&json!("fresh_used"), &json!({ "value_l": 2_240.0 })));
    assert_eq!((&changes[0]["was"]["value_l"], &changes[0]["is"]["value_l"]), (&json!(29_000.0), &json!(31_240.0)));
    assert_eq!(dealer.office.get(&january).await.json()["revision_proposed"], true);
    customer.get(&format!("{january}/proposal")).await.refused(403, "not-allowed");
    let seen = customer.get(&january).await;
    assert!(!seen.text().contains("31240") && seen.json().get("revision_proposed").is_none(), "{seen:?}");

    let (revise, reason) = (format!("{january}/revise"), json!({ "reason": "The dial was read late" }));
    dealer.office.post_at_with(&revise, "\"77\"", &reason).await.refused(412, "stale");
    dealer.office.post_at_with(&revise, proposal.etag(), &json!({ "reason": " " })).await.refused(422, "invalid");
    app.dealer("Elsewhere").await.owner.post_at_with(&revise, proposal.etag(), &reason).await.refused(404, "not-found");
    let revised = dealer.office.post_at_with(&revise, proposal.etag(), &reason).await;
    assert_eq!((revised.status(), revised.etag()), (200, "\"3\""), "{revised:?}");
    dealer.office.post_at_with(&revise, proposal.etag(), &reason).await.refused(412, "stale");
    assert_eq!(fresh(&customer.get(&january).await.json()), 31_240.0);
    let all = items(&customer, &format!("{january}/revisions")).await;
    let said: Vec<_> = all.iter().map(|one| (&one["revision"], &one["issued"]["reason"])).collect();
    assert_eq!(said, [(&json!(3), &reason["reason"]), (&json!(2), &Value::Null)]);
    assert_eq!(fresh(&customer.get(&format!("{january}/revisions/2")).await.json()), 29_000.0);
    night(&app, &dealer, "2026-02-05T03:00:00Z").await;
    assert_eq!(adjustments(&dealer.office.get(&february).await.json()), [], "the revision states it");
    dealer.office.get(&format!("{january}/proposal")).await.refused(404, "not-found");
}

#[tokio::test]
async fn a_revision_that_is_declined_is_carried_instead() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (plant, january) = issued(&app, &dealer, 0.05).await;
    let customer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    send(&dealer, &plant.meter, &[("2026-02-03T00:00:00Z", 33_480.0)]).await;
    night(&app, &dealer, "2026-02-04T03:00:00Z").await;
    let february = report(&dealer.office, "2026-02").await;
    let before = dealer.office.get(&february).await.etag().to_owned();
    let proposal = dealer.office.get(&format!("{january}/proposal")).await;
    let reason = json!({ "reason": "Not worth a new paper" });
    dealer.office.post_at_with(&format!("{january}/decline"), proposal.etag(), &reason).await.json();
    let draft = dealer.office.get(&february).await;
    assert_eq!(adjustments(&draft.json())[0].1, 2_240.0, "at once");
    dealer.office.post_at_with(&format!("{february}/issue"), &before, &json!({})).await.refused(412, "stale");
    night(&app, &dealer, "2026-02-05T03:00:00Z").await;
    dealer.office.get(&format!("{january}/proposal")).await.refused(404, "not-found");
    for path in [january.clone(), format!("{january}/revisions"), february] {
        let seen = customer.get(&path).await;
        assert!(!seen.shown().contains("Not worth"), "{seen:?}");
    }
    let superuser = app.superuser().await;
    let sql = "select count(*) from change where customer_id is not null and detail::text like '%Not worth%'";
    assert_eq!(superuser.query_one(sql, &[]).await.unwrap().get::<_, i64>(0), 0);
}

#[tokio::test]
async fn a_person_can_say_that_a_small_difference_is_an_error() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (plant, january) = issued(&app, &dealer, 0.1).await;
    send(&dealer, &plant.meter, &[("2026-02-03T00:00:00Z", 33_480.0)]).await;
    night(&app, &dealer, "2026-02-04T03:00:00Z").await;
    let february = report(&dealer.office, "2026-02").await;
    assert_eq!(adjustments(&dealer.office.get(&february).await.json()).len(), 1);
    let reason = json!({ "reason": "The customer has paid by it" });
    let proposal = dealer.office.post(&format!("{january}/proposal"), &reason).await;
    assert_eq!(
        (&proposal.json()["because"], &proposal.json()["reason"]),
        (&json!("said_to_be_an_error"), &reason["reason"])
    );
    assert_eq!(adjustments(&dealer.office.get(&february).await.json()), []);
    night(&app, &dealer, "2026-02-05T03:00:00Z").await;
    assert_eq!(dealer.office.get(&format!("{january}/proposal")).await.etag(), proposal.etag(), "it waits");
    dealer.office.post_at_with(&format!("{january}/revise"), proposal.etag(), &reason).await.json();
    assert_eq!(fresh(&dealer.office.get(&january).await.json()), 31_240.0);
}

/// 59 days at 1,000 L between two readings: the report of January, issued without one, claims
/// nothing; that of February has its own 28 days, and January's 31 under their name.
#[tokio::test]
async fn a_month_that_nobody_read_is_caught_up() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    send(&dealer, &plant.meter, &[("2026-01-01T00:00:00Z", 0.0)]).await;
    night(&app, &dealer, "2026-02-02T03:00:00Z").await;
    let january = report(&dealer.office, "2026-01").await;
    let unread = dealer.office.get(&january).await.json();
    assert!(unread["sentence"].as_str().unwrap().contains("was not read"), "{unread}");
    let claims = |report: &Value| {
        let lines = report["figures"]["reckoning"].as_array().unwrap().clone();
        lines.iter().filter(|line| line["state"] == "printed").count()
    };
    assert_eq!(claims(&unread), 0);
    assert_eq!(issue(&dealer.office, &january).await.status(), 200);

    send(&dealer, &plant.meter, &[("2026-03-01T00:00:00Z", 59_000.0)]).await;
    night(&app, &dealer, "2026-03-02T03:00:00Z").await;
    let february = report(&dealer.office, "2026-02").await;
    let draft = dealer.office.get(&february).await.json();
    assert_eq!(fresh(&draft), 28_000.0);
    let words =
        "January 2026: +31.000 m³ fresh water used, caught up, because its report was issued before it was read.";
    assert_eq!(adjustments(&draft), [("2026-01".to_owned(), 31_000.0, words.to_owned())]);
    assert_eq!(draft["figures"]["adjustments"][0]["cause"], "caught_up");
    dealer.office.get(&format!("{january}/proposal")).await.refused(404, "not-found");
    assert_eq!(issue(&dealer.office, &february).await.status(), 200);
    night(&app, &dealer, "2026-03-03T03:00:00Z").await;
    assert_eq!(claims(&dealer.office.get(&january).await.json()), 0, "what was issued stays");
    let march = report(&dealer.office, "2026-03").await;
    assert_eq!(adjustments(&dealer.office.get(&march).await.json()), []);
}
