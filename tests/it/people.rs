//! People: invited by mail, accepting, changed, deactivated.

use crate::list_filters::comes_as_a_table;
use crate::lists::{by_pages, nothing};
use crate::program::wait_until;
use crate::series::{as_media, csv_has_the_rows};
use crate::support::{Client, Dealer, MailServer, PASSWORD, TestApp, id};
use chrono::{Duration, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

/// A password that nobody in these tests has by chance.
const CHOSEN: &str = "seven otters under a bridge";

fn invitation(email: &str, role: &str) -> Value {
    json!({ "name": "Mia Berger", "email": email, "role": role })
}

/// The token at the end of the last mail's link.
fn last_token(server: &MailServer) -> String {
    let link = server.mails().last().expect("a mail").link();
    link.rsplit('/').next().unwrap().to_owned()
}

async fn sign_in(app: &TestApp, email: &str, password: &str) -> Client {
    let tokens = app.anyone().create("/v1/sessions", &json!({ "email": email, "password": password })).await;
    app.anyone().with_token(tokens["access_token"].as_str().unwrap().to_owned())
}

async fn accept(app: &TestApp, token: &str, password: &str) -> crate::support::Answer {
    app.anyone().post("/v1/invitations/accept", &json!({ "token": token, "password": password })).await
}

/// One person of the list, by the e-mail address.
async fn person(owner: &Client, email: &str) -> Value {
    let list = owner.get("/v1/people?former=true").await.json();
    let found = list["items"].as_array().unwrap().iter().find(|row| row["email"] == email).cloned();
    found.unwrap_or_else(|| panic!("no {email} in {list}"))
}

async fn customer_with_sites(dealer: &Dealer) -> (Uuid, Vec<Uuid>) {
    let customer = id(&dealer.office.create("/v1/customers", &json!({ "name": "Harbour Haulage" })).await);
    let mut sites = Vec::new();
    for name in ["North bay", "South bay"] {
        let site = json!({ "customer_id": customer, "name": name, "time_zone": "Europe/Vienna", "country": "AT" });
        sites.push(id(&dealer.office.create("/v1/sites", &site).await));
    }
    (customer, sites)
}

#[tokio::test]
async fn who_is_invited_gets_a_link_sets_a_password_and_signs_in() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let made = dealer.owner.post("/v1/invitations", &invitation("mia@example.com", "office")).await;
    assert_eq!(made.status(), 201, "{made:?}");
    assert_eq!((&made.json()["state"], made.etag()), (&json!("open"), "\"1\""));
    assert_eq!(app.drain_mail(Utc::now()).await.sent, 1);
    let mail = server.mails().pop().unwrap();
    assert_eq!(mail.to, ["mia@example.com"]);
    assert!(mail.header("Subject").contains("Brookside invites you"), "{mail:?}");
    assert!(mail.link().starts_with("/invitation/"), "{mail:?}");

    let token = last_token(&server);
    let short = accept(&app, &token, "too short").await;
    short.refused_for(422, &[("/password", "too_short")]);
    accept(&app, &token, "passwordpassword").await.refused_for(422, &[("/password", "too_common")]);
    accept(&app, "AAAAAA", CHOSEN).await.refused(404, "not-found");
    assert_eq!(accept(&app, &token, CHOSEN).await.status(), 204);
    accept(&app, &token, CHOSEN).await.refused(410, "gone");
    let mia = sign_in(&app, "MIA@example.com", CHOSEN).await;
    assert_eq!(mia.get("/v1/me").await.json()["role"], "office");
    let row = person(&dealer.owner, "mia@example.com").await;
    assert_eq!(
        (&row["name"], &row["role"], &row["second_factor"]),
        (&json!("Mia Berger"), &json!("office"), &json!(false))
    );
    assert!(row["last_used_at"].is_string(), "{row}");
    assert_eq!(dealer.owner.get("/v1/invitations").await.json()["items"], json!([]));
    // In the change log stands who did what, and never a secret.
    let sql = "select string_agg(record || ' ' || verb, ', ' order by id) from change where record <> 'job'";
    let log: String = app.superuser().await.query_one(sql, &[]).await.unwrap().get(0);
    assert_eq!(log, "invitation created, invitation added, membership created, invitation updated, sign_in signed_in");
    let stored = "select string_agg(t::text, ' ') from (select encode(token_hash, 'hex') t from invitation_link
        union all select payload::text from job union all select detail::text from change) s";
    let stored: String = app.superuser().await.query_one(stored, &[]).await.unwrap().get(0);
    assert!(!stored.contains(&token) && !stored.contains(CHOSEN), "{stored}");
}

