//! Sends events to webhook endpoints. Each endpoint has a lane of its own, so that one that hangs
//! holds up nobody else; several instances share the lanes' deliveries without sending one twice,
//! unless an instance ends between the endpoint's answer and the note of it.

use crate::auth::Scope;
use crate::db::webhook::delivery::{self, Taken, Tried};
use crate::db::{Db, DbError, Tx};
use crate::problem::chain;
use crate::webhook::{Message, Sender};
use chrono::{DateTime, Utc};
use domain::ids::{DealerId, EndpointId};
use futures_util::future::{FutureExt, LocalBoxFuture, join_all};
use futures_util::stream::{FuturesUnordered, StreamExt};
use serde::Serialize;
use serde_json::Value;
use std::collections::HashSet;
use std::time::Instant;
use uuid::Uuid;

/// Deliveries taken up by a lane at once.
const AT_ONCE: i64 = 16;

/// A message's body.
#[derive(Serialize)]
struct Envelope<'a> {
    #[serde(rename = "type")]
    event: &'a str,
    timestamp: DateTime<Utc>,
    data: Told<'a>,
}

/// What the event is about: thin, so that whoever gets it asks for what it may see.
#[derive(Serialize)]
struct Told<'a> {
    record: &'a str,
    record_id: &'a str,
    revision: Option<i32>,
    customer_id: Option<Uuid>,
    detail: &'a Value,
}

/// The lanes that are being worked.
#[derive(Default)]
pub(super) struct Lanes<'a> {
    at_work: FuturesUnordered<LocalBoxFuture<'a, (DealerId, EndpointId)>>,
    busy: HashSet<(DealerId, EndpointId)>,
}

impl<'a> Lanes<'a> {
    /// Begins the lanes of a dealer's endpoints for which something is due, and that are not at work.
    pub(super) fn begin(&mut self, db: &'a Db, sender: &'a Sender, dealer: DealerId, due: Vec<EndpointId>) {
        for endpoint in due {
            if self.busy.insert((dealer, endpoint)) {
                let work = async move {
                    if let Err(error) = lane(db, sender, dealer, endpoint, Utc::now()).await {
                        tracing::warn!(%dealer, %endpoint, error = %chain(&error), "webhooks could not be sent");
                    }
                    (dealer, endpoint)
                };
                self.at_work.push(work.boxed_local());
            }
        }
    }

    /// Waits for a lane to come to its end; for ever while there is none.
    pub(super) async fn ended(&mut self) {
        match self.at_work.next().await {
            Some(lane) => {
                self.busy.remove(&lane);
            }
            None => std::future::pending().await,
        }
    }
}

/// Sends all that is due for a dealer's endpoints now or by a later instant, and waits for it.
///
/// # Errors
/// When the database fails.
pub async fn drain(db: &Db, sender: &Sender, dealer: DealerId, now: DateTime<Utc>) -> Result<(), DbError> {
    db.sequence(dealer).await?;
    // What got its place just now is due too.
    let (scope, now) = (Scope::of_job(dealer), now.max(Utc::now()));
    let due = db.read(&scope, now, async |tx| delivery::due(tx).await).await?;
    let lanes = due.into_iter().map(|endpoint| lane(db, sender, dealer, endpoint, now));
    join_all(lanes).await.into_iter().collect()
}

/// Sends what is due for an endpoint, in the order of the feed, until nothing is or one fails.
async fn lane(
    db: &Db,
    sender: &Sender,
    dealer: DealerId,
    endpoint: EndpointId,
    now: DateTime<Utc>,
) -> Result<(), DbError> {
    let (scope, begun) = (Scope::of_job(dealer), Instant::now());
    loop {
        // A long lane must not hand out leases that are over already.
        let take_up = async |tx: &Tx<'_>| delivery::take_up(tx, endpoint, AT_ONCE).await;
        let load = db.write(&scope, now + begun.elapsed(), take_up).await?;
        let mut tried = Vec::with_capacity(load.deliveries.len());
        for taken in &load.deliveries {
            let one = send(sender, &load, taken).await?;
            let failed = one.answered.error.is_some();
            tried.push(one);
            if failed {
                break;
            }
        }
        let rest: Vec<Uuid> = load.deliveries.iter().skip(tried.len()).map(|taken| taken.delivery_id).collect();
        let failed = tried.last().is_none_or(|last| last.answered.error.is_some());
        db.write(&scope, now + begun.elapsed(), async |tx| {
            delivery::note(tx, endpoint, &tried, rand::random()).await?;
            delivery::give_back(tx, &rest).await
        })
        .await?;
        if failed {
            return Ok(());
        }
    }
}

async fn send(sender: &Sender, load: &delivery::Load, taken: &Taken) -> Result<Tried, DbError> {
    let (line, at) = (&taken.line, Utc::now());
    let data = Told {
        record: &line.record,
        record_id: &line.record_id,
        revision: line.revision,
        customer_id: line.customer_id,
        detail: &line.detail,
    };
    let envelope = Envelope { event: &taken.event, timestamp: line.at, data };
    let body = serde_json::to_string(&envelope).map_err(|error| DbError::Internal(error.into()))?;
    let (id, secrets) = (line.id.to_string(), &load.secrets);
    let message = Message { url: &load.url, id: &id, body: &body, secrets, sent_at_s: at.timestamp() };
    let answered = sender.send(&message).await;
    Ok(Tried { delivery: taken.delivery_id, tries: taken.tries, at, answered })
}
