//! `/v1/customers`: the pattern for every resource.

use crate::support::{Dealer, TestApp};
use reqwest::Method;
use serde_json::{Value, json};

async fn customer(dealer: &Dealer, name: &str) -> Value {
    dealer.office.create("/v1/customers", &json!({ "name": name })).await
}

fn path(record: &Value) -> String {
    format!("/v1/customers/{}", record["id"].as_str().unwrap())
}

#[tokio::test]
async fn a_customer_is_added_read_changed_and_retired() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let input =
        json!({ "name": " Harbour Haulage ", "own_number": "C-1042", "fiscal_year_start": 4, "unit_system": "us" });
    let added = dealer.office.post("/v1/customers", &input).await;
    assert_eq!((added.status(), added.etag()), (201, "\"1\""));
    let record = added.json();
    assert_eq!(record["name"], "Harbour Haulage", "trimmed");
    assert_eq!((&record["own_number"], &record["fiscal_year_start"]), (&json!("C-1042"), &json!(4)));
    assert_eq!((&record["unit_system"], &record["revision"]), (&json!("us"), &json!(1)));
    assert_eq!(record["ended_at"], Value::Null);

    let path = path(&record);
    let read = dealer.technician.get(&path).await;
    assert_eq!((read.status(), read.etag(), read.json()), (200, "\"1\"", record.clone()));

    let changed = dealer.owner.patch(&path, "\"1\"", &json!({ "own_number": null, "fiscal_year_start": 7 })).await;
    assert_eq!((changed.status(), changed.etag()), (200, "\"2\""));
    let now = changed.json();
    assert_eq!((&now["name"], &now["fiscal_year_start"]), (&json!("Harbour Haulage"), &json!(7)));
    assert_eq!(now.get("own_number"), None, "null clears the field");
    assert_eq!(now["created_at"], record["created_at"]);

    let retired = dealer.office.post_at(&format!("{path}/retire"), changed.etag()).await;
    assert_eq!((retired.status(), retired.etag()), (200, "\"3\""));
    assert_ne!(retired.json()["ended_at"], Value::Null);
    assert_eq!(dealer.office.get(&path).await.json(), retired.json(), "it stays readable");
    assert_eq!(dealer.office.get("/v1/customers").await.json()["items"], json!([]));
    assert_eq!(dealer.office.get("/v1/customers?retired=true").await.json()["items"], json!([retired.json()]));
}

#[tokio::test]
async fn every_write_leaves_a_line_in_the_change_log() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let path = path(&customer(&dealer, "Harbour Haulage").await);
    dealer.office.patch(&path, "\"1\"", &json!({ "name": "Harbour Freight" })).await.json();
    dealer.owner.post_at(&format!("{path}/retire"), "\"2\"").await.json();
    let lines = app.superuser()
        .await
        .query("select verb, revision, customer_id::text, account_id is not null and request_id is not null from change order by id", &[])
        .await
        .unwrap();
    let id = path.rsplit('/').next().unwrap();
    let lines: Vec<(&str, i32, &str, bool)> = lines.iter().map(|l| (l.get(0), l.get(1), l.get(2), l.get(3))).collect();
    assert_eq!(lines, [("created", 1, id, true), ("updated", 2, id, true), ("retired", 3, id, true)]);
}

#[tokio::test]
async fn a_change_needs_the_revision_it_was_read_at() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let path = path(&customer(&dealer, "Harbour Haulage").await);
    let patch = json!({ "name": "Harbour Freight" });
    assert_eq!(dealer.office.patch(&path, "\"1\"", &patch).await.status(), 200);
    dealer.office.patch(&path, "\"1\"", &json!({ "name": "Lost" })).await.refused(412, "stale");
    dealer.office.post_at(&format!("{path}/retire"), "\"1\"").await.refused(412, "stale");
    dealer.office.patch(&path, "\"x\"", &patch).await.refused(400, "malformed");
    let without = dealer.office.request(Method::PATCH, &path).json(&patch);
    dealer.office.send(without).await.refused(428, "no-revision");
    let now = dealer.office.get(&path).await;
    assert_eq!((now.etag(), &now.json()["name"]), ("\"2\"", &json!("Harbour Freight")));
}