#[tokio::test]
async fn an_invitation_ends_by_time_by_withdrawal_and_begins_anew_when_sent_again() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let made = dealer.owner.create("/v1/invitations", &invitation("mia@example.com", "technician")).await;
    app.drain_mail(Utc::now()).await;
    let (first, path) = (last_token(&server), format!("/v1/invitations/{}", id(&made)));
    app.superuser().await.execute("update invitation set expires_at = now()", &[]).await.unwrap();
    accept(&app, &first, CHOSEN).await.refused(410, "gone");
    assert_eq!(dealer.owner.get("/v1/invitations").await.json()["items"][0]["state"], "expired");
    let again = dealer.owner.post(&format!("{path}/links"), &json!({})).await;
    assert_eq!((again.status(), &again.json()["link"]), (201, &Value::Null), "a mail server carries it");
    assert_eq!(app.drain_mail(Utc::now()).await.sent, 1);
    let second = last_token(&server);
    assert_ne!(first, second);
    dealer.owner.post_at(&format!("{path}/withdraw"), "\"1\"").await.refused(412, "stale");
    for revision in ["\"2\"", "\"3\""] {
        let withdrawn = dealer.owner.post_at(&format!("{path}/withdraw"), revision).await;
        assert_eq!((withdrawn.status(), &withdrawn.json()["state"]), (200, &json!("withdrawn")));
        assert_eq!(withdrawn.etag(), "\"3\"");
    }
    for token in [&first, &second] {
        accept(&app, token, CHOSEN).await.refused(410, "gone");
    }
    dealer.owner.post(&format!("{path}/links"), &json!({})).await.refused(409, "conflict");
    // Invited anew, and withdrawn before the mail went: it does not go.
    let made = dealer.owner.create("/v1/invitations", &invitation("mia@example.com", "technician")).await;
    dealer.owner.post_at(&format!("/v1/invitations/{}/withdraw", id(&made)), "\"1\"").await.json();
    assert_eq!(app.drain_mail(Utc::now()).await.moot, 1);
}

#[tokio::test]
async fn without_a_mail_server_the_link_is_handed_over() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let made = dealer.owner.create("/v1/invitations", &invitation("mia@example.com", "office")).await;
    let made = dealer.owner.post(&format!("/v1/invitations/{}/links", id(&made)), &json!({})).await.json();
    let token = made["link"].as_str().unwrap().rsplit('/').next().unwrap().to_owned();
    assert_eq!(accept(&app, &token, CHOSEN).await.status(), 204);
    assert_eq!(sign_in(&app, "mia@example.com", CHOSEN).await.get("/v1/me").await.status(), 200);
}

#[tokio::test]
async fn who_has_an_account_shows_its_password_to_join_another_dealer() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let (one, other) = (app.dealer("Brookside").await, app.dealer("Millrace").await);
    let email = format!("office-{}@example.com", one.id);
    other.owner.create("/v1/invitations", &invitation(&email.to_uppercase(), "technician")).await;
    app.drain_mail(Utc::now()).await;
    let token = last_token(&server);
    // The link alone neither joins the account nor changes its password.
    accept(&app, &token, CHOSEN).await.refused_for(422, &[("/password", "wrong_password")]);
    assert_eq!(accept(&app, &token, PASSWORD).await.status(), 204);
    let asked = app.anyone().post("/v1/sessions", &json!({ "email": email, "password": PASSWORD })).await;
    assert_eq!(asked.faults().len(), 2, "two memberships to choose from: {asked:?}");
    assert!(
        asked.text().contains("technician of Millrace") && asked.text().contains("office of Brookside"),
        "{asked:?}"
    );
    // Each dealer sees its own people alone.
    let rows = other.owner.get("/v1/people").await.json();
    assert_eq!(rows["items"].as_array().unwrap().len(), 4, "{rows}");
    let again = other.owner.post("/v1/invitations", &invitation(&email, "office")).await;
    again.refused(409, "conflict");
}

