//! Guessing at passwords and codes gets slow, and leaves who it is about in peace. Forgotten passwords.
//! What strangers may learn of accounts: nothing, by words or by time.

use crate::second_factor::Phone;
use crate::support::{Answer, Browser, Client, MailServer, PASSWORD, TestApp};
use chrono::{Duration, Utc};
use reqwest::Method;
use serde_json::{Value, json};
use std::time::Instant;
use weirbook::auth::throttle::Counted;

const CHOSEN: &str = "seven otters under a bridge";

async fn from(app: &TestApp, address: &str, body: &Value) -> Answer {
    let request = app.anyone().request(Method::POST, "/v1/sessions").header("x-forwarded-for", address);
    app.anyone().send(request.json(body)).await
}

fn typed(email: &str, password: &str) -> Value {
    json!({ "email": email, "password": password })
}

/// Lets time pass for what was counted.
async fn wait(app: &TestApp, seconds: i32) {
    let sql = format!(
        "update sign_in_try set next_at = next_at - interval '{seconds} s', last_at = last_at - interval '{seconds} s'"
    );
    app.superuser().await.batch_execute(&sql).await.unwrap();
}

#[tokio::test]
async fn guessing_from_one_address_gets_slower_and_slower() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let owner = format!("owner-{}@example.com", dealer.id);
    for email in [owner.as_str(), "nobody@example.com"] {
        for _ in 0..5 {
            from(&app, "203.0.113.5", &typed(email, "wrong")).await.refused(401, "not-signed-in");
        }
        // Even the right password is not looked at until the pause is over.
        let paused = from(&app, "203.0.113.5", &typed(email, PASSWORD)).await;
        paused.refused(429, "too-many");
        assert!(paused.text().contains("Try again in"), "{paused:?}");
    }
    wait(&app, 2).await;
    from(&app, "203.0.113.5", &typed(&owner, "wrong")).await.refused(401, "not-signed-in");
    wait(&app, 2).await;
    from(&app, "203.0.113.5", &typed(&owner, PASSWORD)).await.refused(429, "too-many");
    wait(&app, 2).await;
    assert_eq!(from(&app, "203.0.113.5", &typed(&owner, PASSWORD)).await.status(), 201, "the pause doubled to 4 s");
    // A sign-in ends the count.
    from(&app, "203.0.113.5", &typed(&owner, "wrong")).await.refused(401, "not-signed-in");
    assert_eq!(from(&app, "203.0.113.5", &typed(&owner, PASSWORD)).await.status(), 201);
}

/// However many come at once, each is counted before it is looked at.
#[tokio::test]
async fn tries_at_once_are_all_counted() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let body = typed(&format!("owner-{}@example.com", dealer.id), "wrong");
    let answers = futures_util::future::join_all((0..20).map(|_| from(&app, "203.0.113.5", &body))).await;
    let looked_at = answers.iter().filter(|answer| answer.status() == 401).count();
    assert_eq!((looked_at, answers.len() - looked_at), (5, 15));
}

#[tokio::test]
async fn an_account_under_attack_stays_open_to_its_owners_own_places() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("owner-{}@example.com", dealer.id);
    assert_eq!(from(&app, "198.51.100.7", &typed(&email, PASSWORD)).await.status(), 201, "its owner's own place");
    let mut browser = Browser::new(app.anyone(), "198.51.100.8");
    let signed_in = browser.send("/sign-in", &[("email", &email), ("password", PASSWORD)]).await;
    assert_eq!(signed_in.status(), 303, "{signed_in:?}");
    // Another address for each try, as those who have many machines do.
    let mut refused = 0;
    for n in 0..30 {
        let answer = from(&app, &format!("203.0.113.{n}"), &typed(&email, "wrong")).await;
        refused += usize::from(answer.status() == 429);
    }
    assert!(refused >= 9, "{refused} of 30");
    from(&app, "192.0.2.1", &typed(&email, PASSWORD)).await.refused(429, "too-many");
    assert_eq!(from(&app, "198.51.100.7", &typed(&email, PASSWORD)).await.status(), 201, "known by the address");
    // Known by its cookie, wherever it is.
    let mut travelling = Browser::new(app.anyone(), "192.0.2.77");
    travelling.cookies.insert("weirbook_device".to_owned(), browser.cookies["weirbook_device"].clone());
    let signed_in = travelling.send("/sign-in", &[("email", &email), ("password", PASSWORD)]).await;
    assert_eq!(signed_in.status(), 303, "{signed_in:?}");
    // Another account is not slowed.
    let other = format!("office-{}@example.com", dealer.id);
    assert_eq!(from(&app, "192.0.2.1", &typed(&other, PASSWORD)).await.status(), 201);
    // Nor is a browser it knows by what others in its network try.
    for _ in 0..6 {
        from(&app, "198.51.100.8", &typed(&email, "wrong")).await;
    }
    from(&app, "198.51.100.8", &typed(&email, PASSWORD)).await.refused(429, "too-many");
    let signed_in = browser.send("/sign-in", &[("email", &email), ("password", PASSWORD)]).await;
    assert_eq!(signed_in.status(), 303, "{signed_in:?}");
}

