//! Issued reports by mail, against a real mail server: once for each revision and reader.

use crate::readings::Plant;
use crate::report_compared::pdf_text;
use crate::report_life::{issue, night, report, send};
use crate::support::{Dealer, MailServer, TestApp, id};
use chrono::{Duration, Utc};
use serde_json::{Value, json};
use weirbook::jobs::mail::Drained;

async fn reader(dealer: &Dealer, customer: &str, email: &str) -> Value {
    dealer.office.create(&format!("/v1/customers/{customer}/report-recipients"), &json!({ "email": email })).await
}

/// January with two days missing, drafted, and two readers of it.
async fn drafted(app: &TestApp, dealer: &Dealer) -> (Plant, String) {
    let plant = Plant::new(dealer, "UTC", json!({})).await;
    send(dealer, &plant.meter, &[("2026-01-01T00:00:00Z", 0.0), ("2026-01-30T00:00:00Z", 29_000.0)]).await;
    for email in ["ann@example.com", "bo@example.com"] {
        reader(dealer, &plant.customer, email).await;
    }
    night(app, dealer, "2026-02-02T03:00:00Z").await;
    let path = report(&dealer.office, "2026-01").await;
    (plant, path)
}

#[tokio::test]
async fn an_issued_report_is_sent_once_to_each_reader() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let (plant, path) = drafted(&app, &dealer).await;
    assert_eq!(app.drain_mail(Utc::now()).await, Drained::default(), "drafts are never sent");
    assert_eq!(issue(&dealer.office, &path).await.status(), 200);
    let now = Utc::now();
    let drained = tokio::join!(app.drain_mail(now), app.drain_mail(now));
    assert_eq!(drained.0.sent + drained.1.sent, 2, "{drained:?}");
    night(&app, &dealer, "2026-02-03T03:00:00Z").await;
    assert_eq!(app.drain_mail(now + Duration::hours(1)).await, Drained::default(), "never twice");

    let mails = server.mails();
    let mut to: Vec<_> = mails.iter().map(|mail| mail.to[0].as_str()).collect();
    to.sort_unstable();
    assert_eq!(to, ["ann@example.com", "bo@example.com"]);
    let mail = &mails[0];
    assert_eq!(mail.header("Subject"), "Water savings of Harbour Haulage, January 2026");
    assert_eq!(mail.header("List-Unsubscribe-Post"), "List-Unsubscribe=One-Click");
    let parts = mail.parts();
    let part =
        |media: &str| parts.iter().find(|(found, _)| found.starts_with(media)).map(|(_, body)| body.clone()).unwrap();
    let text = String::from_utf8(part("text/plain")).unwrap();
    assert!(text.contains("Fresh water used: 29") && text.contains("/savings-reports/"), "{text}");
    let html = String::from_utf8(part("text/html")).unwrap();
    assert!(html.contains("<table") && html.contains("Fresh water used"), "{html}");
    let shown = dealer.office.page(&format!("{}/pdf", path.trim_start_matches("/v1"))).await;
    let attached = part("application/pdf");
    assert!(attached == shown.bytes() && pdf_text(&attached).contains("Harbour Haulage"), "another PDF is attached");

    // A revision is another letter.
    send(&dealer, &plant.meter, &[("2026-02-01T00:00:00Z", 33_000.0)]).await;
    night(&app, &dealer, "2026-02-04T03:00:00Z").await;
    let wrong = json!({ "reason": "A reading came late" });
    assert_eq!(dealer.office.post(&format!("{path}/proposal"), &wrong).await.status(), 200);
    let proposal = dealer.office.get(&format!("{path}/proposal")).await;
    assert_eq!(dealer.office.post_at_with(&format!("{path}/revise"), proposal.etag(), &wrong).await.status(), 200);
    assert_eq!(app.drain_mail(Utc::now()).await, Drained { sent: 2, ..Drained::default() });
    assert!(server.mails()[2].header("Subject").starts_with("Revised: water savings"), "{:?}", server.mails()[2]);
}

/// A mailbox that did not exist does by now: who sends the report again reaches it, and nobody else a second time.
#[tokio::test]
async fn a_mail_that_was_given_up_is_sent_when_somebody_asks_again() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let (_, path) = drafted(&app, &dealer).await;
    assert_eq!(issue(&dealer.office, &path).await.status(), 200);
    server.refuse_next("550 No such user here");
    let now = Utc::now();
    assert_eq!(app.drain_mail(now).await, Drained { sent: 1, given_up: 1, ..Drained::default() });
    assert_eq!(app.drain_mail(now + Duration::days(30)).await, Drained::default());
    for sent in [1, 0] {
        assert_eq!(dealer.office.post(&format!("{path}/mails"), &json!({})).await.status(), 200);
        assert_eq!(app.drain_mail(now + Duration::days(31)).await, Drained { sent, ..Drained::default() });
    }
    let mut to: Vec<_> = server.mails().iter().map(|mail| mail.to[0].clone()).collect();
    to.sort_unstable();
    assert_eq!(to, ["ann@example.com", "bo@example.com"]);
}

#[tokio::test]
async fn who_wants_no_more_gets_no_more() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let (plant, path) = drafted(&app, &dealer).await;
    issue(&dealer.office, &path).await;
    app.drain_mail(Utc::now()).await;
    let mails = server.mails();
    let mail = mails.iter().find(|mail| mail.to == ["ann@example.com"]).unwrap();
    let link = mail.header("List-Unsubscribe");
    let link = link.trim_matches(['<', '>']).strip_prefix("https://water.example.com").unwrap().to_owned();
    let asked = app.anyone().get(&link).await;
    assert!(asked.status() == 200 && asked.text().contains("ann@example.com gets them"), "{asked:?}");
    // RFC 8058, section 3.1: one POST, and nothing else.
    let request = app.anyone().request(reqwest::Method::POST, &link);
    let ended = app
        .anyone()
        .send(request.header("content-type", "application/x-www-form-urlencoded").body("List-Unsubscribe=One-Click"))
        .await;
    assert!(ended.status() == 200 && ended.text().contains("gets no more"), "{ended:?}");
    assert_eq!(app.anyone().get("/unsubscribe/AAAA").await.status(), 404);

    let readers = format!("/v1/customers/{}/report-recipients", plant.customer);
    let all = dealer.office.get(&readers).await.json()["items"].clone();
    assert_eq!((&all[0]["ended_by"], &all[1]["ended_by"]), (&json!("recipient"), &json!(null)));
    let end = format!("{readers}/{}/end", id(&all[1]));
    assert_eq!(dealer.office.post(&end, &json!({})).await.json()["ended_by"], "dealer");
    assert_eq!(app.dealer("Elsewhere").await.office.post(&end, &json!({})).await.status(), 404);
    dealer.office.post(&readers, &json!({ "email": "nobody" })).await.refused_for(422, &[("/email", "not_an_address")]);
    night(&app, &dealer, "2026-03-02T03:00:00Z").await;
    issue(&dealer.office, &report(&dealer.office, "2026-02").await).await;
    assert_eq!(app.drain_mail(Utc::now()).await, Drained::default());
}
