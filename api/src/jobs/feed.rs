//! Inside `serve`: gives the lines of the change log their places soon after they are committed, and
//! sends the events among them to webhook endpoints.

use super::webhooks::Lanes;
use crate::auth::Scope;
use crate::db::webhook::delivery;
use crate::db::{Db, DbError};
use crate::problem::chain;
use crate::webhook::Sender;
use chrono::Utc;
use domain::ids::{DealerId, EndpointId};
use std::time::Duration;
use tokio::sync::{mpsc, watch};

/// How long what is written is gathered.
const GATHER: Duration = Duration::from_millis(50);
/// How often to look for deliveries whose pause is over, and for what an instance left behind that
/// ended before it could.
const LOOK_EVERY: Duration = Duration::from_secs(5);

/// Runs until `stop` changes. What is being sent then is broken off, and sent again later.
pub async fn run(db: Db, sender: Sender, mut stop: watch::Receiver<()>) {
    let (due, to_send) = mpsc::unbounded_channel();
    // Side by side: lanes hold connections, and who waits for one needs them to go on.
    tokio::select! {
        () = follow(&db, &due) => {}
        () = send(&db, &sender, to_send) => {}
        _ = stop.changed() => {}
    }
}

/// The endpoints of a dealer for which something is due.
type Due = (DealerId, Vec<EndpointId>);

async fn send(db: &Db, sender: &Sender, mut due: mpsc::UnboundedReceiver<Due>) {
    let mut lanes = Lanes::default();
    loop {
        tokio::select! {
            Some((dealer, endpoints)) = due.recv() => lanes.begin(db, sender, dealer, endpoints),
            () = lanes.ended() => {}
        }
    }
}

async fn follow(db: &Db, due: &mpsc::UnboundedSender<Due>) {
    let mut look = tokio::time::interval(LOOK_EVERY);
    loop {
        let dealers = tokio::select! {
            dealers = written(db) => Ok(dealers),
            _ = look.tick() => every(db).await,
        };
        let dealers = dealers.unwrap_or_else(|error| {
            tracing::warn!(error = %chain(&error), "dealers could not be looked up");
            Vec::new()
        });
        for dealer in dealers {
            // One dealer's trouble is not the next one's.
            if let Err(error) = place(db, due, dealer).await {
                tracing::warn!(%dealer, error = %chain(&error), "changes could not be put in order");
            }
        }
    }
}

async fn place(db: &Db, due: &mpsc::UnboundedSender<Due>, dealer: DealerId) -> Result<(), DbError> {
    db.sequence(dealer).await?;
    let scope = Scope::of_job(dealer);
    let endpoints = db.read(&scope, Utc::now(), async |tx| delivery::due(tx).await).await?;
    // Nobody listens only while the service ends.
    let _sent = due.send((dealer, endpoints));
    Ok(())
}

async fn written(db: &Db) -> Vec<DealerId> {
    tokio::time::sleep(GATHER).await;
    db.written().next().await
}

async fn every(db: &Db) -> Result<Vec<DealerId>, DbError> {
    Ok(db.dealers().await?.into_iter().map(|dealer| DealerId(dealer.id)).collect())
}
