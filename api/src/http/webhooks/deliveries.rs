//! What became of events on their way to endpoints.

use super::super::answer::{Arranging, Page, Paging, Problems};
use super::super::table::{Kind as Column, Tabled, listed, whole};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::webhook::delivery::{self, Attempt, Listed, Range};
use crate::db::{Db, Tx, webhook};
use crate::extract::{Body, instant};
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::ids::EndpointId;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of deliveries.
pub fn routes(routes: &mut Routes) {
    routes
        .service(list_webhook_deliveries)
        .service(list_webhook_attempts)
        .service(send_again)
        .service(send_range_again);
}

/// Which deliveries.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListWebhookDeliveries {
    /// `waiting`, `delivered` or `dead` (given up after three days); all when left out.
    #[param(example = "dead")]
    state: Option<String>,
}

/// An event on its way to an endpoint.
#[derive(Debug, Serialize, ToSchema)]
pub struct WebhookDelivery {
    id: Uuid,
    /// The endpoint.
    endpoint_id: Uuid,
    /// The message's `webhook-id`, the same however often it is sent; also the change's id in
    /// `GET /v1/changes`.
    message_id: Uuid,
    /// What it tells of.
    #[schema(example = "savings_report.issued")]
    event: String,
    /// `waiting`, `delivered` or `dead`.
    #[schema(example = "delivered")]
    state: String,
    /// How often it was tried since it was wanted or sent again.
    #[schema(example = 1)]
    tries: i32,
    /// When it is tried next; null when it is not.
    next_try_at: Option<DateTime<Utc>>,
    /// When it was wanted.
    created_at: DateTime<Utc>,
    /// When it was delivered or given up.
    finished_at: Option<DateTime<Utc>>,
    /// The last try; null before the first.
    last_attempt: Option<WebhookAttempt>,
}

/// A try of a delivery.
#[derive(Debug, Serialize, ToSchema)]
pub struct WebhookAttempt {
    /// When it began.
    at: DateTime<Utc>,
    /// How long it took, in milliseconds.
    #[schema(example = 48)]
    took_ms: i32,
    /// The status that was answered; null where nothing was.
    #[schema(example = 204)]
    status: Option<i32>,
    /// What went wrong; null where nothing did.
    #[schema(example = json!(null))]
    error: Option<String>,
}

impl From<Attempt> for WebhookAttempt {
    fn from(attempt: Attempt) -> Self {
        let Attempt { at, took_ms, status, error } = attempt;
        Self { at, took_ms, status, error }
    }
}

impl From<Listed> for WebhookDelivery {
    fn from(listed: Listed) -> Self {
        let tried = listed.tried_at.zip(listed.took_ms);
        let (status, error) = (listed.status, listed.error);
        Self {
            id: listed.id,
            endpoint_id: listed.endpoint_id,
            message_id: listed.change_id,
            event: listed.event,
            next_try_at: (listed.state == "waiting").then_some(listed.due_at),
            state: listed.state,
            tries: listed.tries,
            created_at: listed.created_at,
            finished_at: listed.finished_at,
            last_attempt: tried.map(|(at, took_ms)| WebhookAttempt { at, took_ms, status, error }),
        }
    }
}

