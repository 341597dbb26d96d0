//! Signing in, going on, signing out.

use crate::support::{Answer, Client, PASSWORD, TestApp};
use reqwest::Method;
use serde_json::{Value, json};
use std::time::{Duration, Instant};
use weirbook::auth::Role;
use weirbook::db::gate::NewPerson;

async fn sign_in(app: &TestApp, email: &str, password: &str) -> Answer {
    app.anyone().post("/v1/sessions", &json!({ "email": email, "password": password })).await
}

async fn refresh(app: &TestApp, token: &Value) -> Answer {
    app.anyone().post("/v1/sessions/refresh", &json!({ "refresh_token": token })).await
}

fn signed_in(app: &TestApp, tokens: &Value) -> Client {
    app.anyone().with_token(tokens["access_token"].as_str().unwrap().to_owned())
}

#[tokio::test]
async fn a_password_opens_its_account() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let answer = sign_in(&app, &format!(" OFFICE-{}@Example.com ", dealer.id), PASSWORD).await;
    assert_eq!(answer.status(), 201, "the address in any case: {answer:?}");
    assert_eq!(answer.header("cache-control"), "no-store");
    let tokens = answer.json();
    assert_eq!((&tokens["token_type"], &tokens["expires_in"]), (&json!("Bearer"), &json!(900)));
    let me = signed_in(&app, &tokens).get("/v1/me").await.json();
    assert_eq!(me, dealer.office.get("/v1/me").await.json());
    assert_eq!((&me["role"], &me["dealer"]), (&json!("office"), &json!("Brookside")));
    assert_eq!((&me["time_zone"], &me["currency"]), (&json!("Europe/Vienna"), &json!("EUR")));
    assert_eq!(me["customer_id"], Value::Null);
}

#[tokio::test]
async fn a_refusal_does_not_tell_whether_the_account_exists() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let wrong = sign_in(&app, &format!("owner-{}@example.com", dealer.id), "wrong").await;
    let unknown = sign_in(&app, "nobody@example.com", PASSWORD).await;
    wrong.refused(401, "not-signed-in");
    assert_eq!(wrong.header("www-authenticate"), "Bearer");
    assert_eq!(wrong.problem(), unknown.problem());
    let superuser = app.superuser().await;
    superuser.execute("update account set disabled_at = now()", &[]).await.unwrap();
    let disabled = sign_in(&app, &format!("owner-{}@example.com", dealer.id), PASSWORD).await;
    assert_eq!(disabled.problem(), wrong.problem());
}

#[tokio::test]
async fn without_a_token_nothing_is_shown() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let no_one = app.anyone();
    no_one.get("/v1/me").await.refused(401, "not-signed-in");
    no_one.get("/v1/customers").await.refused(401, "not-signed-in");
    no_one.post("/v1/customers", &json!({ "name": "A" })).await.refused(401, "not-signed-in");
    no_one.with_token("e30.e30.AAAA".to_owned()).get("/v1/me").await.refused(401, "not-signed-in");
    assert_eq!(dealer.office.get("/v1/customers").await.json()["items"], json!([]));
}

/// As if the last exchange lay further back than a lost answer could.
async fn age_exchanges(app: &TestApp) {
    let sql = "update session_family set rotated_at = rotated_at - interval '1 minute'";
    app.superuser().await.execute(sql, &[]).await.unwrap();
}

#[tokio::test]
async fn a_refresh_token_is_exchanged_for_the_next() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let first = sign_in(&app, &format!("technician-{}@example.com", dealer.id), PASSWORD).await.json();
    let second = refresh(&app, &first["refresh_token"]).await;
    assert_eq!(second.status(), 200, "{second:?}");
    let second = second.json();
    assert_ne!(second["refresh_token"], first["refresh_token"]);
    assert_eq!(signed_in(&app, &second).get("/v1/me").await.json()["role"], "technician");
    refresh(&app, &json!("unheard of")).await.refused(401, "not-signed-in");
    // The answer got lost, or two were asked for at once: the same next token, and it goes on.
    let again = refresh(&app, &first["refresh_token"]).await.json();
    assert_eq!(again["refresh_token"], second["refresh_token"]);
    assert_eq!(refresh(&app, &second["refresh_token"]).await.status(), 200);
}