/// One address, many accounts: what fills lists of stolen passwords.
#[tokio::test]
async fn one_address_can_not_try_accounts_without_end() {
    let app = TestApp::start().await;
    let mut looked_at = 0;
    for n in 0..70 {
        let answer = from(&app, "203.0.113.5", &typed(&format!("nobody-{n}@example.com"), "wrong")).await;
        looked_at += usize::from(answer.status() == 401);
    }
    assert!((60..=63).contains(&looked_at), "{looked_at} of 70");
    from(&app, "203.0.113.6", &typed("nobody@example.com", "wrong")).await.refused(401, "not-signed-in");
}

#[tokio::test]
async fn guessing_at_codes_and_by_the_page_is_slowed_too() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("office-{}@example.com", dealer.id);
    let mut browser = Browser::new(app.anyone(), "203.0.113.5");
    for _ in 0..5 {
        let wrong = browser.send("/sign-in", &[("email", &email), ("password", "wrong")]).await;
        assert_eq!(wrong.status(), 401);
    }
    let paused = browser.send("/sign-in", &[("email", &email), ("password", PASSWORD)]).await;
    assert!(paused.status() == 429 && paused.text().contains("Try again in"), "{paused:?}");

    let technician = format!("technician-{}@example.com", dealer.id);
    let tokens = app.anyone().create("/v1/sessions", &typed(&technician, PASSWORD)).await;
    let client = app.anyone().with_token(tokens["access_token"].as_str().unwrap().to_owned());
    let begun = client.post("/v1/me/second-factor", &json!({ "password": PASSWORD })).await.json();
    let phone = Phone::with(begun["secret"].as_str().unwrap());
    client.post("/v1/me/second-factor/confirm", &json!({ "code": phone.shows_in(-1) })).await.json();
    let mut body = typed(&technician, PASSWORD);
    for n in 0..5 {
        body["code"] = format!("00000{n}").into();
        from(&app, "203.0.113.9", &body).await.refused(401, "not-signed-in");
        wait(&app, 3600).await;
    }
    // As if the last pause had a minute to go, and the password's own count were forgotten.
    wait(&app, -3660).await;
    let password_tries = Counted::Pair.key(&technician, "203.0.113.9");
    let forgotten = "delete from sign_in_try where key = $1";
    assert_eq!(app.superuser().await.execute(forgotten, &[&password_tries]).await.unwrap(), 1);
    body["code"] = phone.shows_in(1).into();
    from(&app, "203.0.113.9", &body).await.refused(429, "too-many");
}

/// The page's sign-in is taken from the page alone: nobody is signed in as somebody else by a form on
/// another site.
#[tokio::test]
async fn a_sign_in_from_another_sites_form_is_refused() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let body = format!("email=owner-{}%40example.com&password=quiet+water+runs+deep", dealer.id);
    for path in ["/sign-in", "/sign-out", "/forgotten", "/sign-in/code", "/sign-in/membership"] {
        let foreign = app.anyone().form(path, Some("https://evil.example"), &format!("{body}&step=x&code=1")).await;
        assert_eq!(foreign.status(), 403, "{path}: {foreign:?}");
        assert_eq!(foreign.cookies().count(), 0);
    }
}

fn link_of(server: &MailServer) -> String {
    server.mails().last().expect("a mail").link().rsplit('/').next().unwrap().to_owned()
}

async fn forget(client: &Client, email: &str) -> Answer {
    client.post("/v1/password-resets", &json!({ "email": email })).await
}

