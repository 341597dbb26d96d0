//! Savings reports are issued, by a person or by the dealer's rule, and asked about.

use crate::conventions::items;
use crate::readings::Plant;
use crate::support::{Answer, Client, Dealer, TestApp, id};
use serde_json::{Value, json};
use uuid::Uuid;

/// The night run as of an instant, which is written out.
pub(crate) async fn night(app: &TestApp, dealer: &Dealer, as_of: &str) {
    app.night(dealer.id, as_of.parse().unwrap()).await;
}

/// Enters readings of the make-up dial.
pub(crate) async fn send(dealer: &Dealer, meter: &str, readings: &[(&str, f64)]) {
    let row = |(at, register): &(&str, f64)| json!({ "meter_id": meter, "read_at": at, "register": register });
    let readings: Vec<Value> = readings.iter().map(row).collect();
    let answer = dealer.technician.post("/v1/readings", &json!({ "readings": readings })).await;
    assert_eq!(answer.json()["rejected"], json!([]));
}

/// The address of the one report of a month.
pub(crate) async fn report(client: &Client, month: &str) -> String {
    let found = items(client, &format!("/v1/savings-reports?month={month}")).await;
    assert_eq!(found.len(), 1, "{month}: {found:?}");
    format!("/v1/savings-reports/{}", id(&found[0]))
}

/// Issues a report as it is.
pub(crate) async fn issue(client: &Client, path: &str) -> Answer {
    let read = client.get(path).await;
    client.post_at_with(&format!("{path}/issue"), read.etag(), &json!({})).await
}

/// A figure of a report's answer.
pub(crate) fn figure<'a>(report: &'a Value, name: &str) -> &'a Value {
    report["figures"]["reckoning"].as_array().unwrap().iter().find(|line| line["name"] == name).unwrap()
}

pub(crate) fn rule(share: f64) -> Value {
    json!({
        "issues": false, "least_grade": "makeup_only", "least_coverage": 0.9, "days_after_month_end": 5,
        "tolerance": { "share": share, "money": [{ "amount": "10.00", "currency": "EUR" }] }
    })
}

/// A unit whose make-up dial passed 1,000 L a day through January 2026.
async fn january(app: &TestApp, dealer: &Dealer) -> (Plant, String) {
    let plant = Plant::new(dealer, "UTC", json!({})).await;
    send(dealer, &plant.meter, &[("2026-01-01T00:00:00Z", 0.0), ("2026-02-01T00:00:00Z", 31_000.0)]).await;
    night(app, dealer, "2026-02-02T03:00:00Z").await;
    let path = report(&dealer.office, "2026-01").await;
    (plant, path)
}