#[tokio::test]
async fn customers_people_are_tied_to_a_customer_and_its_sites() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let (customer, sites) = customer_with_sites(&dealer).await;
    let foreign = app.dealer("Millrace").await;
    let (theirs, their_sites) = customer_with_sites(&foreign).await;
    let of = |role: &str, customer: Option<Uuid>, sites: &[Uuid]| json!({ "name": "Walt", "email": "walt@example.com", "role": role, "customer_id": customer, "site_ids": sites });
    for (body, fault) in [
        (of("customer_viewer", None, &[]), ("/customer_id", "required")),
        (of("office", Some(customer), &[]), ("/customer_id", "not_for_role")),
        (of("customer_viewer", Some(theirs), &[]), ("/customer_id", "unknown_reference")),
        (of("customer_viewer", Some(customer), &[their_sites[0]]), ("/site_ids/0", "unknown_reference")),
        (of("office", None, &[sites[0]]), ("/site_ids/0", "unknown_reference")),
        (of("boss", None, &[]), ("/role", "unknown_role")),
    ] {
        dealer.owner.post("/v1/invitations", &body).await.refused_for(422, &[fault]);
    }
    dealer.owner.create("/v1/invitations", &of("customer_reader", Some(customer), &[sites[0]])).await;
    app.drain_mail(Utc::now()).await;
    assert!(server.mails()[0].text().contains("for Harbour Haulage"), "{:?}", server.mails());
    assert_eq!(accept(&app, &last_token(&server), CHOSEN).await.status(), 204);
    let row = person(&dealer.owner, "walt@example.com").await;
    assert_eq!((&row["customer_id"], &row["site_ids"]), (&json!(customer), &json!([sites[0]])));
    let me = sign_in(&app, "walt@example.com", CHOSEN).await.get("/v1/me").await.json();
    assert_eq!((&me["role"], &me["customer_id"]), (&json!("customer_reader"), &json!(customer)));

    let path = format!("/v1/people/{}", id(&row));
    let wider =
        dealer.owner.patch(&path, "\"1\"", &json!({ "role": "customer_viewer", "site_ids": sites })).await.json();
    assert_eq!((&wider["role"], wider["site_ids"].as_array().unwrap().len()), (&json!("customer_viewer"), 2));
    let own = dealer.owner.patch(&path, "\"2\"", &json!({ "role": "owner" })).await;
    assert!(own.faults().contains(&("/customer_id".to_owned(), "not_for_role".to_owned())), "{own:?}");
    dealer.owner.patch(&path, "\"2\"", &json!({ "site_ids": their_sites })).await.refused(422, "invalid");
    foreign.owner.get(&path).await.refused(404, "not-found");
    foreign.owner.patch(&path, "\"2\"", &json!({ "site_ids": [] })).await.refused(404, "not-found");
    foreign.owner.post_at(&format!("{path}/deactivate"), "\"2\"").await.refused(404, "not-found");
    foreign.owner.post(&format!("{path}/reset-password"), &json!({})).await.refused(404, "not-found");
    foreign.owner.post(&format!("{path}/end-sign-ins"), &json!({})).await.refused(404, "not-found");
}