/// List what was sent to an endpoint
///
/// The delivery log, the first wanted first: this order alone, since a delivery has no instant of its last change.
/// As a table (`Accept`), all of it, with the last try of each beside it.
#[utoipa::path(tag = "changes",
    params(("id" = Uuid, Path, description = "The endpoint's id"), ListWebhookDeliveries, Paging),
    responses((status = 200, description = "A page of deliveries", content(
        (Page<WebhookDelivery> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/webhook-endpoints/{id}/deliveries")]
async fn list_webhook_deliveries(
    request: HttpRequest,
    caller: Caller<perm::ReadWebhooks>,
    id: Path<EndpointId>,
    (filter, paging): (Query<ListWebhookDeliveries>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (id, state, after) = (*id, filter.into_inner().state, paging.parse()?);
    if state.as_deref().is_some_and(|state| !["waiting", "delivered", "dead"].contains(&state)) {
        return Err(Problem::at(Kind::Invalid, "/state", "unknown_state", "Give waiting, delivered or dead."));
    }
    // Said before a table begins, which could only break off.
    db.read(caller.scope(), caller.now(), async |tx| webhook::get(tx, id).await).await?;
    let read = async move |tx: &Tx<'_>, after: &After| delivery::list(tx, id, state.as_deref(), after).await;
    let key = |_: &After, row: &Listed| (String::new(), row.id);
    listed(&request, &caller, (&db, &rates), after, read, (key, WebhookDelivery::from)).await
}

impl Tabled for WebhookDelivery {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("id", Column::Text),
        ("endpoint_id", Column::Text),
        ("message_id", Column::Text),
        ("event", Column::Text),
        ("state", Column::Text),
        ("tries", Column::Whole),
        ("next_try_at", Column::Instant),
        ("created_at", Column::Instant),
        ("finished_at", Column::Instant),
        ("last_attempt.at", Column::Instant),
        ("last_attempt.took_ms", Column::Whole),
        ("last_attempt.status", Column::Whole),
        ("last_attempt.error", Column::Text),
    ];
}

/// List the tries of a delivery
///
/// All of them on one page, the first first; or as a table (`Accept`).
#[utoipa::path(tag = "changes", params(("id" = Uuid, Path, description = "The delivery's id"), Arranging),
    responses((status = 200, description = "The tries", content(
        (Page<WebhookAttempt> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/webhook-deliveries/{id}/attempts")]
async fn list_webhook_attempts(
    request: HttpRequest,
    caller: Caller<perm::ReadWebhooks>,
    id: Path<Uuid>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| delivery::attempts(tx, *id).await).await?;
    whole(&request, &caller, &rates, rows, WebhookAttempt::from)
}

impl Tabled for WebhookAttempt {
    const COLUMNS: &'static [(&'static str, Column)] =
        &[("at", Column::Instant), ("took_ms", Column::Whole), ("status", Column::Whole), ("error", Column::Text)];
}

/// Send a delivery again
///
/// Under the same message id, whether it was delivered, given up or still waits.
#[utoipa::path(tag = "changes", params(("id" = Uuid, Path, description = "The delivery's id")),
    responses((status = 202, description = "It will be sent", body = WebhookDelivery), Problems))]
#[post("/webhook-deliveries/{id}/send-again")]
async fn send_again(
    caller: Caller<perm::WriteWebhooks>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let again = db.write(caller.scope(), caller.now(), async |tx| delivery::again(tx, *id).await).await?;
    Ok(HttpResponse::Accepted().json(WebhookDelivery::from(again)))
}

/// Which deliveries to send again.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SendAgain {
    /// Wanted from this instant on.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-01-12T00:00:00Z")]
    from: DateTime<Utc>,
    /// Up to, not including, this instant.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-01-13T00:00:00Z")]
    to: DateTime<Utc>,
    /// Only those that were given up.
    #[serde(default)]
    #[schema(example = true)]
    dead_only: bool,
}

/// How many will be sent again.
#[derive(Debug, Serialize, ToSchema)]
pub struct SentAgain {
    /// Deliveries.
    #[schema(example = 12)]
    deliveries: usize,
}

/// Send a range of deliveries again
///
/// At most 10,000 at once.
#[utoipa::path(tag = "changes", request_body = SendAgain, params(("id" = Uuid, Path, description = "The endpoint's id")),
    responses((status = 202, description = "They will be sent", body = SentAgain), Problems))]
#[post("/webhook-endpoints/{id}/send-again")]
async fn send_range_again(
    caller: Caller<perm::WriteWebhooks>,
    id: Path<EndpointId>,
    range: Body<SendAgain>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let SendAgain { from, to, dead_only } = range.0;
    if from > to {
        return Err(Problem::at(Kind::Invalid, "/to", "before_from", "Give a `to` after `from`."));
    }
    let range = Range { from, to, dead_only };
    let write = async |tx: &Tx<'_>| delivery::again_between(tx, *id, range).await;
    let deliveries = db.write(caller.scope(), caller.now(), write).await?;
    Ok(HttpResponse::Accepted().json(SentAgain { deliveries }))
}
