//! A month's figures by mail, against a real mail server: the figures of the API, once for each address
//! and month.

use crate::conventions::items;
use crate::list_filters::comes_as_a_table;
use crate::lists::{by_pages, nothing, rename};
use crate::readings::Plant;
use crate::report_life::{issue, night, report, send};
use crate::series::{as_media, csv_has_the_rows};
use crate::support::{Answer, Client, Dealer, MailServer, TestApp, id};
use chrono::{Duration, Utc};
use reqwest::Method;
use serde_json::{Value, json};
use uuid::Uuid;
use weirbook::jobs::mail::Drained;

/// A unit called like a formula, in Denver, whose make-up dial passed 31,000 L in January 2026; its
/// customer counts in US gallons.
async fn january(dealer: &Dealer) -> Plant {
    let plant = Plant::new(dealer, "America/Denver", json!({})).await;
    for (path, patch) in [
        (format!("/v1/units/{}", id(&items(&dealer.office, "/v1/units").await[0])), json!({ "label": "=2+5" })),
        (format!("/v1/customers/{}", plant.customer), json!({ "unit_system": "us" })),
    ] {
        let etag = dealer.office.get(&path).await.etag().to_owned();
        assert_eq!(dealer.office.patch(&path, &etag, &patch).await.status(), 200);
    }
    send(dealer, &plant.meter, &[("2026-01-01T07:00:00Z", 0.0), ("2026-02-01T07:00:00Z", 31_000.0)]).await;
    plant
}

async fn viewer(dealer: &Dealer, plant: &Plant) -> Client {
    dealer.customer_viewer(plant.customer.parse().unwrap()).await
}

fn address(customer: &str, email: &str) -> Value {
    json!({ "customer_id": customer, "email": email })
}

fn sent(sent: usize) -> Drained {
    Drained { sent, ..Drained::default() }
}

/// What is attached to the mail of that number.
fn attached(server: &MailServer, n: usize) -> String {
    let parts = server.mails()[n].parts();
    let csv = parts.iter().find(|(media, _)| media.starts_with("text/csv")).unwrap_or_else(|| panic!("{parts:?}"));
    String::from_utf8(csv.1.clone()).unwrap()
}

/// The customer's own answer of the API, with two names before its one line.
#[track_caller]
fn with_names(answer: &Answer) -> String {
    let lines: Vec<&str> = answer.text().split("\r\n").collect();
    let [head, row, ""] = lines[..] else { panic!("{answer:?}") };
    format!("site,unit,{head}\r\nNorth bay,\"'=2+5\",{row}\r\n")
}