#[tokio::test]
async fn a_person_issues_a_draft_once_and_it_is_frozen() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    send(&dealer, &plant.meter, &[("2026-01-01T00:00:00Z", 0.0), ("2026-01-30T00:00:00Z", 29_000.0)]).await;
    night(&app, &dealer, "2026-02-02T03:00:00Z").await;
    let path = report(&dealer.office, "2026-01").await;
    let customer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    let first = dealer.office.get(&path).await;
    assert_eq!((first.etag(), &first.json()["state"]), ("\"1\"", &json!("live")));

    // Made anew with other figures it has another number; with the same ones it keeps it.
    send(&dealer, &plant.meter, &[("2026-02-01T00:00:00Z", 31_000.0)]).await;
    night(&app, &dealer, "2026-02-03T03:00:00Z").await;
    let draft = dealer.office.get(&path).await;
    assert_eq!((draft.etag(), &draft.json()["revision"]), ("\"2\"", &json!(2)));
    night(&app, &dealer, "2026-02-03T04:00:00Z").await;
    assert_eq!(dealer.office.get(&path).await.etag(), "\"2\"");
    assert_eq!(items(&dealer.office, &format!("{path}/revisions")).await.len(), 1);

    let issue_path = format!("{path}/issue");
    dealer.office.post(&issue_path, &json!({})).await.refused(428, "no-revision");
    dealer.office.post_at_with(&issue_path, "\"1\"", &json!({})).await.refused(412, "stale");
    for (who, status) in [(&dealer.technician, 403), (&customer, 403), (&app.dealer("Elsewhere").await.owner, 404)] {
        assert_eq!(who.post_at_with(&issue_path, "\"2\"", &json!({})).await.status(), status);
    }
    let running = report(&dealer.office, "2026-02").await;
    issue(&dealer.office, &running).await.refused_for(409, &[("", "month_runs")]);

    let issued = dealer.office.post_at_with(&issue_path, "\"2\"", &json!({})).await;
    assert_eq!((issued.status(), issued.etag(), &issued.json()["state"]), (200, "\"3\"", &json!("issued")));
    assert_eq!(issued.json()["issued"]["by"], "person");
    assert!(issued.json()["issued"]["account_id"].is_string(), "{issued:?}");
    dealer.office.post_at_with(&issue_path, "\"2\"", &json!({})).await.refused(412, "stale");
    dealer.office.post_at_with(&issue_path, "\"3\"", &json!({})).await.refused_for(409, &[("", "already_issued")]);
    let decided = json!({ "reason": "x" });
    dealer
        .office
        .post_at_with(&format!("{path}/revise"), "\"1\"", &decided)
        .await
        .refused_for(409, &[("", "no_proposal")]);
    dealer.office.post(&format!("{path}/proposal"), &decided).await.refused_for(409, &[("", "nothing_changed")]);
    dealer.office.get(&format!("{path}/proposal")).await.refused(404, "not-found");

    // A late reading, here one that does not fit, changes nothing that was issued, whatever is computed beside it.
    send(&dealer, &plant.meter, &[("2026-01-20T00:00:00Z", 30_000.0)]).await;
    night(&app, &dealer, "2026-02-04T03:00:00Z").await;
    let after = customer.get(&path).await;
    assert_eq!((after.etag(), &after.json()["figures"]), ("\"3\"", &draft.json()["figures"]));
    let one = customer.get(&format!("{path}/revisions/3")).await;
    assert_eq!((one.etag(), &one.json()["figures"]), ("\"3\"", &draft.json()["figures"]));
    customer.get(&format!("{path}/revisions/2")).await.refused(404, "not-found");
    let superuser = app.superuser().await;
    let sql = "select detail->>'deed', revision from change where record = 'savings_report' and detail ? 'deed'";
    let logged = superuser.query(sql, &[]).await.unwrap();
    let logged: Vec<(&str, Option<i32>)> = logged.iter().map(|row| (row.get(0), row.get(1))).collect();
    assert_eq!(logged, [("issued", Some(3))]);
}

#[tokio::test]
async fn of_two_who_issue_at_once_one_does() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, path) = january(&app, &dealer).await;
    let (path, body) = (format!("{path}/issue"), json!({}));
    let (one, other) = tokio::join!(
        dealer.owner.post_at_with(&path, "\"1\"", &body),
        dealer.office.post_at_with(&path, "\"1\"", &body)
    );
    let mut statuses = [one.status(), other.status()];
    statuses.sort_unstable();
    assert_eq!(statuses, [200, 412], "{one:?} {other:?}");
    let superuser = app.superuser().await;
    let count = superuser.query_one("select count(*) from report_standing", &[]).await.unwrap();
    assert_eq!(count.get::<_, i64>(0), 1);
}

#[tokio::test]
async fn open_exceptions_take_a_reason() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    let readings = [
        ("2026-01-01T00:00:00Z", 400_000.0),
        ("2026-01-15T00:00:00Z", 414_000.0),
        ("2026-01-16T00:00:00Z", 413_000.0),
        ("2026-02-01T00:00:00Z", 429_000.0),
    ];
    send(&dealer, &plant.meter, &readings).await;
    let mut by_rule = rule(0.0);
    by_rule["issues"] = json!(true);
    dealer.owner.put("/v1/report-rule", "\"0\"", &by_rule).await.json();
    night(&app, &dealer, "2026-02-10T03:00:00Z").await;
    let path = report(&dealer.office, "2026-01").await;
    assert_eq!(dealer.office.get(&path).await.json()["state"], "live", "never by the rule");
    issue(&dealer.office, &path).await.refused_for(409, &[("", "open_exceptions")]);
    let etag = dealer.office.get(&path).await.etag().to_owned();
    let why = json!({ "reason": "The dial was knocked; the step is small" });
    let issued = dealer.office.post_at_with(&format!("{path}/issue"), &etag, &why).await.json();
    assert_eq!(issued["issued"]["reason"], why["reason"]);
}

