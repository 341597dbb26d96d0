//! Webhook endpoints and their secrets in the database; [`delivery`] has what is sent to them.

pub mod delivery;

pub(in crate::db) use delivery::fan_out;

use super::error::known;
use super::page::{After, paged};
use super::schema::{webhook_endpoint, webhook_secret};
use super::stamp::{Change, one_changed};
use super::{DbError, Revision, Stored, Tx};
use crate::webhook::sign::Secret;
use chrono::{DateTime, Duration, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{CustomerId, EndpointId};
use domain::webhook::{Endpoint, EventType};
use serde_json::{Value, json};
use uuid::Uuid;

/// An endpoint as it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Kept {
    /// Where to, and of what.
    pub endpoint: Endpoint,
    /// Why nothing is sent there at present.
    pub paused_why: Option<String>,
}

/// An endpoint with its stamps.
pub type StoredEndpoint = Stored<EndpointId, Kept>;

#[derive(Queryable, Selectable)]
#[diesel(table_name = webhook_endpoint)]
struct Row {
    id: Uuid,
    url: String,
    description: String,
    events: Value,
    customer_id: Option<Uuid>,
    paused_why: Option<String>,
    revision: Revision,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

impl TryFrom<Row> for StoredEndpoint {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let events = known("events", serde_json::from_value(row.events).ok())?;
        let customer_id = row.customer_id.map(CustomerId);
        Ok(Self {
            id: EndpointId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.ended_at,
            value: Kept {
                endpoint: Endpoint { url: row.url, description: row.description, events, customer_id },
                paused_why: row.paused_why,
            },
        })
    }
}

#[derive(Insertable, AsChangeset)]
#[diesel(table_name = webhook_endpoint, treat_none_as_null = true)]
struct Fields<'a> {
    url: &'a str,
    description: &'a str,
    events: Value,
    customer_id: Option<Uuid>,
    paused_why: Option<&'a str>,
    changed_at: DateTime<Utc>,
}

impl<'a> Fields<'a> {
    fn of(tx: &Tx<'_>, Kept { endpoint, paused_why }: &'a Kept) -> Self {
        Self {
            url: &endpoint.url,
            description: &endpoint.description,
            events: json!(endpoint.events),
            customer_id: endpoint.customer_id.map(|customer| customer.0),
            paused_why: paused_why.as_deref(),
            changed_at: tx.now(),
        }
    }
}

