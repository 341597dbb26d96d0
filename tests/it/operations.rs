//! What whoever runs the service relies on: probes, metrics, the API's page, request ids, and
//! answers to what is no address of it.

use crate::support::{Answer, TestApp};
use reqwest::Method;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};
use weirbook::problem::Kind;

#[tokio::test]
async fn the_probes_answer() {
    let app = TestApp::start().await;
    for path in ["/healthz", "/readyz"] {
        let answer = app.anyone().get(path).await;
        assert_eq!((answer.status(), answer.text()), (200, "ok\n"));
    }
}

#[tokio::test]
async fn without_its_database_the_service_lives_but_is_not_ready() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let superuser = app.superuser().await;
    let away = "update pg_database set datallowconn = false where datname = current_database();
                select pg_terminate_backend(pid) from pg_stat_activity
                 where datname = current_database() and pid <> pg_backend_pid()";
    superuser.batch_execute(away).await.unwrap();
    let others = "select from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()";
    let until = Instant::now() + Duration::from_secs(10);
    while !superuser.query(others, &[]).await.unwrap().is_empty() {
        assert!(Instant::now() < until, "the service's connections are still there");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    // The first query on a connection that went away meanwhile finds that out.
    for answer in [app.anyone().get("/readyz").await, app.anyone().get("/readyz").await] {
        answer.refused(503, "busy");
        assert_eq!(answer.header("retry-after"), "3");
    }
    dealer.office.get("/v1/customers").await.refused(503, "busy");
    assert_eq!(app.anyone().get("/healthz").await.status(), 200);
    superuser
        .batch_execute("update pg_database set datallowconn = true where datname = current_database()")
        .await
        .unwrap();
    assert_eq!(app.anyone().get("/readyz").await.status(), 200, "it comes back by itself");
    assert_eq!(dealer.office.get("/v1/customers").await.status(), 200);
}

/// OpenMetrics text: each family's type, and each sample's value by its name and labels.
fn parse(text: &str) -> (BTreeMap<String, String>, BTreeMap<String, f64>) {
    let (mut types, mut samples) = (BTreeMap::new(), BTreeMap::new());
    let (body, _) = text.rsplit_once("# EOF\n").expect("the text ends with # EOF");
    for line in body.lines() {
        if let Some(comment) = line.strip_prefix("# ") {
            let mut words = comment.splitn(3, ' ');
            let (keyword, name, rest) = (words.next().unwrap(), words.next().unwrap(), words.next().unwrap());
            assert!(["HELP", "TYPE", "UNIT"].contains(&keyword), "{line}");
            if keyword == "TYPE" {
                types.insert(name.to_owned(), rest.to_owned());
            }
            continue;
        }
        let (sample, value) = line.rsplit_once(' ').unwrap_or_else(|| panic!("{line}"));
        let family = types.keys().any(|family| sample.starts_with(family.as_str()));
        assert!(family, "{line} belongs to no family");
        assert!(samples.insert(sample.to_owned(), value.parse().expect(line)).is_none(), "{line} stands there twice");
    }
    (types, samples)
}

#[tokio::test]
async fn metrics_count_requests_by_route() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.office.create("/v1/customers", &json!({ "name": "A" })).await;
    let path = format!("/v1/customers/{}", customer["id"].as_str().unwrap());
    for _ in 0..3 {
        dealer.office.get(&path).await.json();
    }
    dealer.office.get("/v1/nothing/here").await.refused(404, "not-found");
    let answer = app.anyone().get("/metrics").await;
    assert_eq!(answer.header("content-type"), "application/openmetrics-text; version=1.0.0; charset=utf-8");
    let (types, samples) = parse(answer.text());
    let requests = |route: &str, method: &str, status: u16| {
        let labels = format!("{{method=\"{method}\",route=\"{route}\",status=\"{status}\"}}");
        samples.get(&format!("weirbook_http_requests_total{labels}")).copied()
    };
    assert_eq!(types["weirbook_http_requests"], "counter");
    assert_eq!(requests("/v1/customers/{id}", "GET", 200), Some(3.0), "{samples:#?}");
    assert_eq!(requests("/v1/customers", "POST", 201), Some(1.0));
    assert_eq!(requests("unmatched", "GET", 404), Some(1.0));
    assert!(!answer.text().contains(customer["id"].as_str().unwrap()), "ids would make a series each");
    let buckets: Vec<f64> = answer
        .text()
        .lines()
        .filter(|line| line.starts_with("weirbook_http_request_seconds_bucket"))
        .map(|line| line.rsplit_once(' ').unwrap().1.parse().unwrap())
        .collect();
    assert!(buckets.is_sorted() && buckets.len() > 5, "{buckets:?}");
    assert_eq!(buckets.last(), samples.get("weirbook_http_request_seconds_count"));
}

#[tokio::test]
async fn what_is_no_address_is_a_problem() {
    let app = TestApp::start().await;
    for path in ["/", "/v1", "/v1/", "/v1/nothing", "/v1/customers/", "/v2/customers", "/v1/customers/1/2/3"] {
        let answer = app.anyone().get(path).await;
        // The front page belongs to people.
        if path != "/" {
            answer.refused(404, "not-found");
        }
    }
}

