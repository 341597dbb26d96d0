//! `/v1/webhook-endpoints` and `/v1/webhook-deliveries`: where events are sent, and what became of
//! them.

pub mod deliveries;

use super::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use super::table::{Kind, Tabled, listed};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::webhook::{self, Kept, StoredEndpoint};
use crate::db::{Db, Tx};
use crate::extract::{Body, IfMatch};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use crate::webhook::Sender;
use crate::webhook::sign::Secret;
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use domain::fault::Faults;
use domain::ids::{CustomerId, EndpointId};
use domain::webhook::{Endpoint, EventType};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeSet;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of these resources.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_webhook_endpoint)
        .service(list_webhook_endpoints)
        .service(get_webhook_endpoint)
        .service(update_webhook_endpoint)
        .service(retire_webhook_endpoint)
        .service(rotate_webhook_secret)
        .service(test_webhook_endpoint)
        .configure(deliveries::routes);
}

/// What is sent of an endpoint.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WebhookEndpointInput {
    /// Where events are sent: an https address that is reachable from the internet.
    #[schema(example = "https://hooks.example.com/weirbook", max_length = 1000)]
    url: String,
    /// What it is for.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    #[schema(example = "Facility dashboard", max_length = 200)]
    description: String,
    /// What it is told of: `savings_report.issued`, `savings_report.revised`, `unit.at_risk`,
    /// `finding.opened`, `finding.closed`, `stock.below_order_point`, `reading_exception.opened`,
    /// `routine.late`, `call_out.opened`, `call_out.closed`.
    #[schema(example = json!(["savings_report.issued", "savings_report.revised"]))]
    events: Vec<String>,
    /// Of this customer alone, and then only of reports and call-outs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    customer_id: Option<Uuid>,
    /// Whether nothing is sent at present; events of that time are not sent later.
    #[serde(default)]
    #[schema(example = false)]
    paused: bool,
}

/// Said of an endpoint that a person paused.
const BY_HAND: &str = "it was paused by hand";

impl WebhookEndpointInput {
    /// `before` is why it was paused until now.
    fn parse(&self, before: Option<String>) -> Result<Kept, Faults> {
        let mut faults = Faults::default();
        let mut events = BTreeSet::new();
        for (place, name) in self.events.iter().enumerate() {
            let parsed = EventType::parse(name);
            events.extend(faults.take(&format!("/events/{place}"), parsed));
        }
        let (url, description) = (self.url.clone(), self.description.clone());
        let customer_id = self.customer_id.map(CustomerId);
        // What can't be read is not said to be missing too.
        if events.is_empty() && !self.events.is_empty() {
            events.insert(EventType::Test);
        }
        let endpoint = faults.and(Endpoint { url, description, events, customer_id }.checked())?;
        let paused_why = self.paused.then(|| before.unwrap_or_else(|| BY_HAND.to_owned()));
        Ok(Kept { endpoint, paused_why })
    }
}

impl From<&Kept> for WebhookEndpointInput {
    fn from(kept: &Kept) -> Self {
        let Endpoint { url, description, events, customer_id } = &kept.endpoint;
        Self {
            url: url.clone(),
            description: description.clone(),
            events: events.iter().map(|event| event.as_str().to_owned()).collect(),
            customer_id: customer_id.map(|customer| customer.0),
            paused: kept.paused_why.is_some(),
        }
    }
}

