//! Signing in, going on, signing out.

use crate::support::{Answer, Client, PASSWORD, TestApp};
use serde_json::{Value, json};
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

#[tokio::test]
async fn a_refresh_token_works_once() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let first = sign_in(&app, &format!("technician-{}@example.com", dealer.id), PASSWORD).await.json();
    let second = refresh(&app, &first["refresh_token"]).await;
    assert_eq!(second.status(), 200, "{second:?}");
    let second = second.json();
    assert_ne!(second["refresh_token"], first["refresh_token"]);
    assert_eq!(signed_in(&app, &second).get("/v1/me").await.json()["role"], "technician");
    refresh(&app, &first["refresh_token"]).await.refused(401, "not-signed-in");
    refresh(&app, &json!("unheard of")).await.refused(401, "not-signed-in");
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
