//! The queue of mails, against a real mail server: sent once, tried again, given up, reminders.

use crate::asking::{Bay, read};
use crate::support::{MailServer, TestApp, id};
use chrono::{Duration, Utc};
use serde_json::json;
use weirbook::jobs::mail::Drained;

#[tokio::test]
async fn each_mail_is_sent_once_however_often_and_by_however_many_it_is_looked_for() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&app, &dealer).await;
    for _ in 0..6 {
        dealer.office.create("/v1/reading-requests", &bay.request()).await;
    }
    let now = Utc::now();
    let drained = tokio::join!(app.drain_mail(now), app.drain_mail(now), app.drain_mail(now));
    assert_eq!(drained.0.sent + drained.1.sent + drained.2.sent, 6, "{drained:?}");
    assert_eq!(app.drain_mail(Utc::now() + Duration::hours(1)).await, Drained::default());
    let mails = server.mails();
    let ids: std::collections::BTreeSet<_> = mails.iter().map(|mail| mail.header("Message-ID")).collect();
    assert_eq!((mails.len(), ids.len()), (6, 6));
    let links: std::collections::BTreeSet<_> = mails.iter().map(|mail| mail.link()).collect();
    assert_eq!(links.len(), 6, "each has a link of its own");
}

#[tokio::test]
async fn a_mail_put_off_is_tried_again_and_one_refused_is_given_up() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&app, &dealer).await;
    let request = dealer.office.create("/v1/reading-requests", &bay.request()).await;
    let path = format!("/v1/reading-requests/{}", id(&request));
    server.refuse_next("451 Requested action aborted: local error in processing");
    let now = Utc::now();
    assert_eq!(app.drain_mail(now).await, Drained { put_off: 1, ..Drained::default() });
    assert_eq!(dealer.office.get(&path).await.json()["mail"], "waiting");
    assert_eq!(app.drain_mail(now).await, Drained::default(), "not before its pause is over");
    assert_eq!(app.drain_mail(now + Duration::minutes(2)).await, Drained { sent: 1, ..Drained::default() });
    assert_eq!((server.mails().len(), &dealer.office.get(&path).await.json()["mail"]), (1, &json!("sent")));
    assert_eq!(app.anyone().get(&server.mails()[0].link()).await.status(), 200);

    let other = dealer.office.create("/v1/reading-requests", &bay.request()).await;
    server.refuse_next("550 No such user here");
    let later = now + Duration::minutes(2);
    assert_eq!(app.drain_mail(later).await, Drained { given_up: 1, ..Drained::default() });
    let other = format!("/v1/reading-requests/{}", id(&other));
    assert_eq!(dealer.office.get(&other).await.json()["mail"], "given_up");
    assert_eq!(app.drain_mail(now + Duration::days(30)).await.given_up, 0);
}

#[tokio::test]
async fn a_mail_that_is_no_longer_wanted_is_not_sent() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&app, &dealer).await;
    let request = dealer.office.create("/v1/reading-requests", &bay.request()).await;
    let revoke = format!("/v1/reading-requests/{}/revoke", id(&request));
    assert_eq!(dealer.office.post_at(&revoke, "\"1\"").await.status(), 200);
    assert_eq!(app.drain_mail(Utc::now()).await, Drained { moot: 1, ..Drained::default() });
    assert!(server.mails().is_empty());
}

#[tokio::test]
async fn reminders_keep_to_the_dealers_rule_and_stop_with_the_reading() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&app, &dealer).await;
    let rule = dealer.office.get("/v1/reminder-rule").await;
    assert_eq!((rule.etag(), &rule.json()["reminders_most"]), ("\"0\"", &json!(3)));
    let own = json!({ "days_before": 0, "days_after": 2, "reminders_most": 2 });
    let set = dealer.office.patch("/v1/reminder-rule", "\"0\"", &own).await;
    assert_eq!((set.etag(), set.json()), ("\"1\"", own));
    dealer.office.patch("/v1/reminder-rule", "\"0\"", &json!({ "days_after": 1 })).await.refused(412, "stale");
    let most = json!({ "reminders_most": 11 });
    dealer
        .office
        .patch("/v1/reminder-rule", "\"1\"", &most)
        .await
        .refused_for(422, &[("/reminders_most", "out_of_range")]);
    dealer.technician.patch("/v1/reminder-rule", "\"1\"", &most).await.refused(403, "not-allowed");

    let request = dealer.office.create("/v1/reading-requests", &bay.request()).await;
    let now = Utc::now();
    let mut sent = Vec::new();
    for day in 0..12 {
        // Twice a day, as if the service was started again.
        let at = now + Duration::days(day);
        sent.push(app.drain_mail(at).await.sent + app.drain_mail(at + Duration::seconds(1)).await.sent);
    }
    // Due on the second day: asked, then reminded two and four days after.
    assert_eq!(sent, [1, 0, 0, 0, 1, 0, 1, 0, 0, 0, 0, 0]);
    let mails = server.mails();
    assert!(mails[1].header("Subject").starts_with("Reminder"), "{:?}", mails[1]);
    let after = dealer.office.get(&format!("/v1/reading-requests/{}", id(&request))).await.json();
    assert_eq!(after["reminders"], 2);
    // The link of each mail opens the same request.
    for mail in &mails {
        assert_eq!(app.anyone().get(&mail.link()).await.status(), 200);
    }

    // Read by another way since it was asked: nobody is reminded.
    dealer.office.create("/v1/reading-requests", &bay.request()).await;
    assert_eq!(app.drain_mail(Utc::now()).await.sent, 1);
    let earlier = "update reading_request set created_at = created_at - interval '3 days' where reminders = 0";
    app.superuser().await.execute(earlier, &[]).await.unwrap();
    read(&dealer.technician, &[(bay.makeup, 0, 62_000.0), (bay.wash, 0, 62_000.0)]).await;
    assert_eq!(app.drain_mail(now + Duration::days(8)).await, Drained::default());
}

#[tokio::test]
async fn without_a_mail_server_the_answer_says_to_hand_the_link_over() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&app, &dealer).await;
    let request = dealer.office.create("/v1/reading-requests", &bay.request()).await;
    assert_eq!(request["mail"], "by_hand");
    assert_eq!(app.drain_mail(Utc::now()).await, Drained::default());
    let link = bay.link(&dealer).await;
    assert_eq!(app.anyone().get(&link).await.status(), 200);
}