#[tokio::test]
async fn a_refresh_token_shown_again_later_ends_the_sign_in() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("technician-{}@example.com", dealer.id);
    let (first, other) = (sign_in(&app, &email, PASSWORD).await.json(), sign_in(&app, &email, PASSWORD).await.json());
    let second = refresh(&app, &first["refresh_token"]).await.json();
    let third = refresh(&app, &second["refresh_token"]).await.json();
    let client = signed_in(&app, &third);
    assert_eq!(client.get("/v1/me").await.status(), 200);
    // The thief's copy is older than the last two, so no lost answer explains it.
    refresh(&app, &first["refresh_token"]).await.refused(401, "not-signed-in");
    refresh(&app, &third["refresh_token"]).await.refused(401, "not-signed-in");
    client.get("/v1/me").await.refused(401, "not-signed-in");
    assert_eq!(refresh(&app, &other["refresh_token"]).await.status(), 200, "another sign-in goes on");

    let second = refresh(&app, &sign_in(&app, &email, PASSWORD).await.json()["refresh_token"]).await.json();
    let third = refresh(&app, &second["refresh_token"]).await.json();
    age_exchanges(&app).await;
    refresh(&app, &second["refresh_token"]).await.refused(401, "not-signed-in");
    refresh(&app, &third["refresh_token"]).await.refused(401, "not-signed-in");
    let sql = "select count(*) from change where record = 'sign_in' and detail ->> 'why' = 'refresh_token_used_twice'";
    assert_eq!(app.superuser().await.query_one(sql, &[]).await.unwrap().get::<_, i64>(0), 2);
}

/// One token, shown by many at once: all of them get the same next one.
#[tokio::test]
async fn exchanges_at_once_agree() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let first = sign_in(&app, &format!("technician-{}@example.com", dealer.id), PASSWORD).await.json();
    let answers = (0..8).map(|_| refresh(&app, &first["refresh_token"]));
    let answers = futures_util::future::join_all(answers).await;
    let next: std::collections::BTreeSet<String> =
        answers.iter().map(|answer| answer.json()["refresh_token"].as_str().unwrap().to_owned()).collect();
    assert_eq!(next.len(), 1, "{next:?}");
}

#[tokio::test]
async fn signing_out_ends_the_sign_in() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("owner-{}@example.com", dealer.id);
    let (ended, other) = (sign_in(&app, &email, PASSWORD).await.json(), sign_in(&app, &email, PASSWORD).await.json());
    for _twice in 0..2 {
        let out = app.anyone().post("/v1/sessions/end", &json!({ "refresh_token": ended["refresh_token"] })).await;
        assert_eq!((out.status(), out.text()), (204, ""));
    }
    refresh(&app, &ended["refresh_token"]).await.refused(401, "not-signed-in");
    assert_eq!(refresh(&app, &other["refresh_token"]).await.status(), 200, "another sign-in goes on");
}

#[tokio::test]
async fn sign_ins_are_listed_and_ended_by_their_owner() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("owner-{}@example.com", dealer.id);
    let body = json!({ "email": email, "password": PASSWORD });
    let from = async |address: &str, agent: &str| {
        let request = app.anyone().request(Method::POST, "/v1/sessions").json(&body);
        let request = request.header("x-forwarded-for", address).header("user-agent", agent);
        signed_in(&app, &app.anyone().send(request).await.json())
    };
    let phone = from("203.0.113.5", "Mozilla/5.0 (Android 16; Mobile; rv:140.0) Gecko/140.0 Firefox/140.0").await;
    let script = from("2001:db8::7", "curl/8.14.1").await;
    let other = from("198.51.100.9", "").await;
    let list = phone.get("/v1/sessions").await.json();
    let rows = list["items"].as_array().unwrap();
    let of = |device: &str| rows.iter().find(|row| row["device"] == device).unwrap_or_else(|| panic!("{list}"));
    assert_eq!(rows.len(), 3);
    let own = of("Firefox on Android");
    assert_eq!((&own["current"], &own["address"]), (&json!(true), &json!("203.0.113.5")));
    assert_eq!((&own["dealer"], &of("curl")["address"]), (&json!("Brookside"), &json!("2001:db8::7")));

    // Somebody else can't end them, and does not learn that they are there.
    let end = format!("/v1/sessions/{}/end", of("curl")["id"].as_str().unwrap());
    let stranger = sign_in(&app, &format!("office-{}@example.com", dealer.id), PASSWORD).await.json();
    signed_in(&app, &stranger).post(&end, &json!({})).await.refused(404, "not-found");
    assert_eq!(script.get("/v1/me").await.status(), 200);
    for _twice in 0..2 {
        assert_eq!(phone.post(&end, &json!({})).await.status(), 204);
    }
    script.get("/v1/me").await.refused(401, "not-signed-in");
    assert_eq!(other.get("/v1/me").await.status(), 200);
    assert_eq!(phone.post("/v1/sessions/end-others", &json!({})).await.status(), 204);
    other.get("/v1/me").await.refused(401, "not-signed-in");
    assert_eq!(phone.get("/v1/sessions").await.json()["items"].as_array().unwrap().len(), 1);
}