/// A technician's phone was lost: it opens nothing any more, and its owner may sign in again.
#[tokio::test]
async fn an_owner_ends_the_sign_ins_of_a_person() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("technician-{}@example.com", dealer.id);
    let path = format!("/v1/people/{}/end-sign-ins", id(&person(&dealer.owner, &email).await));
    let phone = sign_in(&app, &email, PASSWORD).await;
    assert_eq!(phone.get("/v1/me").await.status(), 200);
    dealer.office.post(&path, &json!({})).await.refused(403, "not-allowed");
    assert_eq!(dealer.owner.post(&path, &json!({})).await.status(), 204);
    phone.get("/v1/me").await.refused(401, "not-signed-in");
    assert_eq!(sign_in(&app, &email, PASSWORD).await.get("/v1/me").await.status(), 200);
    assert_eq!(dealer.office.get("/v1/me").await.status(), 200, "nobody else's");
    let log = dealer.owner.get("/v1/audit?limit=200").await.json();
    let noted = |line: &Value| line["record"] == "membership" && line["verb"] == "signed_out";
    assert!(log["items"].as_array().unwrap().iter().any(noted), "{log}");
}

#[tokio::test]
async fn people_come_in_each_order_and_as_a_table() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let owner = &dealer.owner;
    comes_as_a_table(owner, "people").await;
    let csv = csv_has_the_rows(owner, "/v1/people").await;
    assert!(csv.starts_with("id,account_id,name,email,role,site_ids,customer_id,second_factor,last_used_at,"), "{csv}");

    let mut came = by_pages(owner, "/v1/people?sort=created", "id", nothing).await;
    assert_eq!(came.len(), 3);
    let email = format!("technician-{}@example.com", dealer.id);
    let technician = id(&person(owner, &email).await).to_string();
    let path = format!("/v1/people/{technician}");
    let changed = owner.patch(&path, "\"1\"", &json!({ "role": "office" })).await.json();
    assert_eq!(by_pages(owner, "/v1/people?", "id", nothing).await, came, "in the order they came");
    let since = format!("/v1/people?changed_since={}", changed["changed_at"].as_str().unwrap());
    assert_eq!(by_pages(owner, &since, "id", nothing).await, [technician.as_str()], "at that instant or later");
    came.retain(|one| *one != technician);
    came.push(technician);
    assert_eq!(by_pages(owner, "/v1/people?sort=changed", "id", nothing).await, came);
    owner.get("/v1/people?sort=name").await.refused_for(422, &[("/sort", "unknown_sort")]);
}

/// Whoever waits for the gate with a transaction open takes a connection from everybody else meanwhile.
#[tokio::test]
async fn a_list_of_people_that_waits_for_the_gate_holds_no_transaction() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (blocker, watcher) = (app.superuser().await, app.superuser().await);
    let count = async |condition: &str| -> i64 {
        let sql = format!("select count(*) from pg_stat_activity where datname = current_database() and {condition}");
        watcher.query_one(&sql, &[]).await.unwrap().get(0)
    };
    let asks = "usename = 'weirbook_gate' and wait_event_type = 'Lock' and query like '%totp_since%'";
    let holds = "usename = 'weirbook_app' and state like 'idle in transaction%'";
    for media in ["application/json", "text/csv"] {
        let list = async || as_media(&dealer.owner, "/v1/people", media).await.text().to_owned();
        let before = list().await;
        blocker.batch_execute("begin; lock table account in access exclusive mode").await.unwrap();
        let look = async {
            wait_until("the list asks the gate", async || count(asks).await == 1).await;
            wait_until("no transaction is open", async || count(holds).await == 0).await;
            assert_eq!(count(asks).await, 1, "and it waits still");
            blocker.batch_execute("rollback").await.unwrap();
        };
        assert_eq!(tokio::join!(list(), look).0, before, "{media}");
    }
}