#[tokio::test]
async fn a_month_goes_once_to_each_address_with_the_figures_of_the_api() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let plant = january(&dealer).await;
    let own = viewer(&dealer, &plant).await;
    let made = own.create("/v1/monthly-files", &address(&plant.customer, "ann@example.com")).await;
    assert_eq!((&made["day_of_month"], &made["unsubscribed"]), (&json!(5), &json!(false)));
    night(&app, &dealer, "2026-02-04T12:00:00Z").await;
    assert_eq!(app.drain_mail(Utc::now()).await, Drained::default(), "its day has not come");
    night(&app, &dealer, "2026-02-05T06:59:00Z").await;
    assert_eq!(app.drain_mail(Utc::now()).await, Drained::default(), "at the site it is the fourth");
    night(&app, &dealer, "2026-02-05T07:01:00Z").await;
    let now = Utc::now();
    let drained = tokio::join!(app.drain_mail(now), app.drain_mail(now));
    assert_eq!(drained.0.sent + drained.1.sent, 1, "{drained:?}");
    for again in ["2026-02-05T12:00:00Z", "2026-02-06T12:00:00Z", "2026-02-28T12:00:00Z"] {
        night(&app, &dealer, again).await;
        assert_eq!(app.drain_mail(now + Duration::days(1)).await, Drained::default(), "never twice");
    }

    let mail = &server.mails()[0];
    assert_eq!(mail.to, ["ann@example.com"]);
    assert_eq!(mail.header("Subject"), "Water figures of Harbour Haulage, January 2026");
    assert_eq!(mail.header("List-Unsubscribe-Post"), "List-Unsubscribe=One-Click");
    let texts = mail.parts();
    let text = String::from_utf8(texts.iter().find(|(media, _)| media.starts_with("text/plain")).unwrap().1.clone());
    let text = text.unwrap();
    assert!(text.contains("US gallons") && text.contains("The figures are live"), "{text}");

    let path = "/v1/water?from=2026-01-01&to=2026-01-31&step=month&units=us";
    assert_eq!(attached(&server, 0), with_names(&as_media(&own, path, "text/csv").await));
    // NIST SP 811: one US gallon is 3.785 411 784 litres.
    let figures = own.get(path).await.json()["items"][0].clone();
    assert!((figures["makeup_gal"].as_f64().unwrap() - 31_000.0 / 3.785_411_784).abs() < 1e-6, "{figures}");
    assert_eq!((&figures["state"], &figures["issued_revision"]), (&json!("live"), &Value::Null));

    // Who is added later gets the same month, and is told what was issued meanwhile.
    let issued = issue(&dealer.office, &report(&dealer.office, "2026-01").await).await.json();
    dealer.office.create("/v1/monthly-files", &address(&plant.customer, "bo@example.com")).await;
    night(&app, &dealer, "2026-02-28T13:00:00Z").await;
    assert_eq!(app.drain_mail(Utc::now()).await, sent(1));
    assert_eq!(server.mails()[1].to, ["bo@example.com"]);
    assert_eq!(attached(&server, 1), with_names(&as_media(&own, path, "text/csv").await));
    let told = format!(",live,{},makeup_only,", issued["revision"]);
    assert!(attached(&server, 1).contains(&told), "{told} in {}", attached(&server, 1));

    let told = own.get("/v1/changes?records=monthly_file").await.json();
    let verbs: Vec<_> = told["items"].as_array().unwrap().iter().map(|line| line["verb"].clone()).collect();
    assert_eq!(verbs, ["created", "created"], "{told}");
    let jobs = app.superuser().await;
    let logged = "select count(*) from change where record = 'job' and detail->>'kind' = 'monthly_file'";
    assert_eq!(jobs.query_one(logged, &[]).await.unwrap().get::<_, i64>(0), 2);
}

#[tokio::test]
async fn a_file_put_off_is_tried_again_and_one_without_figures_waits() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let plant = january(&dealer).await;
    let idle = dealer.customer("Idle").await;
    dealer.site(idle, "Empty bay").await;
    dealer.office.create("/v1/monthly-files", &address(&idle.to_string(), "idle@example.com")).await;
    let made = dealer.office.create("/v1/monthly-files", &address(&plant.customer, "ann@example.com")).await;
    night(&app, &dealer, "2026-02-06T12:00:00Z").await;
    server.refuse_next("451 Requested action aborted: local error in processing");
    let now = Utc::now();
    assert_eq!(app.drain_mail(now).await, Drained { put_off: 1, ..Drained::default() });
    assert_eq!(app.drain_mail(now).await, Drained::default(), "not before its pause is over");
    // Meanwhile it is written otherwise, which is the same address.
    let path = format!("/v1/monthly-files/{}", id(&made));
    assert_eq!(dealer.office.patch(&path, "\"1\"", &json!({ "email": "Ann@example.com" })).await.status(), 200);
    assert_eq!(app.drain_mail(now + Duration::minutes(2)).await, sent(1));
    assert!(attached(&server, 0).contains("North bay"));

    // Another address while the next month's file waits: that one gets it, and the old one nothing.
    send(&dealer, &plant.meter, &[("2026-03-01T07:00:00Z", 40_000.0)]).await;
    night(&app, &dealer, "2026-03-05T12:00:00Z").await;
    assert_eq!(dealer.office.patch(&path, "\"2\"", &json!({ "email": "cy@example.com" })).await.status(), 200);
    assert_eq!(app.drain_mail(Utc::now()).await, Drained { moot: 1, ..Drained::default() });
    night(&app, &dealer, "2026-03-06T12:00:00Z").await;
    assert_eq!(app.drain_mail(Utc::now()).await, sent(1));
    assert_eq!(server.mails()[1].to, ["cy@example.com"]);
}

