//! Events on their way to endpoints.

use super::{EndpointId, StoredEndpoint, get, pause, secrets};
use crate::db::changes::{LINES, Line};
use crate::db::page::After;
use crate::db::schema::{webhook_attempt, webhook_delivery, webhook_endpoint};
use crate::db::stamp::Change;
use crate::db::{DbError, Tx};
use crate::webhook::Answered;
use crate::webhook::sign::Secret;
use chrono::{DateTime, Duration, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Array, BigInt, Integer, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, sql_query, update};
use diesel_async::RunQueryDsl;
use domain::ids::CustomerId;
use domain::webhook::EventType;
use domain::webhook::retry::pause_s;
use serde_json::{Value, json};
use uuid::Uuid;

/// Makes a delivery of each line after a place, for each endpoint that wants to be told of it.
pub(in crate::db) async fn fan_out(tx: &Tx<'_>, after: i64) -> Result<(), DbError> {
    let running = webhook_endpoint::ended_at.is_null().and(webhook_endpoint::paused_why.is_null());
    let rows: Vec<super::Row> =
        webhook_endpoint::table.filter(running).select(super::Row::as_select()).load(&mut tx.conn()).await?;
    if rows.is_empty() {
        return Ok(());
    }
    let endpoints = rows.into_iter().map(TryInto::try_into).collect::<Result<Vec<StoredEndpoint>, DbError>>()?;
    let sql = format!("{LINES} where p.seq > $1 order by p.seq");
    let lines: Vec<Line> = sql_query(sql).bind::<BigInt, _>(after).load(&mut tx.conn()).await?;
    let mut new: Vec<(Uuid, Uuid, &'static str, i64)> = Vec::new();
    for line in &lines {
        let deed = line.detail.get("deed").and_then(Value::as_str);
        let Some(event) = EventType::of_line(&line.record, &line.verb, deed) else { continue };
        let told = endpoints.iter().filter(|endpoint| is_told(endpoint, event, line));
        new.extend(told.map(|endpoint| (endpoint.id.0, line.id, event.as_str(), line.seq)));
    }
    insert(tx, &new).await
}

/// A test is for the one endpoint that it was asked for at, whatever that wants else.
fn is_told(stored: &StoredEndpoint, event: EventType, line: &Line) -> bool {
    match event {
        EventType::Test => stored.id.to_string() == line.record_id,
        _ => stored.value.endpoint.wants(event, line.customer_id.map(CustomerId)),
    }
}

async fn insert(tx: &Tx<'_>, new: &[(Uuid, Uuid, &'static str, i64)]) -> Result<(), DbError> {
    if new.is_empty() {
        return Ok(());
    }
    sql_query(
        "insert into webhook_delivery (id, endpoint_id, change_id, event, seq, due_at, created_at)
         select g.id, g.endpoint_id, g.change_id, g.event, g.seq, $6, $6
           from unnest($1::uuid[], $2::uuid[], $3::uuid[], $4::text[], $5::int8[])
             as g (id, endpoint_id, change_id, event, seq)",
    )
    .bind::<Array<SqlUuid>, _>(new.iter().map(|_| tx.new_id()).collect::<Vec<_>>())
    .bind::<Array<SqlUuid>, _>(new.iter().map(|one| one.0).collect::<Vec<_>>())
    .bind::<Array<SqlUuid>, _>(new.iter().map(|one| one.1).collect::<Vec<_>>())
    .bind::<Array<Text>, _>(new.iter().map(|one| one.2).collect::<Vec<_>>())
    .bind::<Array<BigInt>, _>(new.iter().map(|one| one.3).collect::<Vec<_>>())
    .bind::<Timestamptz, _>(tx.now())
    .execute(&mut tx.conn())
    .await?;
    Ok(())
}

/// The endpoints that something is due for.
///
/// # Errors
/// When the database fails.
pub async fn due(tx: &Tx<'_>) -> Result<Vec<EndpointId>, DbError> {
    let waiting = webhook_delivery::state.eq("waiting").and(webhook_delivery::due_at.le(tx.now()));
    let running = webhook_endpoint::ended_at.is_null().and(webhook_endpoint::paused_why.is_null());
    let to = webhook_endpoint::table.filter(running).select(webhook_endpoint::id);
    let due = webhook_delivery::table.filter(waiting.and(webhook_delivery::endpoint_id.eq_any(to)));
    let ids: Vec<Uuid> = due.select(webhook_delivery::endpoint_id).distinct().load(&mut tx.conn()).await?;
    Ok(ids.into_iter().map(EndpointId).collect())
}