/// Adds an endpoint with its first secret.
///
/// # Errors
/// [`DbError::UnknownReference`] for a customer that is not the dealer's.
pub async fn create(tx: &Tx<'_>, new: &Kept) -> Result<(StoredEndpoint, Secret), DbError> {
    let row: Row = insert_into(webhook_endpoint::table)
        .values((webhook_endpoint::id.eq(tx.new_id()), webhook_endpoint::created_at.eq(tx.now()), Fields::of(tx, new)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    let secret = Secret::random();
    insert_secret(tx, row.id, 1, &secret).await?;
    Ok((logged(tx, row.try_into()?, "created").await?, secret))
}

async fn insert_secret(tx: &Tx<'_>, endpoint: Uuid, n: i32, secret: &Secret) -> Result<(), DbError> {
    insert_into(webhook_secret::table)
        .values((
            webhook_secret::endpoint_id.eq(endpoint),
            webhook_secret::n.eq(n),
            webhook_secret::secret.eq(secret.bytes()),
            webhook_secret::created_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

/// One endpoint.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: EndpointId) -> Result<StoredEndpoint, DbError> {
    let found = webhook_endpoint::table.filter(webhook_endpoint::id.eq(id.0)).select(Row::as_select());
    let row: Row = found.first(&mut tx.conn()).await?;
    row.try_into()
}

/// Endpoints in the order in which they were added or as the page is sorted, one more than it holds; retired
/// ones only when asked for.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, retired: bool, after: &After) -> Result<Vec<StoredEndpoint>, DbError> {
    let mut query = paged!(webhook_endpoint::table.select(Row::as_select()), after, webhook_endpoint);
    if !retired {
        query = query.filter(webhook_endpoint::ended_at.is_null());
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Changes an endpoint that is still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] when it is not, [`DbError::NotFound`] outside the scope,
/// [`DbError::UnknownReference`] for a customer that is not the dealer's.
pub async fn update_at(tx: &Tx<'_>, id: EndpointId, at: Revision, new: &Kept) -> Result<StoredEndpoint, DbError> {
    let own = webhook_endpoint::id.eq(id.0).and(webhook_endpoint::revision.eq(at));
    let changed: Option<Row> = update(webhook_endpoint::table.filter(own))
        .set((Fields::of(tx, new), webhook_endpoint::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, row.try_into()?, "updated").await
}

/// Retires an endpoint that is still at revision `at`: nothing is sent there any more.
///
/// # Errors
/// As [`update_at`].
pub async fn retire(tx: &Tx<'_>, id: EndpointId, at: Revision) -> Result<StoredEndpoint, DbError> {
    let now = get(tx, id).await?;
    if now.retired_at(at) {
        return Ok(now);
    }
    let own = webhook_endpoint::id.eq(id.0).and(webhook_endpoint::revision.eq(at));
    let changed: Option<Row> = update(webhook_endpoint::table.filter(own.and(webhook_endpoint::ended_at.is_null())))
        .set((
            webhook_endpoint::ended_at.eq(tx.now()),
            webhook_endpoint::changed_at.eq(tx.now()),
            webhook_endpoint::revision.eq(at + 1),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, row.try_into()?, "retired").await
}

/// Hours for which an old secret signs beside its successor.
pub const OVERLAP_HOURS: i64 = 24;

/// Makes a new secret; those before it sign beside it for a day.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn rotate(tx: &Tx<'_>, id: EndpointId) -> Result<(StoredEndpoint, Secret), DbError> {
    let own = webhook_secret::endpoint_id.eq(id.0);
    let endpoint: Row = webhook_endpoint::table
        .filter(webhook_endpoint::id.eq(id.0))
        .select(Row::as_select())
        .for_update()
        .first(&mut tx.conn())
        .await?;
    update(webhook_secret::table.filter(own.and(webhook_secret::expires_at.is_null())))
        .set(webhook_secret::expires_at.eq(tx.now() + Duration::hours(OVERLAP_HOURS)))
        .execute(&mut tx.conn())
        .await?;
    let last: Option<i32> =
        webhook_secret::table.filter(own).select(diesel::dsl::max(webhook_secret::n)).first(&mut tx.conn()).await?;
    let secret = Secret::random();
    insert_secret(tx, id.0, last.unwrap_or(0) + 1, &secret).await?;
    let endpoint: StoredEndpoint = endpoint.try_into()?;
    log(tx, id, "updated", json!({ "deed": "secret_rotated" })).await?;
    Ok((endpoint, secret))
}

/// The secrets that sign at present, the newest first.
pub(super) async fn secrets(tx: &Tx<'_>, id: EndpointId) -> Result<Vec<Secret>, DbError> {
    let valid = webhook_secret::expires_at.is_null().or(webhook_secret::expires_at.gt(tx.now()));
    let bytes: Vec<Vec<u8>> = webhook_secret::table
        .filter(webhook_secret::endpoint_id.eq(id.0).and(valid))
        .order(webhook_secret::n.desc())
        .select(webhook_secret::secret)
        .load(&mut tx.conn())
        .await?;
    Ok(bytes.into_iter().map(Secret::of_bytes).collect())
}

/// Wants a test event to be sent to an endpoint.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, [`DbError::Refused`] for one that nothing is sent to.
pub async fn ask_for_test(tx: &Tx<'_>, id: EndpointId) -> Result<(), DbError> {
    let stored = get(tx, id).await?;
    if stored.ended_at.is_some() || stored.value.paused_why.is_some() {
        return Err(DbError::refused("not_sent_to", "The endpoint is paused or retired; resume it first."));
    }
    log(tx, id, "asked", json!({ "event": EventType::Test.as_str() })).await
}

/// Sends nothing there any more until somebody resumes it.
pub(super) async fn pause(tx: &Tx<'_>, id: EndpointId, why: &str) -> Result<(), DbError> {
    let running = webhook_endpoint::id.eq(id.0).and(webhook_endpoint::paused_why.is_null());
    let paused = update(webhook_endpoint::table.filter(running))
        .set((
            webhook_endpoint::paused_why.eq(why),
            webhook_endpoint::changed_at.eq(tx.now()),
            webhook_endpoint::revision.eq(webhook_endpoint::revision + 1),
        ))
        .execute(&mut tx.conn())
        .await?;
    if paused == 1 { log(tx, id, "updated", json!({ "paused_why": why })).await } else { Ok(()) }
}

async fn log(tx: &Tx<'_>, id: EndpointId, verb: &str, detail: Value) -> Result<(), DbError> {
    let (record, record_id) = ("webhook_endpoint", id.to_string());
    tx.log(Change { record, record_id, revision: None, verb, customer: None, detail }).await
}

/// The line says which host, not the whole address: that may carry a key of the receiver's.
async fn logged(tx: &Tx<'_>, stored: StoredEndpoint, verb: &str) -> Result<StoredEndpoint, DbError> {
    let Endpoint { url, events, .. } = &stored.value.endpoint;
    let host = url.split('/').nth(2).unwrap_or_default();
    let detail = json!({ "host": host, "events": events });
    tx.logged(stored, ("webhook_endpoint", verb), None, detail).await
}