#[tokio::test]
async fn who_wants_no_more_gets_no_more() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let plant = january(&dealer).await;
    let made = dealer.office.create("/v1/monthly-files", &address(&plant.customer, "ann@example.com")).await;
    night(&app, &dealer, "2026-02-06T12:00:00Z").await;
    assert_eq!(app.drain_mail(Utc::now()).await, sent(1));
    let link = server.mails()[0].header("List-Unsubscribe");
    let link = link.trim_matches(['<', '>']).strip_prefix("https://water.example.com").unwrap().to_owned();
    let asked = app.anyone().get(&link).await;
    assert!(asked.text().contains("Water figures of Harbour Haulage"), "{asked:?}");
    assert!(asked.text().contains("ann@example.com gets them"), "{asked:?}");
    // RFC 8058, section 3.1: one POST, and nothing else.
    let request = app.anyone().request(Method::POST, &link);
    let one_click =
        request.header("content-type", "application/x-www-form-urlencoded").body("List-Unsubscribe=One-Click");
    let ended = app.anyone().send(one_click).await;
    assert!(ended.status() == 200 && ended.text().contains("gets no more"), "{ended:?}");
    let now = dealer.office.get(&format!("/v1/monthly-files/{}", id(&made))).await.json();
    assert_eq!((&now["unsubscribed"], &now["revision"], now["ended_at"].is_null()), (&json!(true), &json!(2), false));
    send(&dealer, &plant.meter, &[("2026-03-01T07:00:00Z", 40_000.0)]).await;
    night(&app, &dealer, "2026-03-06T12:00:00Z").await;
    assert_eq!(app.drain_mail(Utc::now()).await, Drained::default());
}

#[tokio::test]
async fn customers_say_where_their_own_figures_go_and_see_no_others() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (mine, other) = (dealer.customer("Mill").await, dealer.customer("Yard").await);
    let (own, foreign) = (dealer.customer_reader(mine).await, dealer.customer_viewer(other).await);
    let new = address(&mine.to_string(), "ann@example.com");
    let made = own.post_once("/v1/monthly-files", "key-1", &new).await;
    assert_eq!((made.status(), made.etag()), (201, "\"1\""), "{made:?}");
    assert_eq!(own.post_once("/v1/monthly-files", "key-1", &new).await.json(), made.json(), "once");
    let twice = address(&mine.to_string(), "ANN@example.com");
    own.post("/v1/monthly-files", &twice).await.refused_for(409, &[("/email", "address_exists")]);
    let path = format!("/v1/monthly-files/{}", id(&made.json()));
    let elsewhere = app.dealer("Elsewhere").await;
    for stranger in [&foreign, &elsewhere.office] {
        stranger.get(&path).await.refused(404, "not-found");
        stranger.patch(&path, "\"1\"", &json!({ "day_of_month": 9 })).await.refused(404, "not-found");
        stranger.post_at(&format!("{path}/retire"), "\"1\"").await.refused(404, "not-found");
        stranger.post("/v1/monthly-files", &new).await.refused_for(422, &[("/customer_id", "unknown_reference")]);
        assert_eq!(items(stranger, "/v1/monthly-files?retired=true").await, [Value::Null; 0]);
    }
    let moved = json!({ "customer_id": other });
    own.patch(&path, "\"1\"", &moved).await.refused_for(422, &[("/customer_id", "fixed")]);
    dealer.technician.get(&path).await.refused(403, "not-allowed");
    own.patch(&path, "\"7\"", &json!({ "day_of_month": 9 })).await.refused(412, "stale");
    let wrong = json!({ "email": "nobody", "day_of_month": 29 });
    own.patch(&path, "\"1\"", &wrong)
        .await
        .refused_for(422, &[("/email", "not_an_address"), ("/day_of_month", "out_of_range")]);
    let changed = own.patch(&path, "\"1\"", &json!({ "day_of_month": 9 })).await;
    assert_eq!((changed.etag(), &changed.json()["day_of_month"]), ("\"2\"", &json!(9)));
    dealer.office.post_at(&format!("{path}/retire"), "\"1\"").await.refused(412, "stale");
    let retired = dealer.office.post_at(&format!("{path}/retire"), "\"2\"").await;
    assert_eq!((retired.etag(), &retired.json()["unsubscribed"]), ("\"3\"", &json!(false)));
    assert_eq!(items(&own, "/v1/monthly-files").await, [Value::Null; 0]);
    assert_eq!(items(&own, &format!("/v1/monthly-files?customer_id={mine}&retired=true")).await, [retired.json()]);

    for n in 0..20 {
        own.create("/v1/monthly-files", &address(&mine.to_string(), &format!("a{n}@example.com"))).await;
    }
    own.post("/v1/monthly-files", &new).await.refused_for(409, &[("", "too_many")]);
    assert_eq!(items(&own, "/v1/monthly-files?limit=7").await.len(), 7);
}

