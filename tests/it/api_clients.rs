//! `/v1/api-clients` and `/v1/oauth`: programs, what they may do, how they sign in and out.

use crate::conventions::items;
use crate::list_filters::comes_as_a_table;
use crate::lists::{by_pages, nothing};
use crate::series::csv_has_the_rows;
use crate::support::{Answer, Client, Dealer, TestApp, form_body, id};
use reqwest::Method;
use reqwest::header::CONTENT_TYPE;
use serde_json::{Value, json};

/// A program as it signs in.
pub(crate) struct Program {
    pub(crate) id: String,
    pub(crate) secret: String,
}

impl Program {
    /// Adds one with these scopes, limited as `limits` says.
    pub(crate) async fn add(dealer: &Dealer, name: &str, scopes: &[&str], limits: Value) -> Self {
        let mut new = json!({ "name": name, "scopes": scopes });
        new.as_object_mut().unwrap().extend(limits.as_object().unwrap().clone());
        let id = id(&dealer.owner.create("/v1/api-clients", &new).await).to_string();
        let secret = new_secret(&dealer.owner, &id, 24).await;
        Self { id, secret }
    }

    async fn ask(&self, anyone: &Client, more: &[(&str, &str)]) -> Answer {
        let own = [("grant_type", "client_credentials"), ("client_id", &self.id), ("client_secret", &self.secret)];
        let fields: Vec<_> = own.iter().chain(more).copied().collect();
        send(anyone, "/v1/oauth/token", &fields).await
    }

    /// Signed in.
    pub(crate) async fn client(&self, anyone: &Client) -> Client {
        let token = self.ask(anyone, &[]).await.json();
        anyone.with_token(token["access_token"].as_str().unwrap().to_owned())
    }
}

async fn send(anyone: &Client, path: &str, fields: &[(&str, &str)]) -> Answer {
    let request = anyone.request(Method::POST, path).header(CONTENT_TYPE, "application/x-www-form-urlencoded");
    anyone.send(request.body(form_body(fields))).await
}

async fn new_secret(owner: &Client, client: &str, overlap_hours: u16) -> String {
    let path = format!("/v1/api-clients/{client}/secrets");
    let made = owner.create(&path, &json!({ "overlap_hours": overlap_hours })).await;
    made["secret"].as_str().unwrap().to_owned()
}

/// The error of RFC 6749, section 5.2.
#[track_caller]
fn error(answer: &Answer, status: u16) -> String {
    assert_eq!((answer.status(), answer.header("cache-control")), (status, "no-store"), "{answer:?}");
    let body: Value = serde_json::from_str(answer.text()).unwrap();
    assert!(body["error_description"].as_str().is_some_and(|words| !words.is_empty()));
    body["error"].as_str().unwrap().to_owned()
}

#[tokio::test]
async fn a_program_does_what_was_granted_to_it_and_no_more() {
    let app = TestApp::start().await;
    let (dealer, foreign) = (app.dealer("Brookside").await, app.dealer("Millrace").await);
    let customer = dealer.customer("Harbour Haulage").await;
    let site = dealer.site(customer, "North yard").await;
    let program = Program::add(&dealer, "Dashboards", &["read-sites", "read-water"], json!({})).await;
    let client = program.client(app.anyone()).await;
    assert_eq!(client.get(&format!("/v1/sites/{site}")).await.status(), 200);
    let other = foreign.site(foreign.customer("Elsewhere").await, "South yard").await;
    client.get(&format!("/v1/sites/{other}")).await.refused(404, "not-found");
    let refused = client.get("/v1/units").await;
    refused.refused(403, "not-allowed");
    assert!(refused.text().contains("api_client lacks the permission read-units"), "{refused:?}");
    // Less than was granted, when less is asked for.
    let less = program.ask(app.anyone(), &[("scope", "read-water")]).await.json();
    assert_eq!(
        (&less["scope"], &less["token_type"], &less["expires_in"]),
        (&json!("read-water"), &json!("Bearer"), &json!(900))
    );
    let less = app.anyone().with_token(less["access_token"].as_str().unwrap().to_owned());
    less.get("/v1/sites").await.refused(403, "not-allowed");
    assert_eq!(error(&program.ask(app.anyone(), &[("scope", "read-units")]).await, 400), "invalid_scope");
    let kept = dealer.owner.get(&format!("/v1/api-clients/{}", program.id)).await.json();
    assert_ne!(kept["last_used_at"], Value::Null);
}