/// An endpoint.
#[derive(Debug, Serialize, ToSchema)]
pub struct WebhookEndpoint {
    id: Uuid,
    #[serde(flatten)]
    record: WebhookEndpointInput,
    /// Why nothing is sent there at present.
    #[schema(example = json!(null))]
    paused_why: Option<String>,
    /// The key that deliveries are signed with; shown when it is made and never again.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")]
    secret: Option<String>,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<StoredEndpoint> for WebhookEndpoint {
    fn from(stored: StoredEndpoint) -> Self {
        let stamps = Stamps::from(&stored);
        let record = WebhookEndpointInput::from(&stored.value);
        Self { id: stored.id.0, record, paused_why: stored.value.paused_why, secret: None, stamps }
    }
}

/// Add a webhook endpoint
///
/// The answer shows the secret, once. Messages follow the Standard Webhooks specification: the fields
/// `webhook-id`, `webhook-timestamp` and `webhook-signature` (HMAC-SHA256). Each event is sent at least
/// once, under an id that stays the same (that of its change in `GET /v1/changes`); what is not
/// answered with 2xx within 15 seconds is tried again over three days. While an endpoint answers,
/// events come in the order of the feed; a retry may come after later ones, so read what an event
/// names rather than rely on the order. An address in a private network is refused.
///
/// There is no Idempotency-Key here: a kept answer would be a kept secret. If the answer got lost, a retry
/// makes a second endpoint, which is told of everything a second time. List the endpoints, retire the one
/// whose secret you do not have, or have `POST /v1/webhook-endpoints/{id}/rotate-secret` show a new one and
/// keep that endpoint instead of making another.
#[utoipa::path(tag = "changes", request_body = WebhookEndpointInput,
    responses((status = 201, description = "The endpoint with its secret", body = WebhookEndpoint), Problems))]
#[post("/webhook-endpoints")]
async fn create_webhook_endpoint(
    caller: Caller<perm::WriteWebhooks>,
    input: Body<WebhookEndpointInput>,
    db: Data<Db>,
    sender: Data<Sender>,
) -> Result<HttpResponse, Problem> {
    let (stored, secret) = made(&db, &caller, &sender, &input.0).await?;
    let revision = stored.revision;
    let view = WebhookEndpoint { secret: Some(secret.text()), ..stored.into() };
    Ok(answer::record(StatusCode::CREATED, revision, &view))
}

/// Adds an endpoint.
///
/// # Errors
/// When it can't be one, or nothing may be sent there.
pub(crate) async fn made(
    db: &Db,
    caller: &Caller<perm::WriteWebhooks>,
    sender: &Sender,
    input: &WebhookEndpointInput,
) -> Result<(StoredEndpoint, Secret), Problem> {
    let new = input.parse(None)?;
    sender.check(&new.endpoint.url).await?;
    Ok(db.write(caller.scope(), caller.now(), async |tx| webhook::create(tx, &new).await).await?)
}

/// Changes an endpoint that is still at a revision.
///
/// # Errors
/// As [`made`], and when it is not.
pub(crate) async fn updated(
    db: &Db,
    caller: &Caller<perm::WriteWebhooks>,
    sender: &Sender,
    (id, at): (EndpointId, i32),
    patch: &Value,
) -> Result<StoredEndpoint, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| webhook::get(tx, id).await).await?;
    let patched = answer::patched(&WebhookEndpointInput::from(&current.value), patch)?;
    let new = patched.parse(current.value.paused_why)?;
    // One whose name resolves no more can still be paused; sending looks again anyway.
    if new.endpoint.url != current.value.endpoint.url {
        sender.check(&new.endpoint.url).await?;
    }
    Ok(db.write(caller.scope(), caller.now(), async |tx| webhook::update_at(tx, id, at, &new).await).await?)
}

/// Which endpoints.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListWebhookEndpoints {
    /// Whether to give retired ones too.
    #[serde(default)]
    #[param(required = false)]
    retired: bool,
}