#[tokio::test]
async fn a_wrong_method_is_told_the_right_ones() {
    let app = TestApp::start().await;
    let document = serde_json::to_value(weirbook::server::openapi()).unwrap();
    for (template, item) in document["paths"].as_object().unwrap() {
        let known: BTreeSet<String> = item.as_object().unwrap().keys().map(|method| method.to_uppercase()).collect();
        let path: Vec<&str> = template
            .split('/')
            .map(|step| if step.starts_with('{') { "019ac000-0000-7000-8000-000000000000" } else { step })
            .collect();
        let path = path.join("/");
        // `/call-outs/summary` is one of `/call-outs/{id}` too, to other methods.
        let elsewhere = |method: &Method| {
            let fits = |other: &str| {
                other.split('/').count() == path.split('/').count()
                    && other.split('/').zip(path.split('/')).all(|(step, given)| step == given || step.starts_with('{'))
            };
            let others = document["paths"].as_object().unwrap().iter().filter(|(other, _)| *other != template);
            others.filter(|(other, _)| fits(other)).any(|(_, item)| item.get(method.as_str().to_lowercase()).is_some())
        };
        for method in [Method::GET, Method::POST, Method::PUT, Method::PATCH, Method::DELETE] {
            let answer = app.anyone().send(app.anyone().request(method.clone(), &path)).await;
            if known.contains(method.as_str()) {
                assert!(![404, 405].contains(&answer.status()), "{answer:?}");
            } else if !elsewhere(&method) {
                answer.refused(405, "no-such-method");
                let allowed: BTreeSet<String> = answer.header("allow").split(", ").map(str::to_owned).collect();
                assert_eq!(allowed, known, "{answer:?}");
            }
        }
    }
}

/// Addresses in a page or stylesheet that a browser would load.
fn loaded(text: &str) -> Vec<&str> {
    let marks = ["src=\"", "href=\"", "url(", "url: \"", "src='", "href='", "@import \""];
    let after = marks.iter().flat_map(|mark| text.split(mark).skip(1));
    after
        .filter_map(|rest| rest.split(['"', '\'', ')', ' ', '>']).next())
        .filter(|address| !address.is_empty())
        .collect()
}

#[tokio::test]
async fn the_page_of_the_api_needs_no_other_host() {
    let app = TestApp::start().await;
    let page = app.anyone().get("/docs/").await;
    assert_eq!(page.status(), 200, "{page:?}");
    assert!(page.header("content-type").starts_with("text/html"));
    let parts = loaded(page.text());
    assert!(parts.len() >= 4, "{parts:?}");
    let mut texts = vec![page.text().to_owned()];
    for part in parts {
        let path = format!("/docs/{}", part.trim_start_matches("./"));
        let answer = app.anyone().get(&path).await;
        assert_eq!(answer.status(), 200, "{path}");
        if path.ends_with(".css") || path.ends_with("initializer.js") {
            texts.push(answer.text().to_owned());
        }
    }
    assert!(texts.iter().any(|text| text.contains("/openapi.json")), "it shows our document");
    for text in &texts {
        let outside: Vec<_> =
            loaded(text).into_iter().filter(|to| to.contains("//") && !to.starts_with("data:")).collect();
        assert!(outside.is_empty(), "{outside:?}");
    }
    let document: serde_json::Value = app.anyone().get("/openapi.json").await.json();
    assert_eq!(document, serde_json::to_value(weirbook::server::openapi()).unwrap());
}

#[tokio::test]
async fn the_page_of_problems_explains_each_kind() {
    let app = TestApp::start().await;
    let page = app.anyone().get("/problems").await;
    for kind in Kind::ALL {
        assert!(page.text().contains(&format!("<tr id=\"{}\">", kind.code())), "{}", kind.code());
    }
}

#[tokio::test]
async fn every_answer_has_an_id_and_its_safety_fields() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let answers: [Answer; 5] = [
        app.anyone().get("/healthz").await,
        app.anyone().get("/nothing").await,
        app.anyone().get("/v1/me").await,
        dealer.office.get("/v1/me").await,
        dealer.office.post("/v1/customers", &json!({})).await,
    ];
    let ids: BTreeSet<uuid::Uuid> =
        answers.iter().map(|answer| answer.header("x-request-id").parse().expect("an id")).collect();
    assert_eq!(ids.len(), answers.len(), "each its own");
    for answer in &answers {
        assert_eq!(answer.header("x-content-type-options"), "nosniff", "{answer:?}");
        assert_eq!(answer.header("cache-control"), "no-store", "{answer:?}");
    }
    let row = app.superuser().await;
    let created = dealer.office.post("/v1/customers", &json!({ "name": "A" })).await;
    let logged: uuid::Uuid = row.query_one("select request_id from change", &[]).await.unwrap().get(0);
    assert_eq!(created.header("x-request-id"), logged.to_string(), "the change log names the request");
}