/// Access tokens are believed without asking the database: what another instance revoked must hold
/// within a minute, and does so within seconds.
#[tokio::test]
async fn a_revocation_reaches_other_instances_within_a_minute() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let elsewhere = app.another_instance();
    let tokens = sign_in(&app, &format!("owner-{}@example.com", dealer.id), PASSWORD).await.json();
    let token = tokens["access_token"].as_str().unwrap().to_owned();
    let there = elsewhere.anyone().with_token(token);
    assert_eq!(there.get("/v1/me").await.status(), 200);
    let ended = Instant::now();
    let out = app.anyone().post("/v1/sessions/end", &json!({ "refresh_token": tokens["refresh_token"] })).await;
    assert_eq!(out.status(), 204);
    while there.get("/v1/me").await.status() != 401 {
        assert!(ended.elapsed() < Duration::from_secs(60), "still believed");
        tokio::time::sleep(Duration::from_millis(250)).await;
    }
    assert!(ended.elapsed() < Duration::from_secs(10), "it took {:?}", ended.elapsed());
}

#[tokio::test]
async fn an_ended_membership_can_not_go_on() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("office-{}@example.com", dealer.id);
    let tokens = sign_in(&app, &email, PASSWORD).await.json();
    app.superuser().await.execute("update membership set ended_at = now() where role = 'office'", &[]).await.unwrap();
    refresh(&app, &tokens["refresh_token"]).await.refused(401, "not-signed-in");
    sign_in(&app, &email, PASSWORD).await.refused(403, "not-allowed");
}

#[tokio::test]
async fn who_belongs_to_several_dealers_chooses_one() {
    let app = TestApp::start().await;
    let (one, other) = (app.dealer("Brookside").await, app.dealer("Millrace").await);
    let email = format!("owner-{}@example.com", one.id);
    let again = NewPerson {
        email: email.clone(),
        name: "Known by another dealer".to_owned(),
        password_hash: "not used: the account exists".to_owned(),
        role: Role::Technician,
        customer: None,
    };
    app.db().add_person(other.id, &again).await.unwrap();
    let asked = sign_in(&app, &email, PASSWORD).await;
    asked.refused(422, "invalid");
    let choices = asked.faults();
    assert_eq!(choices.len(), 2);
    assert!(choices.iter().all(|fault| fault == &("/membership_id".into(), "choose_membership".into())));
    let sql = "select id::text from membership where dealer_id = $1 and role = 'technician'";
    let rows = app.superuser().await.query(sql, &[&other.id.0]).await.unwrap();
    let ids: Vec<String> = rows.iter().map(|row| row.get(0)).collect();
    let chosen = ids.iter().find(|id| asked.text().contains(*id)).expect("the problem names the membership");
    let choose = async |id: &str| {
        let body = json!({ "email": email, "password": PASSWORD, "membership_id": id });
        app.anyone().post("/v1/sessions", &body).await
    };
    let me = signed_in(&app, &choose(chosen).await.json()).get("/v1/me").await.json();
    assert_eq!((&me["dealer"], &me["role"]), (&json!("Millrace"), &json!("technician")));
    let foreign = ids.iter().find(|id| *id != chosen).unwrap();
    let refused = choose(foreign).await;
    refused.refused(422, "invalid");
    assert_eq!(refused.faults(), [("/membership_id".to_owned(), "unknown_membership".to_owned())]);
}

#[tokio::test]
async fn a_customers_person_says_which_customer() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.office.create("/v1/customers", &json!({ "name": "Harbour Haulage" })).await;
    let viewer = dealer.customer_viewer(customer["id"].as_str().unwrap().parse().unwrap()).await;
    let me = viewer.get("/v1/me").await.json();
    assert_eq!((&me["role"], &me["customer_id"]), (&json!("customer_viewer"), &customer["id"]));
}