#[tokio::test]
async fn a_forgotten_password_is_set_anew_by_a_mailed_link() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("office-{}@example.com", dealer.id);
    let tokens = app.anyone().create("/v1/sessions", &typed(&email, PASSWORD)).await;
    let before = app.anyone().with_token(tokens["access_token"].as_str().unwrap().to_owned());
    for _three_times in 0..3 {
        assert_eq!(forget(app.anyone(), &format!(" {} ", email.to_uppercase())).await.status(), 202);
    }
    assert_eq!(app.drain_mail(Utc::now()).await.sent, 1, "one mail, however often it is asked for");
    let link = link_of(&server);
    let set = async |link: &str, password: &str| {
        app.anyone().post("/v1/password-resets/use", &json!({ "token": link, "password": password })).await
    };
    set(&link, "too short").await.refused_for(422, &[("/password", "too_short")]);
    set("AAAA", CHOSEN).await.refused(410, "gone");
    assert_eq!(before.get("/v1/me").await.status(), 200, "nothing has changed yet");
    assert_eq!(set(&link, CHOSEN).await.status(), 204);
    set(&link, CHOSEN).await.refused(410, "gone");
    before.get("/v1/me").await.refused(401, "not-signed-in");
    let refreshed = json!({ "refresh_token": tokens["refresh_token"] });
    app.anyone().post("/v1/sessions/refresh", &refreshed).await.refused(401, "not-signed-in");
    app.anyone().post("/v1/sessions", &typed(&email, PASSWORD)).await.refused(401, "not-signed-in");
    assert_eq!(app.anyone().post("/v1/sessions", &typed(&email, CHOSEN)).await.status(), 201);

    // An owner sends one on somebody's behalf; it goes to that person's mailbox alone, and ends in time.
    let list = dealer.owner.get("/v1/people").await.json();
    let row = list["items"].as_array().unwrap().iter().find(|row| row["email"] == email.as_str()).unwrap().clone();
    let path = format!("/v1/people/{}/reset-password", row["id"].as_str().unwrap());
    app.superuser()
        .await
        .execute("update job set once = once || ' before' where kind = 'password_reset'", &[])
        .await
        .unwrap();
    assert_eq!(dealer.owner.post(&path, &json!({})).await.text(), "");
    assert_eq!(app.drain_mail(Utc::now()).await.sent, 1);
    assert_eq!(server.mails().last().unwrap().to, std::slice::from_ref(&email));
    let link = link_of(&server);
    app.superuser().await.execute("update password_reset set expires_at = now()", &[]).await.unwrap();
    set(&link, CHOSEN).await.refused(410, "gone");
}

#[tokio::test]
async fn a_second_factor_outlives_a_forgotten_password() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("office-{}@example.com", dealer.id);
    let tokens = app.anyone().create("/v1/sessions", &typed(&email, PASSWORD)).await;
    let client = app.anyone().with_token(tokens["access_token"].as_str().unwrap().to_owned());
    let begun = client.post("/v1/me/second-factor", &json!({ "password": PASSWORD })).await.json();
    let phone = Phone::with(begun["secret"].as_str().unwrap());
    client.post("/v1/me/second-factor/confirm", &json!({ "code": phone.shows_in(-1) })).await.json();
    forget(app.anyone(), &email).await;
    app.drain_mail(Utc::now()).await;
    let body = json!({ "token": link_of(&server), "password": CHOSEN });
    assert_eq!(app.anyone().post("/v1/password-resets/use", &body).await.status(), 204);
    app.anyone().post("/v1/sessions", &typed(&email, CHOSEN)).await.refused_for(422, &[("/code", "required")]);
}

/// Words and status are the same, and the times of a wrong password and of a forgotten one can't be told
/// from those of an address without an account: of eleven each, taken in turn, neither median is twice the
/// other. Without the check of a decoy an unknown address takes a tenth of the time.
#[tokio::test]
async fn an_account_can_not_be_told_from_none() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let known = format!("owner-{}@example.com", dealer.id);
    let mut times: [Vec<u128>; 4] = Default::default();
    let mut words = std::collections::BTreeSet::new();
    for n in 0..11 {
        for (at, email) in [(0, known.as_str()), (1, "nobody@example.com")] {
            let begun = Instant::now();
            let answer = from(&app, &format!("203.0.113.{n}"), &typed(email, "wrong")).await;
            times[at].push(begun.elapsed().as_micros());
            words.insert((answer.status(), answer.text().to_owned()));
            let begun = Instant::now();
            let answer = forget(app.anyone(), email).await;
            times[at + 2].push(begun.elapsed().as_micros());
            words.insert((answer.status(), answer.text().to_owned()));
        }
    }
    assert_eq!(words.len(), 2, "{words:?}");
    let median = |times: &mut Vec<u128>| {
        times.sort_unstable();
        times[times.len() / 2] as f64
    };
    let [known_in, none_in, known_reset, none_reset] = times.each_mut().map(median);
    for (known, none) in [(known_in, none_in), (known_reset, none_reset)] {
        assert!((0.5..2.0).contains(&(known / none)), "{known} and {none} microseconds");
    }
    println!("a wrong password takes {known_in} us, an unknown address {none_in} us");
    let sent = app.drain_mail(Utc::now() + Duration::seconds(1)).await.sent;
    assert!(matches!(sent, 1 | 2), "one a quarter of an hour, of which one may end meanwhile: {sent}");
    assert!(server.mails().iter().all(|mail| mail.to == [known.as_str()]), "to the known one alone");
}