/// A delivery that was taken up.
#[derive(Debug, Clone, QueryableByName)]
pub(crate) struct Taken {
    #[diesel(sql_type = SqlUuid)]
    pub(crate) delivery_id: Uuid,
    /// How often it was taken up, this time included.
    #[diesel(sql_type = Integer)]
    pub(crate) tries: i32,
    #[diesel(sql_type = Text)]
    pub(crate) event: String,
    /// The line it tells of.
    #[diesel(embed)]
    pub(crate) line: Line,
}

/// What an endpoint is to be sent.
pub(crate) struct Load {
    pub(crate) url: String,
    pub(crate) secrets: Vec<Secret>,
    pub(crate) deliveries: Vec<Taken>,
}

/// How long somebody who took deliveries up has for all of them.
const LEASE_MINUTES: i64 = 10;

const TAKE_UP: &str = "
with taken as (
  update webhook_delivery w set tries = w.tries + 1, due_at = $2
   where (w.dealer_id, w.id) in (
     select dealer_id, id from webhook_delivery
      where endpoint_id = $1 and state = 'waiting' and due_at <= $3
      order by seq
      limit $4
        for update skip locked)
  returning w.id as delivery_id, w.dealer_id, w.tries, w.event, w.change_id, w.seq)
select t.delivery_id, t.tries, t.event, t.seq, c.id, c.at, c.account_id, c.request_id, c.address,
       c.record, c.record_id, c.revision, c.verb, c.customer_id, c.detail
  from taken t
  join change c on c.dealer_id = t.dealer_id and c.id = t.change_id
 order by t.seq";

/// Takes up to `most` deliveries to an endpoint up that are due, in the order of the feed; nobody else
/// gets them for a while.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn take_up(tx: &Tx<'_>, id: EndpointId, most: i64) -> Result<Load, DbError> {
    let endpoint = get(tx, id).await?;
    // Paused or retired while its lane was at work.
    let most = if endpoint.ended_at.is_some() || endpoint.value.paused_why.is_some() { 0 } else { most };
    let deliveries = sql_query(TAKE_UP)
        .bind::<SqlUuid, _>(id.0)
        .bind::<Timestamptz, _>(tx.now() + Duration::minutes(LEASE_MINUTES))
        .bind::<Timestamptz, _>(tx.now())
        .bind::<BigInt, _>(most)
        .load(&mut tx.conn())
        .await?;
    Ok(Load { url: endpoint.value.endpoint.url, secrets: secrets(tx, id).await?, deliveries })
}

/// How a try went.
pub(crate) struct Tried {
    /// The delivery.
    pub(crate) delivery: Uuid,
    /// How often it was tried since it was wanted.
    pub(crate) tries: i32,
    /// When the try began.
    pub(crate) at: DateTime<Utc>,
    /// What came of it.
    pub(crate) answered: Answered,
}

/// The status that says that an endpoint is there no more (RFC 9110, section 15.5.11).
const GONE: u16 = 410;

/// Notes how tries went. What failed is tried again after a pause that is spread by `chance`, or is a
/// dead letter after the last try; an endpoint that is gone is paused.
///
/// # Errors
/// When the database fails.
pub(crate) async fn note(tx: &Tx<'_>, id: EndpointId, tried: &[Tried], chance: f64) -> Result<(), DbError> {
    for one in tried {
        let Answered { status, error, took } = &one.answered;
        insert_into(webhook_attempt::table)
            .values((
                webhook_attempt::delivery_id.eq(one.delivery),
                webhook_attempt::at.eq(one.at),
                webhook_attempt::took_ms.eq(i32::try_from(took.as_millis()).unwrap_or(i32::MAX)),
                webhook_attempt::status.eq(status.map(i32::from)),
                webhook_attempt::error.eq(error),
            ))
            .execute(&mut tx.conn())
            .await?;
        if error.is_none() {
            end(tx, one.delivery, "delivered").await?;
            continue;
        }
        match pause_s(usize::try_from(one.tries).unwrap_or(0), chance) {
            Some(pause) => put_off(tx, one.delivery, Duration::milliseconds(milliseconds(pause))).await?,
            None => die(tx, id, one.delivery).await?,
        }
        if *status == Some(GONE) {
            pause(tx, id, "it answered 410: it is gone").await?;
        }
    }
    Ok(())
}

#[expect(clippy::cast_possible_truncation, reason = "a pause of at most some days")]
fn milliseconds(pause_s: f64) -> i64 {
    (pause_s * 1000.0) as i64
}