#[tokio::test]
async fn a_repeated_creation_gets_the_first_answer() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let input = json!({ "name": "Harbour Haulage" });
    let first = dealer.office.post_once("/v1/customers", "key-1", &input).await;
    let again = dealer.office.post_once("/v1/customers", "key-1", &input).await;
    assert_eq!((again.status(), again.etag(), again.json()), (201, first.etag(), first.json()));
    let other = dealer.office.post_once("/v1/customers", "key-1", &json!({ "name": "Quarry Trucks" })).await;
    other.refused(409, "conflict");
    assert_eq!(other.faults(), [(String::new(), "key_used".to_owned())]);
    let colleague = dealer.owner.post_once("/v1/customers", "key-1", &input).await.json();
    assert_ne!(colleague["id"], first.json()["id"], "a key belongs to its sender");
    let items = dealer.office.get("/v1/customers").await.json()["items"].as_array().unwrap().len();
    assert_eq!(items, 2);
}

#[tokio::test]
async fn of_two_creations_at_once_one_happens() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let input = json!({ "name": "Harbour Haulage" });
    let send = || dealer.office.post_once("/v1/customers", "key-1", &input);
    let (one, two) = tokio::join!(send(), send());
    assert_eq!(one.json(), two.json());
    assert_eq!(dealer.office.get("/v1/customers").await.json()["items"], json!([one.json()]));
}

#[tokio::test]
async fn a_list_is_read_page_by_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    for name in ["Quarry", "Depot", "Harbour", "Depot", "Airport"] {
        customer(&dealer, name).await;
    }
    let (mut names, mut sizes, mut path) = (Vec::new(), Vec::new(), "/v1/customers?limit=2".to_owned());
    loop {
        let answer = dealer.office.get(&path).await;
        let page = answer.json();
        let items = page["items"].as_array().unwrap();
        sizes.push(items.len());
        names.extend(items.iter().map(|item| item["name"].as_str().unwrap().to_owned()));
        let Some(cursor) = page["next_cursor"].as_str() else {
            assert_eq!(answer.header("link"), "", "nothing follows the last page");
            break;
        };
        path = format!("/v1/customers?limit=2&cursor={cursor}");
        assert_eq!(answer.header("link"), format!("<{path}>; rel=\"next\""));
    }
    assert_eq!((sizes, names.join(" ")), (vec![2, 2, 1], "Airport Depot Depot Harbour Quarry".to_owned()));
    for (query, pointer) in [("limit=0", "/limit"), ("limit=501", "/limit"), ("cursor=AAAA", "/cursor")] {
        let refused = dealer.office.get(&format!("/v1/customers?{query}")).await;
        refused.refused(422, "invalid");
        assert_eq!(refused.faults()[0].0, pointer);
    }
    dealer.office.get("/v1/customers?limit=many").await.refused_for(400, &[("/limit", "wrong_type")]);
    let unknown = dealer.office.get("/v1/customers?colour=blue&retired=yes").await;
    unknown.refused_for(400, &[("/colour", "unknown_parameter"), ("/retired", "wrong_type")]);
    assert!(
        unknown.text().contains("this address takes changed_since, cursor, fields, limit, own_number, retired, sort"),
        "{unknown:?}"
    );
    app.anyone().get("/v1/customers?colour=blue").await.refused(401, "not-signed-in");
}

