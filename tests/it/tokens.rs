//! Access tokens as others see them: the key set, a change of keys, and a library that is not ours. And
//! that no secret gets into the log.

use crate::support::{Client, Database, MailServer, PASSWORD, Scratch, Serving, TestApp, python, repository, weirbook};
use serde_json::{Value, json};
use std::io::Write;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// What PyJWT makes of a token, with the key set of a service.
fn read_by_pyjwt(client: &Client, token: &str, issuer: &str) -> Result<Value, String> {
    let address = client.plain(reqwest::Method::GET, "/.well-known/jwks.json").build().unwrap().url().to_string();
    let mut child = Command::new(python())
        .arg(repository("tests/reference/read_token.py"))
        .args([&address, issuer, "weirbook-api"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(token.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    if output.status.success() {
        Ok(serde_json::from_slice(&output.stdout).unwrap())
    } else {
        Err(String::from_utf8(output.stderr).unwrap())
    }
}

async fn token_of(client: &Client, email: &str, password: &str) -> Value {
    client.create("/v1/sessions", &json!({ "email": email, "password": password })).await
}

/// RFC 9068 and RFC 7517, by PyJWT's reading: <https://pyjwt.readthedocs.io>.
#[tokio::test]
async fn another_library_reads_our_tokens_by_our_key_set() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let set = app.anyone().get("/.well-known/jwks.json").await;
    assert_eq!((set.status(), set.header("content-type")), (200, "application/jwk-set+json"));
    assert_eq!(set.header("cache-control"), "public, max-age=300");
    let set: Value = serde_json::from_str(set.text()).unwrap();
    let key = &set["keys"][0];
    assert_eq!((&key["kty"], &key["crv"], &key["alg"]), (&json!("OKP"), &json!("Ed25519"), &json!("EdDSA")));
    assert!(key.get("d").is_none(), "{key}");
    let tokens = token_of(app.anyone(), &format!("office-{}@example.com", dealer.id), PASSWORD).await;
    let token = tokens["access_token"].as_str().unwrap().to_owned();
    let client = app.anyone().clone();
    let read = tokio::task::spawn_blocking(move || {
        let good = read_by_pyjwt(&client, &token, "http://weirbook.test");
        let issuer = read_by_pyjwt(&client, &token, "http://elsewhere.test");
        // The signature's first letter changed.
        let at = token.rfind('.').unwrap() + 1;
        let letter = if &token[at..=at] == "A" { "B" } else { "A" };
        let forged = format!("{}{letter}{}", &token[..at], &token[at + 1..]);
        (good, issuer, read_by_pyjwt(&client, &forged, "http://weirbook.test"))
    });
    let (good, issuer, forged) = read.await.unwrap();
    let good = good.unwrap();
    assert_eq!((&good["header"]["typ"], &good["header"]["kid"]), (&json!("at+jwt"), &key["kid"]));
    assert_eq!((&good["claims"]["role"], &good["claims"]["dealer"]), (&json!("office"), &json!(dealer.id)));
    assert_eq!(good["claims"]["exp"].as_i64().unwrap() - good["claims"]["iat"].as_i64().unwrap(), 900);
    assert!(issuer.unwrap_err().contains("InvalidIssuerError"));
    assert!(forged.unwrap_err().contains("InvalidSignatureError"));
}

fn serve(database: &Database, scratch: &Scratch, more: &[&str]) -> Serving {
    let mut command = weirbook(&["serve", "--listen", "127.0.0.1:0", "--data-dir", scratch.path()]);
    command.args(more).env("DATABASE_URL", database.url()).env("RUST_LOG", "debug");
    Serving::start(command)
}

/// Adds a dealer by the program; gives its owner's first password.
fn add_dealer(database: &Database, scratch: &Scratch) -> String {
    let mut add = weirbook(&["add-dealer", "--name", "Brookside", "--zone", "Europe/Vienna", "--currency", "EUR"]);
    add.args(["--owner-email", "mia@example.com", "--data-dir", scratch.path()]).env("DATABASE_URL", database.url());
    let output = add.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().trim().rsplit(' ').next().unwrap().to_owned()
}

fn rotate(scratch: &Scratch, more: &[&str]) -> String {
    let output = weirbook(&["rotate-key", "--data-dir", scratch.path()]).args(more).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// The key ids of the set that a service shows.
async fn kids(client: &Client) -> Vec<String> {
    let set: Value = serde_json::from_str(client.get("/.well-known/jwks.json").await.text()).unwrap();
    set["keys"].as_array().unwrap().iter().map(|key| key["kid"].as_str().unwrap().to_owned()).collect()
}

#[tokio::test]
async fn keys_change_under_a_running_service_and_nobody_is_signed_out() {
    let (database, scratch) = (Database::bare().await, Scratch::new());
    let password = add_dealer(&database, &scratch);
    let serving = serve(&database, &scratch, &[]);
    let client = Client::new(serving.address);
    let tokens = token_of(&client, "mia@example.com", &password).await;
    let old = client.with_token(tokens["access_token"].as_str().unwrap().to_owned());
    let first = kids(&client).await;
    let told = rotate(&scratch, &[]);
    let until = Instant::now() + Duration::from_secs(40);
    while kids(&client).await.len() != 2 {
        assert!(Instant::now() < until, "the running service does not learn of the new key");
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    let both = kids(&client).await;
    assert!(both.contains(&first[0]) && told.contains(&both[1]), "{told}: {both:?}");
    assert_eq!(old.get("/v1/me").await.status(), 200);
    // A key in wrong hands: its tokens end at once, the sign-ins go on.
    let told = rotate(&scratch, &["--distrust"]);
    let until = Instant::now() + Duration::from_secs(40);
    while old.get("/v1/me").await.status() == 200 {
        assert!(Instant::now() < until, "tokens of a distrusted key are believed");
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    let last = kids(&client).await;
    assert!(last.len() == 1 && told.contains(&last[0]), "{told}: {last:?}");
    let body = json!({ "refresh_token": tokens["refresh_token"] });
    let next = client.post("/v1/sessions/refresh", &body).await.json();
    let new = client.with_token(next["access_token"].as_str().unwrap().to_owned());
    assert_eq!(new.get("/v1/me").await.status(), 200);
}

/// A whole run with the log as talkative as it gets: none of the secrets that went through it is in it.
#[tokio::test]
async fn no_secret_is_written_to_the_log() {
    let server = MailServer::start().await;
    let (database, scratch) = (Database::bare().await, Scratch::new());
    let password = add_dealer(&database, &scratch);
    let port = server.address().port().to_string();
    let mail = ["--smtp-host", "127.0.0.1", "--smtp-port", &port, "--smtp-encryption", "none"];
    let more =
        [&mail[..], &["--mail-from", "weirbook@example.com", "--public-url", "https://water.example.com"]].concat();
    let mut serving = serve(&database, &scratch, &more);
    let client = Client::new(serving.address);
    let tokens = token_of(&client, "mia@example.com", &password).await;
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    let owner = client.with_token(text(&tokens["access_token"]));
    let invited = json!({ "name": "Tom", "email": "tom@example.com", "role": "technician" });
    owner.create("/v1/invitations", &invited).await;
    client.post("/v1/password-resets", &json!({ "email": "mia@example.com" })).await;
    let until = Instant::now() + Duration::from_secs(30);
    while server.mails().len() < 2 {
        assert!(Instant::now() < until, "{:?}", server.mails());
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    let mut secrets = vec![password.clone(), text(&tokens["access_token"]), text(&tokens["refresh_token"])];
    for mail in server.mails() {
        let link = mail.link();
        assert_eq!(client.get(&link).await.status(), 200, "{link}");
        secrets.push(link.rsplit('/').next().unwrap().to_owned());
    }
    let begun = owner.post("/v1/me/second-factor", &json!({ "password": password })).await.json();
    secrets.push(text(&begun["secret"]));
    let feed = owner.post("/v1/calendar-feeds", &json!({})).await.json();
    assert_eq!(client.get(&text(&feed["path"])).await.status(), 200);
    secrets.push(text(&feed["path"]).trim_start_matches("/calendar/").trim_end_matches(".ics").to_owned());
    client.page(&format!("/sign-in?next=/{}", "x")).await;
    serving.terminate();
    let (_, log) = serving.ended().await;
    assert!(log.contains("/v1/sessions") && log.contains("/reset/"), "the log is kept: {log}");
    for secret in secrets {
        assert!(!log.contains(&secret), "{secret} stands in the log");
    }
}
