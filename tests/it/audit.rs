//! The audit: who did what, when and from where; and that nothing of it can be changed unnoticed.

use crate::conventions::items;
use crate::support::{PASSWORD, Scratch, TestApp, id, python, weirbook};
use reqwest::Method;
use serde_json::{Value, json};
use std::io::Write;
use std::process::{Command, Stdio};
use weirbook::db::changes::verify::{Walked, Why};

#[tokio::test]
async fn writes_and_sign_ins_say_who_what_when_and_from_where() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("office-{}@example.com", dealer.id);
    let sign_in = app.anyone().post("/v1/sessions", &json!({ "email": email, "password": PASSWORD })).await;
    assert_eq!(sign_in.status(), 201);
    let office = app.anyone().with_token(sign_in.json()["access_token"].as_str().unwrap().to_owned());
    let customer = office.create("/v1/customers", &json!({ "name": "Harbour Haulage" })).await;
    let path = format!("/v1/customers/{}", id(&customer));
    let patched = office.patch(&path, "\"1\"", &json!({ "name": "Harbour Haulage & Sons" })).await;
    let end = json!({ "refresh_token": sign_in.json()["refresh_token"] });
    assert_eq!(app.anyone().post("/v1/sessions/end", &end).await.status(), 204);
    assert_eq!(app.anyone().post("/v1/sessions/end", &end).await.status(), 204, "ended already: no line");

    let lines = items(&dealer.owner, "/v1/audit").await;
    let deeds: Vec<_> =
        lines.iter().map(|line| (line["record"].as_str().unwrap(), line["verb"].as_str().unwrap())).collect();
    let expected =
        [("sign_in", "signed_out"), ("customer", "updated"), ("customer", "created"), ("sign_in", "signed_in")];
    assert_eq!(deeds, expected);
    for line in &lines {
        assert_eq!((&line["address"], &line["name"]), (&json!("127.0.0.1"), &json!(format!("office-{}", dealer.id))));
        assert_eq!(line["account_id"], lines[0]["account_id"]);
    }
    assert_eq!(lines[1]["request_id"].as_str().unwrap(), patched.header("x-request-id"));
    assert_eq!((&lines[1]["record_id"], &lines[1]["revision"]), (&customer["id"], &json!(2)));
    assert_eq!(lines.iter().map(|line| line["seq"].as_i64().unwrap()).collect::<Vec<_>>(), [4, 3, 2, 1]);

    let asked = async |query: &str| items(&dealer.owner, &format!("/v1/audit?{query}")).await.len();
    assert_eq!(asked("record=sign_in").await, 2);
    assert_eq!(asked(&format!("record_id={}&verb=updated", id(&customer))).await, 1);
    assert_eq!(asked(&format!("account_id={}", lines[0]["account_id"].as_str().unwrap())).await, 4);
    assert_eq!(asked(&format!("customer_id={}", id(&customer))).await, 2);
    assert_eq!(asked("to=2026-01-01T00:00:00Z").await, 0);
    let first = dealer.owner.get("/v1/audit?limit=3").await;
    let link = first.header("link").to_owned();
    let rest = dealer.owner.get(link.trim_start_matches('<').split_once('>').unwrap().0).await;
    assert_eq!((rest.json()["items"].clone(), &rest.json()["next_cursor"]), (json!([lines[3]]), &Value::Null));
    for client in [&dealer.office, &dealer.technician, &dealer.customer_viewer(id(&customer)).await] {
        client.get("/v1/audit").await.refused(403, "not-allowed");
    }
}

/// Recomputes the chain from an export, with nothing of the service.
const CHAIN: &str = "
import sys, json, hashlib
lines = sorted((json.loads(line) for line in sys.stdin), key=lambda line: line['seq'])
before = bytes(32)
for place, line in enumerate(lines, 1):
    before = hashlib.sha256(before + line['sealed'].encode()).digest()
    sealed = json.loads(line['sealed'])
    assert (line['seq'], line['hash'], line['record_id']) == (place, before.hex(), sealed[6]), line
    assert line['detail'] == sealed[10] and line['verb'] == sealed[8]
print(len(lines), before.hex())
";