#[tokio::test]
async fn every_fault_is_named_by_its_pointer() {
    let app = TestApp::start().await;
    let office = app.dealer("Brookside").await.office;
    let long = "x".repeat(121);
    for (input, expected) in [
        (json!({ "name": " " }), vec![("/name", "required")]),
        (
            json!({ "name": long, "own_number": long, "fiscal_year_start": 13 }),
            vec![("/name", "too_long"), ("/own_number", "too_long"), ("/fiscal_year_start", "out_of_range")],
        ),
        (
            json!({ "name": "", "unit_system": "imperial" }),
            vec![("/unit_system", "unknown_unit_system"), ("/name", "required")],
        ),
        (json!({ "name": 7 }), vec![("/name", "wrong_type")]),
        (json!({ "name": "A", "fiscal_year_start": "April" }), vec![("/fiscal_year_start", "wrong_type")]),
        (json!({ "name": "A", "nickname": "B" }), vec![("/nickname", "wrong_type")]),
        (json!({}), vec![("", "wrong_type")]),
        (json!([]), vec![("", "wrong_type")]),
    ] {
        let refused = office.post("/v1/customers", &input).await;
        refused.refused(422, "invalid");
        let found = refused.faults();
        let found: Vec<_> = found.iter().map(|(pointer, code)| (pointer.as_str(), code.as_str())).collect();
        assert_eq!(found, expected, "{input}");
    }
    assert_eq!(office.get("/v1/customers").await.json()["items"], json!([]), "nothing is half-written");
}

#[tokio::test]
async fn what_is_no_json_record_is_refused() {
    let app = TestApp::start().await;
    let office = app.dealer("Brookside").await.office;
    let post = |media: &str, body: String| {
        office.send(office.request(Method::POST, "/v1/customers").header("content-type", media).body(body))
    };
    post("application/json", "{\"name\": ".to_owned()).await.refused(400, "malformed");
    post("application/json", "{\"name\": \"A\"} {}".to_owned()).await.refused(400, "malformed");
    post("application/json", String::new()).await.refused(400, "malformed");
    post("text/plain", "{\"name\": \"A\"}".to_owned()).await.refused(415, "unknown-media");
    let large = format!("{{\"name\": \"{}\"}}", "x".repeat(256 * 1024));
    post("application/json", large).await.refused(413, "too-large");
}

#[tokio::test]
async fn another_dealers_customer_is_not_there() {
    let app = TestApp::start().await;
    let (one, other) = (app.dealer("Brookside").await, app.dealer("Millrace").await);
    let record = customer(&one, "Harbour Haulage").await;
    let path = path(&record);
    let patch = json!({ "name": "Taken over" });
    other.owner.get(&path).await.refused(404, "not-found");
    other.owner.patch(&path, "\"1\"", &patch).await.refused(404, "not-found");
    other.owner.post_at(&format!("{path}/retire"), "\"1\"").await.refused(404, "not-found");
    assert_eq!(other.owner.get("/v1/customers?retired=true").await.json()["items"], json!([]));
    for id in ["019ac000-0000-7000-8000-000000000000", "no-id"] {
        one.owner.get(&format!("/v1/customers/{id}")).await.refused(404, "not-found");
    }
    assert_eq!(one.owner.get(&path).await.json(), record, "unchanged");
}

#[tokio::test]
async fn a_customers_people_see_their_own_customer() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (own, other) = (customer(&dealer, "Harbour Haulage").await, customer(&dealer, "Quarry Trucks").await);
    let id = own["id"].as_str().unwrap().parse().unwrap();
    for person in [dealer.customer_viewer(id).await, dealer.customer_reader(id).await] {
        assert_eq!(person.get("/v1/customers").await.json()["items"], json!([own]));
        assert_eq!(person.get(&path(&own)).await.json(), own);
        person.get(&path(&other)).await.refused(404, "not-found");
    }
}

#[tokio::test]
async fn roles_without_the_permission_are_refused() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let record = customer(&dealer, "Harbour Haulage").await;
    let id = record["id"].as_str().unwrap().parse().unwrap();
    let path = path(&record);
    let new = json!({ "name": "Quarry Trucks" });
    let (viewer, reader) = (dealer.customer_viewer(id).await, dealer.customer_reader(id).await);
    for person in [&dealer.technician, &viewer, &reader] {
        person.post("/v1/customers", &new).await.refused(403, "not-allowed");
        person.patch(&path, "\"1\"", &new).await.refused(403, "not-allowed");
        person.post_at(&format!("{path}/retire"), "\"1\"").await.refused(403, "not-allowed");
    }
    assert_eq!(dealer.office.get("/v1/customers").await.json()["items"], json!([record]));
}