#[tokio::test]
async fn invitations_come_in_each_order_and_as_a_table() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let owner = &dealer.owner;
    let mut made = Vec::new();
    for email in ["mia@example.com", "ann@example.com"] {
        made.push(id(&owner.create("/v1/invitations", &invitation(email, "office")).await).to_string());
    }
    comes_as_a_table(owner, "invitations").await;
    let csv = csv_has_the_rows(owner, "/v1/invitations").await;
    assert!(csv.starts_with("id,name,email,role,customer_id,site_ids,state,expires_at,revision,"), "{csv}");

    let link = owner.post(&format!("/v1/invitations/{}/links", made[0]), &json!({})).await;
    let link = link.json()["link"].as_str().unwrap().rsplit('/').next().unwrap().to_owned();
    assert!(!csv_has_the_rows(owner, "/v1/invitations").await.contains(&link), "a link is shown once");
    assert_eq!(by_pages(owner, "/v1/invitations?sort=created", "id", nothing).await, made);
    let renewed = owner.get("/v1/invitations").await.json()["items"][0]["changed_at"].as_str().unwrap().to_owned();
    let of_late = format!("/v1/invitations?changed_since={renewed}");
    assert_eq!(by_pages(owner, &of_late, "id", nothing).await, made[..1], "at that instant or later");
    made.reverse();
    assert_eq!(by_pages(owner, "/v1/invitations?sort=changed", "id", nothing).await, made);
    owner.get("/v1/invitations?sort=email").await.refused_for(422, &[("/sort", "unknown_sort")]);
}

#[tokio::test]
async fn people_are_for_owners_alone() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (customer, _) = customer_with_sites(&dealer).await;
    let row = person(&dealer.owner, &format!("office-{}@example.com", dealer.id)).await;
    let path = format!("/v1/people/{}", id(&row));
    let viewer = dealer.customer_viewer(customer).await;
    for client in [&dealer.office, &dealer.technician, &viewer] {
        client.get("/v1/people").await.refused(403, "not-allowed");
        client.get(&path).await.refused(403, "not-allowed");
        client.patch(&path, "\"1\"", &json!({ "role": "owner" })).await.refused(403, "not-allowed");
        client.post_at(&format!("{path}/deactivate"), "\"1\"").await.refused(403, "not-allowed");
        client.post("/v1/invitations", &invitation("x@example.com", "owner")).await.refused(403, "not-allowed");
        client.get("/v1/sign-in-rule").await.refused(403, "not-allowed");
        assert_eq!(client.page("/people").await.status(), 403);
    }
}

/// The change of a role holds for tokens that are out already, and costs nobody the sign-in.
#[tokio::test]
async fn a_change_of_role_holds_at_once_and_signs_nobody_out() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("office-{}@example.com", dealer.id);
    let tokens = app.anyone().create("/v1/sessions", &json!({ "email": email, "password": PASSWORD })).await;
    let before = app.anyone().with_token(tokens["access_token"].as_str().unwrap().to_owned());
    assert_eq!(before.post("/v1/customers", &json!({ "name": "A" })).await.status(), 201);
    let path = format!("/v1/people/{}", id(&person(&dealer.owner, &email).await));
    assert_eq!(dealer.owner.patch(&path, "\"1\"", &json!({ "role": "technician" })).await.status(), 200);
    before.post("/v1/customers", &json!({ "name": "B" })).await.refused(401, "not-signed-in");
    let next = app.anyone().post("/v1/sessions/refresh", &json!({ "refresh_token": tokens["refresh_token"] })).await;
    let after = app.anyone().with_token(next.json()["access_token"].as_str().unwrap().to_owned());
    assert_eq!(after.get("/v1/me").await.json()["role"], "technician");
    after.post("/v1/customers", &json!({ "name": "B" })).await.refused(403, "not-allowed");
}