#[tokio::test]
async fn a_program_is_limited_to_a_customer_and_to_sites() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (own, other) = (dealer.customer("Harbour Haulage").await, dealer.customer("Hill Farms").await);
    let sites = [dealer.site(own, "North yard").await, dealer.site(own, "South yard").await];
    dealer.site(other, "Farm").await;
    let names = async |program: Program| {
        let client = program.client(app.anyone()).await;
        let listed = items(&client, "/v1/sites").await;
        listed.iter().map(|site| site["name"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    let scopes = &["read-sites"][..];
    let whole = Program::add(&dealer, "All of it", scopes, json!({ "customer_id": own })).await;
    assert_eq!(names(whole).await, ["North yard", "South yard"]);
    let limits = json!({ "customer_id": own, "site_ids": [sites[1]] });
    let one = Program::add(&dealer, "One of it", scopes, limits).await;
    assert_eq!(names(one).await, ["South yard"]);
    let wrong = json!({ "name": "x", "scopes": ["read-risk", "read-everything"], "customer_id": own });
    let faults = [("/scopes/0", "unknown_scope"), ("/scopes/1", "unknown_scope")];
    dealer.owner.post("/v1/api-clients", &wrong).await.refused_for(422, &faults);
    let homeless = json!({ "name": "x", "scopes": ["read-sites"], "site_ids": sites });
    dealer.owner.post("/v1/api-clients", &homeless).await.refused_for(422, &[("/customer_id", "required")]);
    dealer.office.get("/v1/api-clients").await.refused(403, "not-allowed");
}

#[tokio::test]
async fn secrets_are_shown_once_and_change_over() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let mut program = Program::add(&dealer, "Dashboards", &["read-sites"], json!({})).await;
    let old = Program { id: program.id.clone(), secret: program.secret.clone() };
    program.secret = new_secret(&dealer.owner, &program.id, 1).await;
    for one in [&old, &program] {
        assert_eq!(one.ask(app.anyone(), &[]).await.status(), 200, "both hold meanwhile");
    }
    program.secret = new_secret(&dealer.owner, &program.id, 0).await;
    assert_eq!(error(&old.ask(app.anyone(), &[]).await, 401), "invalid_client");
    assert_eq!(program.ask(app.anyone(), &[]).await.status(), 200);
    let kept = dealer.owner.get(&format!("/v1/api-clients/{}", program.id)).await;
    assert!(
        !kept.text().contains(&program.secret) && kept.json()["secrets"].as_array().unwrap().len() == 3,
        "{kept:?}"
    );
    let stored: String = app
        .superuser()
        .await
        .query_one("select string_agg(s::text, ' ') from client_secret s", &[])
        .await
        .unwrap()
        .get(0);
    assert!(!stored.contains(&program.secret));
    // By HTTP Basic (RFC 6749, section 2.3.1) as well as in the form.
    let basic = app.anyone().request(Method::POST, "/v1/oauth/token").basic_auth(&program.id, Some(&program.secret));
    let basic = basic.header(CONTENT_TYPE, "application/x-www-form-urlencoded").body("grant_type=client_credentials");
    assert_eq!(app.anyone().send(basic).await.status(), 200);
    let wrong = Program { id: program.id.clone(), secret: old.secret.replace('A', "B") };
    let refused = wrong.ask(app.anyone(), &[]).await;
    assert!(refused.header("www-authenticate").starts_with("Basic"), "{refused:?}");
    assert_eq!(error(&refused, 401), "invalid_client");
    let fields = [("grant_type", "password"), ("client_id", &program.id), ("client_secret", &program.secret)];
    assert_eq!(error(&send(app.anyone(), "/v1/oauth/token", &fields).await, 400), "unsupported_grant_type");
}

#[tokio::test]
async fn what_has_ended_is_worth_nothing_at_once() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let program = Program::add(&dealer, "Dashboards", &["read-sites"], json!({})).await;
    let (first, second) = (program.client(app.anyone()).await, program.client(app.anyone()).await);
    let fields = [("token", first.token().unwrap()), ("client_id", &program.id), ("client_secret", &program.secret)];
    assert_eq!(send(app.anyone(), "/v1/oauth/revoke", &fields).await.status(), 200);
    first.get("/v1/sites").await.refused(401, "not-signed-in");
    assert_eq!(second.get("/v1/sites").await.status(), 200, "the other token goes on");
    // RFC 7009, section 2.2: what is no token of the client's is answered the same.
    let unknown = [("token", "unknown"), fields[1], fields[2]];
    assert_eq!(send(app.anyone(), "/v1/oauth/revoke", &unknown).await.status(), 200);
    let stranger = Program::add(&dealer, "Other", &["read-sites"], json!({})).await;
    let theirs = [("token", second.token().unwrap()), ("client_id", &stranger.id), ("client_secret", &stranger.secret)];
    assert_eq!(send(app.anyone(), "/v1/oauth/revoke", &theirs).await.status(), 200);
    assert_eq!(second.get("/v1/sites").await.status(), 200, "another's token is not touched");
    dealer.owner.post_at(&format!("/v1/api-clients/{}/retire", program.id), "\"2\"").await.refused(412, "stale");
    assert_eq!(dealer.owner.post_at(&format!("/v1/api-clients/{}/retire", program.id), "\"1\"").await.status(), 200);
    second.get("/v1/sites").await.refused(401, "not-signed-in");
    assert_eq!(error(&program.ask(app.anyone(), &[]).await, 401), "invalid_client");
}

