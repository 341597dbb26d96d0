//! What browsers and logs are told: policies of answers, how many requests may be sent, fair turns
//! at the database, and nothing secret in the log.

use crate::api_clients::Program;
use crate::scopes::owner_scope;
use crate::support::{Access, Client, Database, Dealer, PASSWORD, Scratch, Serving, TestApp, id, services, weirbook};
use chrono::Utc;
use serde_json::{Value, json};
use std::num::NonZeroU32;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use weirbook::rates::{Allowance, Rates};
use weirbook::slow_body::WAITED_MOST;

/// Whether HTML has an attribute such as `onclick=`.
fn has_handler(html: &str) -> bool {
    html.split(" on")
        .skip(1)
        .any(|rest| rest.trim_start_matches(|letter: char| letter.is_ascii_lowercase()).starts_with('='))
}

#[tokio::test]
async fn every_answer_says_what_a_browser_may_do_with_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    for path in [
        "/v1/customers",
        "/v1/nothing",
        "/openapi.json",
        "/problems",
        "/healthz",
        "/sign-in",
        "/",
        "/nothing",
        "/docs/",
    ] {
        let answer = dealer.owner.page(path).await;
        let policy = answer.header("content-security-policy");
        assert!(policy.starts_with("default-src 'none'"), "{path}: {policy}");
        assert!(
            policy.contains("frame-ancestors 'none'") && !policy.contains("script-src 'unsafe"),
            "{path}: {policy}"
        );
        assert_eq!(answer.header("x-content-type-options"), "nosniff", "{path}");
        // The tests' service says that it is reached over TLS.
        assert_eq!(answer.header("strict-transport-security"), "max-age=31536000; includeSubDomains", "{path}");
        if !path.starts_with("/docs") {
            assert!(
                !answer.text().contains("<script") && !has_handler(answer.text()),
                "{path}: a script in {answer:?}"
            );
        }
    }
    let plain = TestApp::start_with(|services| services.post.public_url = "http://localhost:8080".to_owned()).await;
    assert_eq!(plain.anyone().get("/healthz").await.header("strict-transport-security"), "", "only behind TLS");
}

#[tokio::test]
async fn who_sends_too_much_is_told_when_to_come_back() {
    let few = |most| NonZeroU32::new(most).unwrap();
    let allowance = Allowance { signed_in: few(5), unknown: few(3) };
    let app = TestApp::start_with(|services| services.rates = Rates::new(allowance)).await;
    let dealer = app.dealer("Brookside").await;
    for left in (0..5).rev() {
        let answer = dealer.owner.get("/v1/customers").await;
        assert_eq!((answer.status(), answer.header("ratelimit-policy")), (200, "\"minute\";q=5;w=60"));
        assert_eq!(answer.header("ratelimit"), format!("\"minute\";r={left}"));
    }
    let refused = dealer.owner.get("/v1/customers").await;
    refused.refused(429, "too-many");
    // A minute has five turns, so the next one comes within twelve seconds.
    let wait: u64 = refused.header("retry-after").parse().unwrap();
    assert!((1..=13).contains(&wait), "{wait}");
    assert_eq!(dealer.office.get("/v1/customers").await.status(), 200, "another account has turns of its own");
    for _turn in 0..3 {
        app.anyone().get("/v1/customers").await.refused(401, "not-signed-in");
    }
    app.anyone().get("/v1/customers").await.refused(429, "too-many");
    assert_eq!(app.anyone().get("/healthz").await.status(), 200, "who watches the service is not counted");
}

/// One dealer asks for eighty slow things at once; another's quick ones come through meanwhile.
#[tokio::test]
async fn one_dealers_load_leaves_the_others_their_turn() {
    let app = TestApp::start().await;
    let (busy, other) = (app.dealer("Busy").await, app.dealer("Other").await);
    let (db, slow) = (app.db(), Duration::from_millis(100));
    let scope = owner_scope(app.keys(), busy.id.0).await;
    let one = || {
        db.read(&scope, Utc::now(), async |tx| {
            weirbook::db::dealer::get(tx).await?;
            tokio::time::sleep(slow).await;
            Ok(())
        })
    };
    let load = async {
        let all = futures_util::future::join_all((0..80).map(|_| one())).await;
        assert!(all.iter().all(Result::is_ok), "{all:?}");
        Instant::now()
    };
    let quick = async {
        tokio::time::sleep(slow / 2).await;
        let mut took = Vec::new();
        for _turn in 0..10 {
            let began = Instant::now();
            assert_eq!(other.owner.get("/v1/customers").await.status(), 200);
            took.push(began.elapsed());
        }
        (took, Instant::now())
    };
    let (load_ended, (took, quick_ended)) = tokio::join!(load, quick);
    println!("beside eighty waiting requests of another dealer: {took:?}");
    // Half of the four connections are out of the busy dealer's reach: nobody waits for its eighty. In one
    // queue the first of the ten would come after them, and the others when all of them are over.
    assert!(quick_ended < load_ended, "{took:?}");
}

