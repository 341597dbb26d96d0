//! A second factor: set up, asked for, replayed, recovered, ended.

use crate::support::{Answer, Client, Dealer, PASSWORD, TestApp};
use chrono::{DateTime, Duration, Utc};
use serde_json::{Value, json};
use weirbook::auth::totp;

/// RFC 4648, section 6, without padding: written apart from the service's own.
fn from_base32(text: &str) -> Vec<u8> {
    let bits: String =
        text.chars().map(|c| format!("{:05b}", "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567".find(c).unwrap())).collect();
    let whole = bits.len() / 8 * 8;
    (0..whole).step_by(8).map(|at| u8::from_str_radix(&bits[at..at + 8], 2).unwrap()).collect()
}

/// An authenticator program.
pub(crate) struct Phone(Vec<u8>);

impl Phone {
    pub(crate) fn with(secret: &str) -> Self {
        Self(from_base32(secret))
    }

    /// What it shows at an instant.
    pub(crate) fn shows(&self, at: DateTime<Utc>) -> String {
        totp::code_at(&self.0, at).unwrap()
    }

    /// What it shows in so many steps from now.
    pub(crate) fn shows_in(&self, steps: i32) -> String {
        self.shows(Utc::now() + Duration::seconds(30) * steps)
    }
}

async fn sign_in(app: &TestApp, email: &str, code: Option<&str>) -> Answer {
    let mut body = json!({ "email": email, "password": PASSWORD });
    if let Some(code) = code {
        body["code"] = code.into();
    }
    app.anyone().post("/v1/sessions", &body).await
}

fn signed_in(app: &TestApp, answer: &Answer) -> Client {
    app.anyone().with_token(answer.json()["access_token"].as_str().unwrap().to_owned())
}

fn email(dealer: &Dealer, who: &str) -> String {
    format!("{who}-{}@example.com", dealer.id)
}

/// Sets one up for somebody who is signed in; gives the phone and the recovery codes.
async fn set_up(client: &Client) -> (Phone, Vec<String>) {
    let begun = client.post("/v1/me/second-factor", &json!({ "password": PASSWORD })).await.json();
    let phone = Phone::with(begun["secret"].as_str().unwrap());
    let confirmed = client.post("/v1/me/second-factor/confirm", &json!({ "code": phone.shows_in(-1) })).await.json();
    let codes = confirmed["codes"].as_array().unwrap().iter().map(|code| code.as_str().unwrap().to_owned());
    (phone, codes.collect())
}

#[tokio::test]
async fn a_second_factor_is_set_up_and_asked_for() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = email(&dealer, "office");
    let (office, elsewhere) =
        (signed_in(&app, &sign_in(&app, &email, None).await), signed_in(&app, &sign_in(&app, &email, None).await));
    let none = office.get("/v1/me/second-factor").await.json();
    assert_eq!((&none["since"], &none["recovery_codes_left"]), (&Value::Null, &json!(0)));
    let wrong = office.post("/v1/me/second-factor", &json!({ "password": "wrong" })).await;
    wrong.refused_for(422, &[("/password", "wrong_password")]);
    office
        .post("/v1/me/second-factor/confirm", &json!({ "code": "123456" }))
        .await
        .refused_for(409, &[("", "not_begun")]);
    let begun = office.post("/v1/me/second-factor", &json!({ "password": PASSWORD })).await.json();
    let secret = begun["secret"].as_str().unwrap();
    assert_eq!(from_base32(secret).len(), 20);
    assert!(begun["address"].as_str().unwrap().contains(&format!("secret={secret}&issuer=Weirbook")), "{begun}");
    assert_eq!(sign_in(&app, &email, None).await.status(), 201, "nothing changes until it is confirmed");
    let phone = Phone::with(secret);
    let stale = office.post("/v1/me/second-factor/confirm", &json!({ "code": phone.shows_in(-10) })).await;
    stale.refused_for(422, &[("/code", "wrong_code")]);
    let first = phone.shows_in(0);
    let confirmed = office.post("/v1/me/second-factor/confirm", &json!({ "code": first })).await.json();
    assert_eq!(confirmed["codes"].as_array().unwrap().len(), 10);
    elsewhere.get("/v1/me").await.refused(401, "not-signed-in");
    assert_eq!(office.get("/v1/me").await.status(), 200, "the sign-in that set it up goes on");

    sign_in(&app, &email, None).await.refused_for(422, &[("/code", "required")]);
    sign_in(&app, &email, Some("000000")).await.refused_for(401, &[("/code", "wrong_code")]);
    sign_in(&app, &email, Some(&first)).await.refused_for(401, &[("/code", "wrong_code")]);
    let next = phone.shows_in(1);
    assert_eq!(sign_in(&app, &email, Some(&next)).await.status(), 201);
    sign_in(&app, &email, Some(&next)).await.refused_for(401, &[("/code", "wrong_code")]);
    let row = dealer.owner.get("/v1/people").await.json();
    let office = row["items"].as_array().unwrap().iter().find(|row| row["email"] == email.as_str()).unwrap().clone();
    assert_eq!(office["second_factor"], true);
    // What the database keeps does not yield a code.
    let sql = "select totp_sealed from account where totp_sealed is not null";
    let sealed: Vec<u8> = app.superuser().await.query_one(sql, &[]).await.unwrap().get(0);
    assert!(!sealed.windows(20).any(|part| part == from_base32(secret)), "sealed");
}

/// One code, sent many times at once: one of them gets in.
#[tokio::test]
async fn a_code_opens_once_however_many_send_it_at_once() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = email(&dealer, "technician");
    let (phone, _) = set_up(&signed_in(&app, &sign_in(&app, &email, None).await)).await;
    let code = phone.shows_in(0);
    let tries = futures_util::future::join_all((0..4).map(|_| sign_in(&app, &email, Some(&code)))).await;
    assert_eq!(tries.iter().filter(|answer| answer.status() == 201).count(), 1, "{tries:?}");
}