#[tokio::test]
async fn addresses_come_in_each_order_and_as_a_table() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (office, customer) = (&dealer.office, dealer.customer("Mill").await.to_string());
    let mut made = Vec::new();
    for email in ["bo@example.com", "ann@example.com"] {
        made.push(id(&office.create("/v1/monthly-files", &address(&customer, email)).await).to_string());
    }
    comes_as_a_table(office, "monthly-files").await;
    let csv = csv_has_the_rows(office, "/v1/monthly-files").await;
    assert!(csv.starts_with("id,customer_id,email,day_of_month,unsubscribed,revision,"), "{csv}");

    rename(office, &format!("/v1/monthly-files/{}", made[0]), json!({ "day_of_month": 9 })).await;
    assert_eq!(by_pages(office, "/v1/monthly-files?sort=created", "id", nothing).await, made);
    let since = office.get(&format!("/v1/monthly-files/{}", made[0])).await.json();
    let since = since["changed_at"].as_str().unwrap();
    let of_late = format!("/v1/monthly-files?changed_since={since}");
    assert_eq!(by_pages(office, &of_late, "id", nothing).await, made[..1], "at that instant or later");
    made.reverse();
    assert_eq!(by_pages(office, "/v1/monthly-files?sort=changed", "id", nothing).await, made);
    office.get("/v1/monthly-files?sort=email").await.refused_for(422, &[("/sort", "unknown_sort")]);
}

/// A file has the figures of all sites.
#[tokio::test]
async fn who_sees_some_sites_has_no_file_sent() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Mill").await;
    let site = dealer.site(customer, "North bay").await;
    let limited = dealer.customer_viewer(customer).await;
    dealer.office.create("/v1/monthly-files", &address(&customer.to_string(), "ann@example.com")).await;
    let limit = "insert into site_access (dealer_id, membership_id, site_id)
                 select dealer_id, id, $1 from membership where customer_id = $2";
    assert_eq!(app.superuser().await.execute(limit, &[&site, &customer]).await.unwrap(), 1);
    assert_eq!(items(&limited, "/v1/monthly-files").await, [Value::Null; 0]);
    let new = address(&customer.to_string(), "me@example.com");
    limited.post("/v1/monthly-files", &new).await.refused_for(409, &[("", "not_all_sites")]);
}

#[tokio::test]
async fn an_address_is_added_changed_and_ended_on_its_pages() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Mill").await;
    let own = dealer.customer_viewer(customer).await;
    let list = format!("/customers/{customer}/monthly-files");
    for page in [own.page("/").await, dealer.office.page(&format!("/customers/{customer}")).await] {
        assert!(page.text().contains(&format!("href=\"{list}\"")), "{page:?}");
    }
    assert!(own.page(&list).await.text().contains("No address yet."));
    let fresh = own.page(&format!("{list}/new")).await;
    assert!(fresh.text().contains("<option value=\"5\" selected"), "{fresh:?}");
    let wrong = own.send_form(&list, &[("email", "nobody"), ("day_of_month", "5")]).await;
    assert!(wrong.status() == 422 && wrong.text().contains("href=\"#f-email\""), "{wrong:?}");
    let added = own.send_form(&list, &[("email", "ann@example.com"), ("day_of_month", "3")]).await;
    assert_eq!((added.status(), added.header("location")), (303, list.as_str()), "{added:?}");
    let shown = own.page(&list).await;
    assert!(shown.text().contains("ann@example.com") && shown.text().contains("3 of the next month"), "{shown:?}");
    let made: Uuid = id(&items(&own, "/v1/monthly-files").await[0]);
    let path = format!("/monthly-files/{made}");
    assert!(own.page(&path).await.text().contains("value=\"ann@example.com\""));
    let changed = [("email", "bo@example.com"), ("day_of_month", "9"), ("revision", "1")];
    assert_eq!(own.send_form(&path, &changed).await.header("location"), list);
    assert_eq!(own.send_form(&path, &changed).await.status(), 412, "at an earlier revision");
    assert_eq!(dealer.technician.page(&list).await.status(), 403);
    let stranger = dealer.customer_viewer(dealer.customer("Yard").await).await;
    assert_eq!((stranger.page(&list).await.status(), stranger.page(&path).await.status()), (404, 404));
    assert_eq!(own.send_form(&format!("{path}/retire"), &[("revision", "2")]).await.header("location"), list);
    let ended = dealer.office.page(&list).await;
    assert!(ended.text().contains("bo@example.com") && ended.text().contains(">ended<"), "{ended:?}");
}