/// List webhook endpoints
///
/// As a table (`Accept`), all of them, without their secrets.
#[utoipa::path(tag = "changes", params(ListWebhookEndpoints, Sorting, Paging),
    responses((status = 200, description = "A page of endpoints, the oldest first", content(
        (Page<WebhookEndpoint> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/webhook-endpoints")]
async fn list_webhook_endpoints(
    request: HttpRequest,
    caller: Caller<perm::ReadWebhooks>,
    filter: Query<ListWebhookEndpoints>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (retired, after) = (filter.retired, paging.sorted(&sorting, "created")?);
    let read = async move |tx: &Tx<'_>, after: &After| webhook::list(tx, retired, after).await;
    let key = |after: &After, row: &StoredEndpoint| after.place(row, "", row.id.0);
    listed(&request, &caller, (&db, &rates), after, read, (key, WebhookEndpoint::from)).await
}

impl Tabled for WebhookEndpoint {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("url", Kind::Text),
        ("description", Kind::Text),
        ("events", Kind::Text),
        ("customer_id", Kind::Text),
        ("paused", Kind::Text),
        ("paused_why", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a webhook endpoint
#[utoipa::path(tag = "changes", params(("id" = Uuid, Path, description = "The endpoint's id")),
    responses((status = 200, description = "The endpoint", body = WebhookEndpoint), Problems))]
#[get("/webhook-endpoints/{id}")]
async fn get_webhook_endpoint(
    caller: Caller<perm::ReadWebhooks>,
    id: Path<EndpointId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| webhook::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &WebhookEndpoint::from(stored)))
}

/// Change a webhook endpoint
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one.
#[utoipa::path(tag = "changes", request_body = WebhookEndpointInput,
    params(("id" = Uuid, Path, description = "The endpoint's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The endpoint as it is now", body = WebhookEndpoint), Problems))]
#[patch("/webhook-endpoints/{id}")]
async fn update_webhook_endpoint(
    caller: Caller<perm::WriteWebhooks>,
    id: Path<EndpointId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
    sender: Data<Sender>,
) -> Result<HttpResponse, Problem> {
    let stored = updated(&db, &caller, &sender, (*id, at.0), &patch.0).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &WebhookEndpoint::from(stored)))
}

/// Retire a webhook endpoint
///
/// Nothing is sent there any more; what was sent stays in its log.
#[utoipa::path(tag = "changes",
    params(("id" = Uuid, Path, description = "The endpoint's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The endpoint as it is now", body = WebhookEndpoint), Problems))]
#[post("/webhook-endpoints/{id}/retire")]
async fn retire_webhook_endpoint(
    caller: Caller<perm::WriteWebhooks>,
    id: Path<EndpointId>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.write(caller.scope(), caller.now(), async |tx| webhook::retire(tx, *id, at.0).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &WebhookEndpoint::from(stored)))
}

/// Make a new secret
///
/// The answer shows it, once. For 24 hours messages are signed with the old one as well.
#[utoipa::path(tag = "changes", params(("id" = Uuid, Path, description = "The endpoint's id")),
    responses((status = 201, description = "The endpoint with its new secret", body = WebhookEndpoint), Problems))]
#[post("/webhook-endpoints/{id}/rotate-secret")]
async fn rotate_webhook_secret(
    caller: Caller<perm::WriteWebhooks>,
    id: Path<EndpointId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (stored, secret) = db.write(caller.scope(), caller.now(), async |tx| webhook::rotate(tx, *id).await).await?;
    let view = WebhookEndpoint { secret: Some(secret.text()), ..stored.into() };
    Ok(HttpResponse::build(StatusCode::CREATED).insert_header((header::CACHE_CONTROL, "no-store")).json(view))
}

/// Try an endpoint
///
/// Sends it an event of the type `webhook.test`; its delivery shows in the endpoint's log.
#[utoipa::path(tag = "changes", params(("id" = Uuid, Path, description = "The endpoint's id")),
    responses((status = 202, description = "It will be sent"), Problems))]
#[post("/webhook-endpoints/{id}/test")]
async fn test_webhook_endpoint(
    caller: Caller<perm::WriteWebhooks>,
    id: Path<EndpointId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    db.write(caller.scope(), caller.now(), async |tx| webhook::ask_for_test(tx, *id).await).await?;
    Ok(HttpResponse::Accepted().finish())
}