/// The real program at its most talkative, through every way in: none of the secrets stands in what
/// it wrote.
#[tokio::test]
async fn no_secret_is_written_to_the_log() {
    let (database, scratch) = (Database::bare().await, Scratch::new());
    let mut command = weirbook(&["serve", "--listen", "127.0.0.1:0", "--data-dir", scratch.path()]);
    command.env("DATABASE_URL", database.url()).env("RUST_LOG", "debug");
    let mut serving = Serving::start(command);
    let anyone = Client::new(serving.address);
    let access = Access::of(&services(&database, 2), &anyone);
    let dealer = Dealer::add(&access, "Brookside").await;
    let sent = json!({ "email": format!("owner-{}@example.com", dealer.id), "password": PASSWORD });
    let tokens = anyone.create("/v1/sessions", &sent).await;
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    let (token, refresh) = (text(&tokens["access_token"]), text(&tokens["refresh_token"]));
    let owner = anyone.with_token(token.clone());
    owner.page("/").await;
    let next = anyone.post("/v1/sessions/refresh", &json!({ "refresh_token": refresh })).await.json();
    let customer = id(&owner.create("/v1/customers", &json!({ "name": "Harbour Haulage" })).await);
    let site = json!({ "customer_id": customer, "name": "North yard", "time_zone": "Europe/Vienna", "country": "AT" });
    let site = id(&owner.create("/v1/sites", &site).await);
    let feed = text(&owner.create("/v1/calendar-feeds", &json!({})).await["path"]);
    let shown = json!({ "person": "Inspector", "first_day": "2026-03-01", "last_day": "2026-03-31" });
    let link = text(&owner.create(&format!("/v1/sites/{site}/discharge-links"), &shown).await["address"]);
    let link = &link[link.find("/discharge/").unwrap()..];
    let client = json!({ "name": "Dashboards", "scopes": ["read-sites"] });
    let client = id(&owner.create("/v1/api-clients", &client).await);
    let secret = text(&owner.create(&format!("/v1/api-clients/{client}/secrets"), &json!({})).await["secret"]);
    let program = Program { id: client.to_string(), secret: secret.clone() }.client(&anyone).await;
    for (asker, path) in
        [(&program, "/v1/sites"), (&anyone, feed.as_str()), (&anyone, link), (&anyone, "/read/AAAABwAA")]
    {
        asker.get(path).await;
    }
    serving.terminate();
    let (_status, log) = serving.ended().await;
    assert!(log.contains("/v1/sites") && log.contains("/calendar/"), "the log tells of requests: {log}");
    let last = |path: &str| path.rsplit('/').next().unwrap().trim_end_matches(".ics").to_owned();
    let secrets = [
        PASSWORD.to_owned(),
        token,
        refresh,
        text(&next["access_token"]),
        text(&next["refresh_token"]),
        secret,
        program.token().unwrap().to_owned(),
        last(&feed),
        last(link),
        "AAAABwAA".to_owned(),
    ];
    for secret in secrets {
        assert!(!log.contains(&secret), "{secret} stands in the log");
    }
}

/// Who sends a byte of a body now and then is not waited for for ever.
#[tokio::test]
async fn what_comes_too_slowly_is_not_waited_for() {
    let app = TestApp::start().await;
    let address = app.anyone().base().trim_start_matches("http://").to_owned();
    let mut line = TcpStream::connect(&address).await.unwrap();
    let head = format!("POST /v1/sessions HTTP/1.1\r\nhost: {address}\r\ncontent-type: application/json\r\n");
    line.write_all(format!("{head}content-length: 4000\r\n\r\n{{\"email\": \"").as_bytes()).await.unwrap();
    let (mut incoming, mut outgoing) = line.into_split();
    let begun = Instant::now();
    let dribbling = tokio::spawn(async move {
        while outgoing.write_all(b"x").await.is_ok() {
            tokio::time::sleep(Duration::from_millis(400)).await;
        }
    });
    let mut answer = String::new();
    let read = tokio::time::timeout(Duration::from_secs(60), async {
        let mut part = [0; 1024];
        while !answer.contains("too slowly") {
            let length = incoming.read(&mut part).await.unwrap();
            assert!(length > 0, "hung up without a word: {answer}");
            answer.push_str(std::str::from_utf8(&part[..length]).unwrap());
        }
    });
    read.await.expect("it waits for ever");
    assert!(answer.starts_with("HTTP/1.1 400") && begun.elapsed() >= WAITED_MOST, "{answer}");
    dribbling.abort();
}