#[tokio::test]
async fn who_is_deactivated_is_out_and_may_be_invited_back() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("office-{}@example.com", dealer.id);
    let office = sign_in(&app, &email, PASSWORD).await;
    let kept = app.anyone().create("/v1/sessions", &json!({ "email": email, "password": PASSWORD })).await;
    let row = person(&dealer.owner, &email).await;
    let path = format!("/v1/people/{}", id(&row));
    dealer.owner.post_at(&format!("{path}/deactivate"), "\"7\"").await.refused(412, "stale");
    let ended = dealer.owner.post_at(&format!("{path}/deactivate"), "\"1\"").await;
    assert!(ended.json()["ended_at"].is_string(), "{ended:?}");
    office.get("/v1/me").await.refused(401, "not-signed-in");
    let body = json!({ "email": email, "password": PASSWORD });
    app.anyone().post("/v1/sessions", &body).await.refused(403, "not-allowed");
    let rows = dealer.owner.get("/v1/people").await.json();
    assert_eq!(rows["items"].as_array().unwrap().len(), 2, "{rows}");
    dealer.owner.patch(&path, "\"2\"", &json!({ "role": "owner" })).await.refused(409, "conflict");

    dealer.owner.create("/v1/invitations", &invitation(&email, "technician")).await;
    app.drain_mail(Utc::now()).await;
    assert_eq!(accept(&app, &last_token(&server), PASSWORD).await.status(), 204);
    let back = sign_in(&app, &email, PASSWORD).await.get("/v1/me").await.json();
    assert_eq!(back["role"], "technician");
    assert_eq!(person(&dealer.owner, &email).await["id"], row["id"], "the same person as before");
    office.get("/v1/me").await.refused(401, "not-signed-in");
    let old = json!({ "refresh_token": kept["refresh_token"] });
    app.anyone().post("/v1/sessions/refresh", &old).await.refused(401, "not-signed-in");
}

#[tokio::test]
async fn the_last_owner_stays() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("owner-{}@example.com", dealer.id);
    let path = format!("/v1/people/{}", id(&person(&dealer.owner, &email).await));
    dealer.owner.post_at(&format!("{path}/deactivate"), "\"1\"").await.refused_for(409, &[("", "last_owner")]);
    dealer.owner.patch(&path, "\"1\"", &json!({ "role": "office" })).await.refused_for(409, &[("", "last_owner")]);
    let office = id(&person(&dealer.owner, &format!("office-{}@example.com", dealer.id)).await);
    dealer.owner.patch(&format!("/v1/people/{office}"), "\"1\"", &json!({ "role": "owner" })).await.json();
    // Two owners that take each other away at once: one of them stays.
    let (demoted, other_path) = (json!({ "role": "office" }), format!("/v1/people/{office}"));
    let (one, other) =
        tokio::join!(dealer.owner.patch(&path, "\"1\"", &demoted), dealer.owner.patch(&other_path, "\"2\"", &demoted),);
    let sql = "select count(*) from membership where role = 'owner' and ended_at is null";
    let left: i64 = app.superuser().await.query_one(sql, &[]).await.unwrap().get(0);
    assert_eq!(left, 1, "{one:?} {other:?}");
}

#[tokio::test]
async fn an_invitation_is_made_once_for_each_key_and_address() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let body = invitation("mia@example.com", "office");
    let first = dealer.owner.post_once("/v1/invitations", "k1", &body).await.json();
    assert_eq!(dealer.owner.post_once("/v1/invitations", "k1", &body).await.json(), first);
    let twice = dealer.owner.post("/v1/invitations", &invitation("Mia@Example.com", "technician")).await;
    twice.refused_for(409, &[("/email", "invited_already")]);
    let wrong = json!({ "name": "", "email": "mia", "role": "office" });
    dealer
        .owner
        .post("/v1/invitations", &wrong)
        .await
        .refused_for(422, &[("/name", "required"), ("/email", "not_an_address")]);
}

/// Links of an invitation are no links of a reading request, nor of another dealer.
#[tokio::test]
async fn links_open_what_they_were_made_for() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    app.dealer("Millrace").await;
    dealer.owner.create("/v1/invitations", &invitation("mia@example.com", "office")).await;
    app.drain_mail(Utc::now()).await;
    let token = last_token(&server);
    assert_eq!(app.anyone().get(&format!("/read/{token}")).await.status(), 404);
    assert_eq!(app.anyone().get(&format!("/reset/{token}")).await.status(), 410);
    assert_eq!(app.anyone().get(&format!("/invitation/{token}")).await.status(), 200);
    assert_eq!(app.drain_mail(Utc::now() + Duration::hours(1)).await.sent, 0, "one mail for one invitation");
}