#[tokio::test]
async fn the_dealers_rule_issues_when_it_is_due() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unset = dealer.office.get("/v1/report-rule").await;
    assert_eq!((unset.etag(), &unset.json()["issues"]), ("\"0\"", &json!(false)));
    assert_eq!(unset.json()["tolerance"], json!({ "share": 0.0, "money": [{ "amount": "0", "currency": "EUR" }] }));
    let (plant, path) = january(&app, &dealer).await;
    night(&app, &dealer, "2026-02-20T03:00:00Z").await;
    assert_eq!(dealer.office.get(&path).await.json()["state"], "live", "off by default");

    let mut new = rule(0.05);
    new["issues"] = json!(true);
    new["days_after_month_end"] = json!(25);
    let set = dealer.owner.put("/v1/report-rule", "\"0\"", &new).await;
    assert_eq!((set.etag(), set.json()), ("\"1\"", new.clone()));
    dealer.owner.put("/v1/report-rule", "\"0\"", &new).await.refused(412, "stale");
    new["least_coverage"] = json!(2.0);
    dealer.owner.put("/v1/report-rule", "\"1\"", &new).await.refused_for(422, &[("/least_coverage", "out_of_range")]);
    let customer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    for who in [&dealer.technician, &customer] {
        who.get("/v1/report-rule").await.refused(403, "not-allowed");
    }
    night(&app, &dealer, "2026-02-25T03:00:00Z").await;
    assert_eq!(dealer.office.get(&path).await.json()["state"], "live", "due on the 26th");
    night(&app, &dealer, "2026-02-26T03:00:00Z").await;
    let issued = customer.get(&path).await.json();
    assert_eq!((&issued["state"], &issued["issued"]["by"]), (&json!("issued"), &json!("rule")));
    assert_eq!(issued["issued"]["account_id"], Value::Null);
    assert_eq!(issued["issued"]["at"], "2026-02-26T03:00:00Z");
    assert_eq!(issued.get("revision_proposed"), None, "not for customers");
}

#[tokio::test]
async fn questions_are_seen_by_the_customer_and_the_dealer() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (plant, path) = january(&app, &dealer).await;
    let own = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    let quarry: Uuid = dealer.customer("Quarry Trucks").await;
    let (other, foreign) = (dealer.customer_viewer(quarry).await, app.dealer("Elsewhere").await);
    let questions = format!("{path}/questions");
    let new = json!({ "figure": "fresh_used", "words": " Why so much? " });
    let asked = own.post_once(&questions, "key-1", &new).await;
    assert_eq!((asked.status(), &asked.json()["words"]), (201, &json!("Why so much?")));
    assert_eq!(own.post_once(&questions, "key-1", &new).await.json(), asked.json());
    assert_eq!((&asked.json()["by_customer"], &asked.json()["answer"]), (&json!(true), &Value::Null));
    for stranger in [&other, &foreign.owner] {
        stranger.get(&questions).await.refused(404, "not-found");
        stranger.post(&questions, &new).await.refused(404, "not-found");
    }
    dealer.technician.get(&questions).await.refused(403, "not-allowed");
    let wrong = json!({ "figure": "fresh", "words": " " });
    own.post(&questions, &wrong).await.refused_for(422, &[("/words", "required"), ("/figure", "unknown_figure")]);

    let answer = format!("{questions}/{}/answer", id(&asked.json()));
    let words = json!({ "words": "The pit was filled after its clean-out." });
    own.post(&answer, &words).await.refused(403, "not-allowed");
    foreign.owner.post(&answer, &words).await.refused(404, "not-found");
    let answered = dealer.office.post(&answer, &words).await.json();
    assert_eq!(answered["answer"]["words"], words["words"]);
    dealer.office.post(&answer, &words).await.refused_for(409, &[("", "answered")]);
    dealer.office.create(&questions, &json!({ "figure": "washed", "words": "Is the wash meter back?" })).await;
    let listed = items(&own, &questions).await;
    assert_eq!((&listed[0], &listed[1]["by_customer"], listed.len()), (&answered, &json!(false), 2));
    assert_eq!(own.get(&path).await.json()["questions"], json!(listed));
    let superuser = app.superuser().await;
    let sql = "select verb, customer_id::text from change where record = 'report_question' order by id";
    let lines = superuser.query(sql, &[]).await.unwrap();
    let lines: Vec<(&str, &str)> = lines.iter().map(|row| (row.get(0), row.get(1))).collect();
    let whose = plant.customer.as_str();
    assert_eq!(lines, [("created", whose), ("updated", whose), ("created", whose)]);
}