#[tokio::test]
async fn programs_come_in_each_order_and_as_a_table_without_their_secrets() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let owner = &dealer.owner;
    let weather = Program::add(&dealer, "Weather", &["read-sites", "read-water"], json!({})).await;
    let dashboards = Program::add(&dealer, "Dashboards", &["read-sites"], json!({})).await;
    comes_as_a_table(owner, "api-clients").await;
    let csv = csv_has_the_rows(owner, "/v1/api-clients").await;
    assert!(csv.starts_with("id,name,scopes,customer_id,site_ids,expires_at,last_used_at,secrets,revision,"), "{csv}");
    assert!(!csv.contains(&weather.secret) && !csv.contains(&dashboards.secret), "{csv}");

    for (sort, names) in [
        ("name", ["Dashboards", "Weather"]),
        ("created", ["Weather", "Dashboards"]),
        ("changed", ["Weather", "Dashboards"]),
    ] {
        assert_eq!(by_pages(owner, &format!("/v1/api-clients?sort={sort}"), "name", nothing).await, names, "{sort}");
    }
    let retire = format!("/v1/api-clients/{}/retire", weather.id);
    let retired = owner.post_at(&retire, "\"1\"").await.json();
    let all = "/v1/api-clients?retired=true";
    let by_change = by_pages(owner, &format!("{all}&sort=changed"), "name", nothing).await;
    assert_eq!(by_change, ["Dashboards", "Weather"], "what was written last comes last");
    let since = format!("{all}&changed_since={}", retired["changed_at"].as_str().unwrap());
    assert_eq!(items(owner, &since).await, [retired], "at that instant or later");
    owner.get("/v1/api-clients?sort=label").await.refused_for(422, &[("/sort", "unknown_sort")]);
}

/// RFC 8414, section 2: the members that must be there, and the issuer that tokens name.
#[tokio::test]
async fn the_metadata_say_where_tokens_are_had() {
    let app = TestApp::start().await;
    let metadata = app.anyone().get("/.well-known/oauth-authorization-server").await.json();
    let issuer = metadata["issuer"].as_str().unwrap();
    assert_eq!(metadata["token_endpoint"], json!(format!("{issuer}/v1/oauth/token")));
    assert_eq!(metadata["grant_types_supported"], json!(["client_credentials"]));
    assert!(metadata["response_types_supported"].is_array());
    assert!(metadata["scopes_supported"].as_array().unwrap().contains(&json!("read-water")));
}