#[tokio::test]
async fn an_export_holds_all_lines_and_its_chain_can_be_checked_by_anybody() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    for n in 0..30 {
        dealer.office.create("/v1/customers", &json!({ "name": format!("Über & Söhne {n} \u{1f6bf}") })).await;
    }
    let export = async |accept: &str| {
        dealer.owner.send(dealer.owner.request(Method::GET, "/v1/audit").header("accept", accept)).await
    };
    let ndjson = export("application/x-ndjson").await;
    assert_eq!((ndjson.status(), ndjson.header("content-type")), (200, "application/x-ndjson"));
    let mut script =
        Command::new(python()).args(["-c", CHAIN]).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    script.stdin.take().unwrap().write_all(ndjson.text().as_bytes()).unwrap();
    let output = script.wait_with_output().unwrap();
    let walked = app.db().walk_changes(dealer.id, None).await.unwrap();
    let head: String = walked.head.iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(String::from_utf8(output.stdout).unwrap().trim(), format!("30 {head}"));
    let csv = export("text/csv").await;
    assert_eq!(csv.text().lines().count(), 31);
    assert!(csv.text().starts_with("seq,at,account_id,name,address,"), "{}", csv.text());
    let request = dealer.owner.request(Method::GET, "/v1/audit?fields=verb,seq").header("accept", "text/csv");
    let chosen = dealer.owner.send(request).await;
    assert!(chosen.text().starts_with("seq,verb\r\n30,created\r\n"), "{}", chosen.text());
}

#[tokio::test]
async fn what_is_tampered_with_is_found_and_named() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    for n in 0..9 {
        dealer.customer(&format!("Customer {n}")).await;
    }
    app.db().sequence(dealer.id).await.unwrap();
    let whole = app.db().walk_changes(dealer.id, None).await.unwrap();
    assert!(whole.is_whole() && whole.lines == 9);
    let client = app.superuser().await;
    // `session_replication_role` lets a superuser leave the keys out.
    let tampered = async |sql: &str| -> Walked {
        client.batch_execute(&format!("set session_replication_role = replica; begin; {sql}")).await.unwrap();
        client.batch_execute("commit").await.unwrap();
        app.db().walk_changes(dealer.id, None).await.unwrap()
    };
    let fifth = "(select change_id from change_place where seq = 5)";
    for (breach, why, mend) in [
        (
            format!(
                "create table kept as select * from change where id = {fifth}; update change set detail = '{{\"name\":\"x\"}}' where id = {fifth}"
            ),
            Why::Differs,
            "update change c set detail = k.detail from kept k where k.id = c.id; drop table kept",
        ),
        (
            format!(
                "create table kept as select * from change where id = {fifth}; update change set account_id = null where id = {fifth}"
            ),
            Why::Differs,
            "update change c set account_id = k.account_id from kept k where k.id = c.id; drop table kept",
        ),
        (
            format!(
                "create table kept as select * from change where id = {fifth}; delete from change where id = {fifth}"
            ),
            Why::NoLine,
            "insert into change overriding system value select * from kept; drop table kept",
        ),
        (
            "create table kept as select * from change_place where seq = 5; delete from change_place where seq = 5"
                .to_owned(),
            Why::NoPlace,
            "insert into change_place select * from kept; drop table kept",
        ),
    ] {
        let walked = tampered(&breach).await;
        let broken = walked.broken.unwrap_or_else(|| panic!("{breach} was not noticed"));
        assert_eq!((broken.seq, broken.why), (5, why), "{breach}");
        assert_eq!(tampered(mend).await, whole, "{mend}");
    }
    // The end cut off is noticed by who knows where it was.
    let cut = "delete from change where id in (select change_id from change_place where seq > 7); delete from change_place where seq > 7";
    assert!(tampered(cut).await.is_whole());
    let known = app.db().walk_changes(dealer.id, Some((9, whole.head))).await.unwrap();
    assert_eq!(known.broken.map(|broken| (broken.seq, broken.why)), Some((9, Why::NotAsKnown)));
}

#[tokio::test]
async fn the_program_walks_the_chains_and_names_the_first_break() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    dealer.customer("Harbour Haulage").await;
    app.db().sequence(dealer.id).await.unwrap();
    let scratch = Scratch::new();
    let verify = || {
        let mut command = weirbook(&["audit", "verify", "--data-dir", scratch.path()]);
        let output = command.env("DATABASE_URL", app.database_url()).output().unwrap();
        let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        (output.status.success(), said)
    };
    let (good, said) = verify();
    assert!(good && said.contains("Brookside (dealer 1): 1 lines whole, up to 1:"), "{said}");
    app.superuser().await.execute("update change set verb = 'retired'", &[]).await.unwrap();
    let (good, said) = verify();
    assert!(!good && said.contains("broken at line 1 (") && said.contains("not what was sealed"), "{said}");
}