async fn end(tx: &Tx<'_>, delivery: Uuid, state: &str) -> Result<(), DbError> {
    update(webhook_delivery::table.filter(webhook_delivery::id.eq(delivery)))
        .set((webhook_delivery::state.eq(state), webhook_delivery::finished_at.eq(tx.now())))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

async fn put_off(tx: &Tx<'_>, delivery: Uuid, pause: Duration) -> Result<(), DbError> {
    update(webhook_delivery::table.filter(webhook_delivery::id.eq(delivery)))
        .set(webhook_delivery::due_at.eq(tx.now() + pause))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

async fn die(tx: &Tx<'_>, id: EndpointId, delivery: Uuid) -> Result<(), DbError> {
    end(tx, delivery, "dead").await?;
    let (record, record_id, verb) = ("webhook_delivery", delivery.to_string(), "updated");
    let detail = json!({ "deed": "given_up", "endpoint_id": id });
    tx.log(Change { record, record_id, revision: None, verb, customer: None, detail }).await
}

/// Gives back what was taken up and not tried.
///
/// # Errors
/// When the database fails.
pub(crate) async fn give_back(tx: &Tx<'_>, deliveries: &[Uuid]) -> Result<(), DbError> {
    // One that was meanwhile asked for again begins anew anyway.
    let held = webhook_delivery::id.eq_any(deliveries).and(webhook_delivery::tries.gt(0));
    update(webhook_delivery::table.filter(held))
        .set((webhook_delivery::due_at.eq(tx.now()), webhook_delivery::tries.eq(webhook_delivery::tries - 1)))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

/// A delivery in the log, with its last try.
#[derive(Debug, Clone, QueryableByName)]
pub struct Listed {
    /// Its id.
    #[diesel(sql_type = SqlUuid)]
    pub id: Uuid,
    /// Where to.
    #[diesel(sql_type = SqlUuid)]
    pub endpoint_id: Uuid,
    /// The message's id: that of the change.
    #[diesel(sql_type = SqlUuid)]
    pub change_id: Uuid,
    /// What it tells of.
    #[diesel(sql_type = Text)]
    pub event: String,
    /// `waiting`, `delivered` or `dead`.
    #[diesel(sql_type = Text)]
    pub state: String,
    /// How often it was tried since it was wanted or sent again.
    #[diesel(sql_type = Integer)]
    pub tries: i32,
    /// When it is tried next.
    #[diesel(sql_type = Timestamptz)]
    pub due_at: DateTime<Utc>,
    /// When it was wanted.
    #[diesel(sql_type = Timestamptz)]
    pub created_at: DateTime<Utc>,
    /// When it was delivered or given up.
    #[diesel(sql_type = Nullable<Timestamptz>)]
    pub finished_at: Option<DateTime<Utc>>,
    /// When the last try began.
    #[diesel(sql_type = Nullable<Timestamptz>)]
    pub tried_at: Option<DateTime<Utc>>,
    /// How long it took.
    #[diesel(sql_type = Nullable<Integer>)]
    pub took_ms: Option<i32>,
    /// What was answered.
    #[diesel(sql_type = Nullable<Integer>)]
    pub status: Option<i32>,
    /// What went wrong.
    #[diesel(sql_type = Nullable<Text>)]
    pub error: Option<String>,
}

const LISTED: &str = "
select w.id, w.endpoint_id, w.change_id, w.event, w.state, w.tries, w.due_at, w.created_at, w.finished_at,
       t.at as tried_at, t.took_ms, t.status, t.error
  from webhook_delivery w
  left join lateral (
    select * from webhook_attempt t
     where t.dealer_id = w.dealer_id and t.delivery_id = w.id order by t.at desc limit 1) t on true";

/// Deliveries to an endpoint, the first wanted first, one more than the page holds; none to one outside the scope.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, id: EndpointId, state: Option<&str>, after: &After) -> Result<Vec<Listed>, DbError> {
    let sql = format!(
        "{LISTED} where w.endpoint_id = $1 and ($2 is null or w.state = $2) and w.id > $3 order by w.id limit $4"
    );
    Ok(sql_query(sql)
        .bind::<SqlUuid, _>(id.0)
        .bind::<Nullable<Text>, _>(state)
        .bind::<SqlUuid, _>(after.key().1)
        .bind::<BigInt, _>(after.ask())
        .load(&mut tx.conn())
        .await?)
}

/// A try of a delivery.
#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = webhook_attempt)]
pub struct Attempt {
    /// When it began.
    pub at: DateTime<Utc>,
    /// How long it took.
    pub took_ms: i32,
    /// What was answered.
    pub status: Option<i32>,
    /// What went wrong.
    pub error: Option<String>,
}

/// All tries of a delivery, the first first.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn attempts(tx: &Tx<'_>, delivery: Uuid) -> Result<Vec<Attempt>, DbError> {
    let own = webhook_delivery::table.filter(webhook_delivery::id.eq(delivery)).select(webhook_delivery::id);
    let _there: Uuid = own.first(&mut tx.conn()).await?;
    let tries = webhook_attempt::table.filter(webhook_attempt::delivery_id.eq(delivery)).order(webhook_attempt::at);
    Ok(tries.select(Attempt::as_select()).load(&mut tx.conn()).await?)
}

/// Sends a delivery again that was delivered or given up; one that still waits is tried at once.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope; a refusal for an endpoint that is sent nothing.
pub async fn again(tx: &Tx<'_>, delivery: Uuid) -> Result<Listed, DbError> {
    let own = webhook_delivery::table.filter(webhook_delivery::id.eq(delivery));
    let again = (
        webhook_delivery::state.eq("waiting"),
        webhook_delivery::tries.eq(0),
        webhook_delivery::due_at.eq(tx.now()),
        webhook_delivery::finished_at.eq(None::<DateTime<Utc>>),
    );
    let endpoint: Uuid =
        update(own).set(again).returning(webhook_delivery::endpoint_id).get_result(&mut tx.conn()).await?;
    check_sent_to(tx, EndpointId(endpoint)).await?;
    log_again(tx, EndpointId(endpoint), json!({ "deed": "sent_again", "delivery_id": delivery })).await?;
    let sql = format!("{LISTED} where w.id = $1");
    Ok(sql_query(sql).bind::<SqlUuid, _>(delivery).get_result(&mut tx.conn()).await?)
}

/// Refuses an endpoint that is sent nothing at present: what is wanted again would only wait.
async fn check_sent_to(tx: &Tx<'_>, id: EndpointId) -> Result<(), DbError> {
    let endpoint = get(tx, id).await?;
    match (endpoint.ended_at, &endpoint.value.paused_why) {
        (Some(_), _) => Err(DbError::refused("retired", "The endpoint is retired; nothing is sent there any more.")),
        (None, Some(why)) => Err(DbError::refused(
            "paused",
            format!("Nothing is sent to the endpoint because {why}. Let it go on first."),
        )),
        (None, None) => Ok(()),
    }
}

/// Which deliveries to send again.
#[derive(Debug, Clone, Copy)]
pub struct Range {
    /// Wanted from this instant on.
    pub from: DateTime<Utc>,
    /// Up to, not including, this instant.
    pub to: DateTime<Utc>,
    /// Only those that were given up.
    pub dead_only: bool,
}

/// The most deliveries that are sent again at once.
pub const AGAIN_MAX: usize = 10_000;

/// Sends again what was delivered or given up in a range; how many.
///
/// # Errors
/// [`DbError::NotFound`] for an endpoint outside the scope; a refusal for more than [`AGAIN_MAX`], and
/// for an endpoint that is sent nothing.
pub async fn again_between(tx: &Tx<'_>, id: EndpointId, range: Range) -> Result<usize, DbError> {
    check_sent_to(tx, id).await?;
    let count = sql_query(
        "update webhook_delivery set state = 'waiting', tries = 0, due_at = $1, finished_at = null
          where endpoint_id = $2 and created_at >= $3 and created_at < $4
            and state = any (case when $5 then array['dead'] else array['dead', 'delivered'] end)",
    )
    .bind::<Timestamptz, _>(tx.now())
    .bind::<SqlUuid, _>(id.0)
    .bind::<Timestamptz, _>(range.from)
    .bind::<Timestamptz, _>(range.to)
    .bind::<diesel::sql_types::Bool, _>(range.dead_only)
    .execute(&mut tx.conn())
    .await?;
    if count > AGAIN_MAX {
        let words =
            format!("{count} deliveries lie in this range; at most {AGAIN_MAX} are sent again at once. Narrow it.");
        return Err(DbError::refused("too_many", words));
    }
    let detail = json!({ "deed": "sent_again", "from": range.from, "to": range.to, "count": count });
    log_again(tx, id, detail).await?;
    Ok(count)
}

async fn log_again(tx: &Tx<'_>, id: EndpointId, detail: Value) -> Result<(), DbError> {
    let (record, record_id, verb) = ("webhook_endpoint", id.to_string(), "updated");
    tx.log(Change { record, record_id, revision: None, verb, customer: None, detail }).await
}
