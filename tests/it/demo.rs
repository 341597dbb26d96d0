//! `weirbook demo` as a stranger starts it: made whole, and every page there for whoever is led to it.

use crate::support::{Client, Scratch, Serving, TestApp, weirbook};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fs;
use weirbook::demo::{self, Size};

/// Most pages of one kind, such as units, that are followed.
const OF_A_KIND: usize = 2;

/// The address with `*` in place of what differs between pages of a kind.
fn kind(address: &str) -> String {
    let path = address.split(['?', '#']).next().unwrap();
    path.split('/').map(|part| if part.len() == 36 { "*" } else { part }).collect::<Vec<_>>().join("/")
}

/// The addresses in this service that a page links to.
fn links(page: &str) -> Vec<String> {
    let quoted = page.split("href=\"/").skip(1).map(|rest| rest.split('"').next().unwrap());
    quoted.map(|rest| format!("/{}", rest.replace("&amp;", "&").replace("&#38;", "&"))).collect()
}

/// Follows the links from the first page on, and gives the kinds of page that were seen.
async fn follow(person: &Client) -> BTreeSet<String> {
    let (mut seen, mut of_kind) = (BTreeSet::new(), BTreeMap::<String, usize>::new());
    let mut ahead = VecDeque::from(["/".to_owned()]);
    while let Some(address) = ahead.pop_front() {
        let count = of_kind.entry(kind(&address)).or_default();
        if *count == OF_A_KIND || !seen.insert(address.clone()) {
            continue;
        }
        *count += 1;
        let page = person.page(&address).await;
        assert_eq!(page.status(), 200, "{address}: {page:?}");
        if page.header("content-type").starts_with("text/html") {
            ahead.extend(links(page.text()));
        }
    }
    of_kind.into_keys().collect()
}

#[tokio::test]
async fn the_demo_is_made_and_its_people_find_every_page_they_are_led_to() {
    let scratch = Scratch::new();
    let serving = Serving::start(weirbook(&["demo", "--port", "0", "--data-dir", scratch.path()]));
    let told = fs::read_to_string(format!("{}/demo.json", scratch.path())).unwrap();
    let told: Value = serde_json::from_str(&told).unwrap();
    let anyone = Client::new(serving.address);
    assert_eq!(told["url"], anyone.base());
    let mut pages = BTreeMap::new();
    for person in told["people"].as_array().unwrap() {
        let sign_in = json!({ "email": person["email"], "password": person["password"] });
        let tokens = anyone.create("/v1/sessions", &sign_in).await;
        let client = anyone.with_token(tokens["access_token"].as_str().unwrap().to_owned());
        assert_eq!(client.get("/v1/me").await.json()["role"], person["role"]);
        let units = client.get("/v1/units?limit=100").await.json()["items"].as_array().unwrap().len();
        let all = !person["role"].as_str().unwrap().starts_with("customer");
        assert!(if all { units == 48 } else { (1..48).contains(&units) }, "{units} units for {person}");
        pages.insert(person["role"].as_str().unwrap(), follow(&client).await);
    }
    for (role, pages) in &pages {
        let of_reports = ["/savings-reports", "/savings-reports/*"].iter().all(|page| pages.contains(*page));
        assert!(pages.contains("/units/*") && of_reports == (*role != "technician"), "{role} finds {pages:?}");
    }
    for page in ["/units/*/visit", "/units/*/handover", "/week", "/to-decide", "/risk", "/stock", "/stock/count"] {
        assert!(pages["technician"].contains(page) || pages["office"].contains(page), "{page}: {pages:?}");
    }
    assert_eq!(pages.len(), 5, "one of each role");
}

/// Some of what is invented happened months ago: the shortest demo does not reach back to it.
#[tokio::test]
async fn the_shortest_demo_is_made_too() {
    let app = TestApp::start().await;
    let size = Size { units: 24, months: 3 };
    let made = demo::load(app.db(), size, "2026-05-04T09:30:00Z".parse().unwrap(), &|_, _| {}).await.unwrap();
    let visits = app.superuser().await.query_one("select count(*) from service_event", &[]).await.unwrap();
    assert!(visits.get::<_, i64>(0) > 20, "of dealer {}", made.dealer);
    for noted in [
        "rain_day",
        "rain_intake",
        "flow_test",
        "wash_derivation",
        "wash_sessions",
        "loss_coefficient",
        "working_days",
        "wash_chemical",
        "investment",
        "dosing_setting",
        "draw_down",
    ] {
        let all = app.superuser().await.query_one(&format!("select count(*) from {noted}"), &[]).await.unwrap();
        assert!(all.get::<_, i64>(0) > 0, "{noted}");
    }
    // What a customer is billed for is in the currency of its terms, so that it adds up to a cost.
    let others = "select count(*) from billed_item b join cost_terms t using (dealer_id, site_id)
        where b.currency is distinct from t.terms ->> 'currency'";
    assert_eq!(app.superuser().await.query_one(others, &[]).await.unwrap().get::<_, i64>(0), 0);
}