#[tokio::test]
async fn recovery_codes_stand_in_once_each() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = email(&dealer, "office");
    let office = signed_in(&app, &sign_in(&app, &email, None).await);
    let (phone, codes) = set_up(&office).await;
    let typed = codes[0].to_uppercase().replace('-', " ");
    assert_eq!(sign_in(&app, &email, Some(&typed)).await.status(), 201);
    sign_in(&app, &email, Some(&codes[0])).await.refused_for(401, &[("/code", "wrong_code")]);
    assert_eq!(office.get("/v1/me/second-factor").await.json()["recovery_codes_left"], 9);
    let shown = json!({ "password": PASSWORD, "code": phone.shows_in(0) });
    let renewed = office.post("/v1/me/second-factor/recovery-codes", &shown).await.json();
    sign_in(&app, &email, Some(&codes[1])).await.refused_for(401, &[("/code", "wrong_code")]);
    assert_eq!(sign_in(&app, &email, Some(renewed["codes"][3].as_str().unwrap())).await.status(), 201);
    let hashes = "select count(*) from recovery_code where length(code_hash) = 32";
    assert_eq!(app.superuser().await.query_one(hashes, &[]).await.unwrap().get::<_, i64>(0), 10);
}

#[tokio::test]
async fn it_ends_by_password_and_code_and_the_password_must_stand_alone() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = email(&dealer, "office");
    let office = signed_in(&app, &sign_in(&app, &email, None).await);
    let none = json!({ "password": PASSWORD, "code": "123456" });
    office.post("/v1/me/second-factor/end", &none).await.refused_for(409, &[("", "none_in_use")]);
    let (phone, codes) = set_up(&office).await;
    office.post("/v1/me/second-factor", &json!({ "password": PASSWORD })).await.refused_for(409, &[("", "in_use")]);
    office.post("/v1/me/second-factor/end", &none).await.refused_for(422, &[("/code", "wrong_code")]);
    // Beside a second factor eight characters do; they don't alone.
    let short = "kvm tqzu";
    let change = |from: &str, to: &str| json!({ "password": from, "new_password": to });
    assert_eq!(office.post("/v1/me/password", &change(PASSWORD, short)).await.status(), 204);
    let end = |password: &str, code: &str| json!({ "password": password, "code": code });
    let refused = office.post("/v1/me/second-factor/end", &end(short, &phone.shows_in(0))).await;
    refused.refused_for(422, &[("/password", "too_short")]);
    assert_eq!(office.post("/v1/me/password", &change(short, PASSWORD)).await.status(), 204);
    assert_eq!(office.post("/v1/me/second-factor/end", &end(PASSWORD, &codes[0])).await.status(), 204);
    assert_eq!(sign_in(&app, &email, None).await.status(), 201);
    let short_alone = office.post("/v1/me/password", &change(PASSWORD, short)).await;
    short_alone.refused_for(422, &[("/new_password", "too_short")]);
}

#[tokio::test]
async fn owners_need_one_where_the_dealer_says_so() {
    let app = TestApp::start().await;
    let (dealer, other) = (app.dealer("Brookside").await, app.dealer("Millrace").await);
    let email = email(&dealer, "owner");
    let tokens = sign_in(&app, &email, None).await;
    let owner = signed_in(&app, &tokens);
    let rule = owner.get("/v1/sign-in-rule").await;
    assert_eq!((rule.etag(), rule.json()), ("\"0\"", json!({ "owners_second_factor": false })));
    let ask = json!({ "owners_second_factor": true });
    owner.patch("/v1/sign-in-rule", "\"0\"", &ask).await.refused_for(409, &[("/owners_second_factor", "own_first")]);
    let (phone, _) = set_up(&owner).await;
    assert_eq!(owner.patch("/v1/sign-in-rule", "\"0\"", &ask).await.etag(), "\"1\"");
    owner.patch("/v1/sign-in-rule", "\"0\"", &ask).await.refused(412, "stale");

    let made = json!({ "name": "Tom", "email": "tom@example.com", "role": "owner" });
    let made = owner.create("/v1/invitations", &made).await;
    let link = owner.post(&format!("/v1/invitations/{}/links", made["id"].as_str().unwrap()), &json!({})).await.json();
    let token = link["link"].as_str().unwrap().rsplit('/').next().unwrap().to_owned();
    let accepted = app.anyone().post("/v1/invitations/accept", &json!({ "token": token, "password": PASSWORD })).await;
    assert_eq!(accepted.status(), 204, "{accepted:?}");
    sign_in(&app, "tom@example.com", None).await.refused(403, "not-allowed");
    assert_eq!(sign_in(&app, &email, Some(&phone.shows_in(1))).await.status(), 201);
    let office = format!("office-{}@example.com", dealer.id);
    assert_eq!(sign_in(&app, &office, None).await.status(), 201, "of owners alone");
    let elsewhere = format!("owner-{}@example.com", other.id);
    assert_eq!(sign_in(&app, &elsewhere, None).await.status(), 201, "of this dealer alone");
    // Who ends it while it is asked for is out at the next exchange.
    let shown = json!({ "password": PASSWORD, "code": "000000" });
    owner.post("/v1/me/second-factor/end", &shown).await.refused_for(422, &[("/code", "wrong_code")]);
    app.superuser().await.execute("update account set totp_since = null", &[]).await.unwrap();
    let refreshed = json!({ "refresh_token": tokens.json()["refresh_token"] });
    app.anyone().post("/v1/sessions/refresh", &refreshed).await.refused(401, "not-signed-in");
}
