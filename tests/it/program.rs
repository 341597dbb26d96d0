//! The `weirbook` program itself: first start, sign-in, and an end in good order.

use crate::support::{Client, Database, Scratch, Serving, repository, weirbook};
use serde_json::{Value, json};
use std::fs;
use std::net::TcpStream;
use std::path::Path;
use std::time::{Duration, Instant};

/// `serve` on a free port, over a database of the tests' server.
fn serve(database: &Database, scratch: &Scratch) -> Serving {
    let mut command = weirbook(&["serve", "--listen", "127.0.0.1:0", "--data-dir", scratch.path()]);
    command.env("DATABASE_URL", database.url());
    Serving::start(command)
}

pub(crate) async fn wait_until(what: &str, mut condition: impl AsyncFnMut() -> bool) {
    let until = Instant::now() + Duration::from_secs(20);
    while !condition().await {
        assert!(Instant::now() < until, "waited in vain until {what}");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
}

#[tokio::test]
async fn running_requests_are_answered_before_the_end() {
    let (database, scratch) = (Database::bare().await, Scratch::new());
    let mut serving = serve(&database, &scratch);
    let client = Client::new(serving.address);
    let (blocker, watcher) = (database.superuser().await, database.superuser().await);
    blocker.batch_execute("begin; lock table account in access exclusive mode").await.unwrap();
    let body = json!({ "email": "nobody@example.com", "password": "x" });
    let asking = tokio::spawn(async move { client.post("/v1/sessions", &body).await });
    let waiting = "select count(*) from pg_stat_activity where usename = 'weirbook_gate' and wait_event_type = 'Lock'
                     and datname = current_database()";
    let waits = async || watcher.query_one(waiting, &[]).await.unwrap().get::<_, i64>(0) == 1;
    wait_until("the request waits for the table", waits).await;
    serving.terminate();
    let address = serving.address;
    wait_until("nobody new is let in", async || TcpStream::connect(address).is_err()).await;
    assert!(!serving.has_ended(), "it left a request unanswered");
    blocker.batch_execute("rollback").await.unwrap();
    asking.await.unwrap().refused(401, "not-signed-in");
    let (status, log) = serving.ended().await;
    assert!(status.success(), "{status}: {log}");
}

#[tokio::test]
async fn an_operator_adds_a_dealer_who_signs_in_at_a_private_database() {
    let scratch = Scratch::new();
    let data = format!("{}/data", scratch.path());
    let new =
        ["--name", "Brookside", "--zone", "Europe/Vienna", "--currency", "EUR", "--owner-email", "mia@example.com"];
    let added = weirbook(&["add-dealer", "--data-dir", &data]).args(new).output().unwrap();
    let said = String::from_utf8(added.stdout).unwrap();
    assert!(added.status.success(), "{said}{}", String::from_utf8_lossy(&added.stderr));
    let password = said.trim().rsplit(' ').next().unwrap();
    assert!(!Path::new(&data).join("pg/postmaster.pid").exists(), "the private server ends with its command");

    let mut serving = Serving::start(weirbook(&["serve", "--listen", "127.0.0.1:0", "--data-dir", &data]));
    let client = Client::new(serving.address);
    assert_eq!(client.get("/readyz").await.status(), 200);
    let tokens = client.create("/v1/sessions", &json!({ "email": "mia@example.com", "password": password })).await;
    let owner = client.with_token(tokens["access_token"].as_str().unwrap().to_owned());
    let me = owner.get("/v1/me").await.json();
    assert_eq!((&me["dealer"], &me["role"]), (&json!("Brookside"), &json!("owner")));

    let running = Path::new(&data).join("pg/postmaster.pid");
    assert!(running.exists());
    serving.terminate();
    let (status, log) = serving.ended().await;
    assert!(status.success(), "{status}: {log}");
    assert!(!running.exists(), "a clean shutdown removes its record: {log}");
}

#[test]
fn the_document_can_be_printed() {
    let printed = weirbook(&["openapi"]).output().unwrap();
    let stored = fs::read_to_string(repository("openapi/weirbook.json")).unwrap();
    assert!(String::from_utf8(printed.stdout).unwrap() == stored, "`weirbook openapi` prints something else");
}

#[test]
fn a_wrong_start_says_what_to_do() {
    let scratch = Scratch::new();
    let missing = format!("{}/missing.toml", scratch.path());
    for (arguments, environment, fix) in [
        (vec!["serve", "--config", &missing], None, "missing.toml"),
        (vec!["serve", "--workers", "0"], None, "workers"),
        (vec!["serve", "--listen", "nowhere"], None, "--listen"),
        (vec!["serve", "--data-dir", scratch.path()], Some("postgres://127.0.0.1:1/x"), "can't be"),
        (vec!["sreve"], None, "serve"),
    ] {
        let mut command = weirbook(&arguments);
        environment.map(|url| command.env("DATABASE_URL", url));
        let refused = command.output().unwrap();
        let said = String::from_utf8(refused.stderr).unwrap();
        assert!(!refused.status.success() && said.contains(fix), "{arguments:?}: {said}");
        assert!(!said.contains("panicked"), "{said}");
    }
}

#[tokio::test]
async fn a_log_that_goes_to_a_file_has_no_colours() {
    let (database, scratch) = (Database::bare().await, Scratch::new());
    let mut command = weirbook(&["serve", "--listen", "127.0.0.1:0", "--data-dir", scratch.path()]);
    command.env("DATABASE_URL", database.url()).env_remove("NO_COLOR");
    let mut serving = Serving::start(command);
    serving.terminate();
    let (_, log) = serving.ended().await;
    assert!(log.contains("serving on") && !log.contains('\u{1b}'), "{log:?}");
}

/// `calc water` with standard input or files, and what it prints.
fn calc_water(arguments: &[&str]) -> (Value, String) {
    let output = weirbook(&["calc", "water"]).args(arguments).output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(output.status.success(), answer["rejected"] == json!([]), "{said}");
    (answer, said)
}

#[test]
fn water_is_computed_from_a_file_without_a_database() {
    let scratch = Scratch::new();
    let file = |name: &str, text: &str| {
        let path = format!("{}/{name}", scratch.path());
        fs::write(&path, text).unwrap();
        path
    };
    let readings = file(
        "readings.csv",
        "register,read_at,meter\n411900,2026-01-01 08:00,M-17\n412350,2026-02-01 08:00,M-17\n\
         412300,2026-03-01 08:00,M-17\nx,2026-03-01 08:00,M-17\n7,yesterday,M-18\n5,2026-01-01T00:00:00Z,M-18\n\
         9.5,2026-01-03T00:00:00Z,M-18\n1000000,2026-03-09 08:00,M-17\n",
    );
    let by_option = ["--zone", "Europe/Vienna", "--unit", "l", "--digits", "6", "--flow-max", "3125"];
    let (answer, said) = calc_water(&[&[readings.as_str(), "--by", "month"], &by_option[..]].concat());
    let dial = &answer["meters"][0];
    assert_eq!((&dial["meter"], &dial["total_l"]), (&json!("M-17"), &json!(450.0)));
    assert_eq!(dial["steps"][0]["from"], json!({ "read_at": "2026-01-01T07:00:00Z", "register": 411_900.0 }));
    assert_eq!((&dial["exceptions"][0]["kind"], dial["exceptions"].as_array().unwrap().len()), (&json!("reversal"), 1));
    let months: f64 = dial["months"].as_array().unwrap().iter().map(|month| month["amount_l"].as_f64().unwrap()).sum();
    assert!((months - 450.0).abs() < 1e-9, "{dial}");
    let lines: Vec<_> =
        answer["rejected"].as_array().unwrap().iter().map(|row| row["line"].as_u64().unwrap()).collect();
    assert_eq!(lines, [5, 6, 9]);
    for words in ["line 5: register", "line 6: read_at", "rows that were not taken: 3"] {
        assert!(said.contains(words), "{said}");
    }
    let help = weirbook(&["calc", "water", "--help"]).output().unwrap();
    assert!(!String::from_utf8(help.stdout).unwrap().contains("--listen"), "no server is asked for");

    let facts = json!({ "zone": "Europe/Vienna", "meters": {
        "M-17": { "unit": "l", "digits": 7, "rulings": [{ "ruling": "void", "read_at": "2026-03-01T07:00:00Z" }] },
        "M-18": { "unit": "m3", "exchanges": [{ "at": "2026-01-02T00:00:00Z", "old_final": 6, "new_start": 9 }] } } });
    let facts = file("facts.json", &facts.to_string());
    let (answer, _) = calc_water(&[&readings, "--facts", &facts]);
    let kinds: Vec<_> = answer["meters"][0]["exceptions"].as_array().unwrap().iter().map(|one| &one["kind"]).collect();
    assert_eq!(kinds, ["above_history"], "with seven digits the last reading can be, but never was");
    assert_eq!(answer["meters"][1]["total_l"], json!(1500.0), "1 m3 on the old register, half on the new one");
    let days: Vec<_> = answer["meters"][1]["days"].as_array().unwrap().iter().map(|day| day["date"].clone()).collect();
    assert_eq!(days, ["2026-01-01", "2026-01-02", "2026-01-03"]);

    let wrong = weirbook(&["calc", "water", &readings, "--zone", "Nowhere", "--unit", "barrel"]).output().unwrap();
    let said = String::from_utf8(wrong.stderr).unwrap();
    assert!(!wrong.status.success() && said.contains("IANA zone"), "{said}");
}
